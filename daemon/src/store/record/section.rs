//! The text of one sealed day, byte for byte, and reading it back.
//!
//! ```text
//! seq 42
//! day 2026-05-12
//! prev 5f1c... (SHA-256 of the section before, lower-case hex; 64 zeros for the first)
//! readings 34560 9b07... (how many readings of the day, and the SHA-256 of the list of their digests)
//! late 2026-05-10T11:00:00.000Z 57.0625 temperature C k1
//! pile {...}
//! entry {...}
//! end 42
//! ```
//!
//! The list has a line `SHA-256  FILE` for each series that has readings of the day, in order of the series' texts, as
//! `sha256sum --check` reads it. The text of a series begins with `series temperature C k1` and has a line
//! `2026-05-12T15:00:00.123Z 57.0625` for each different value, in order of instant and value. Neither is kept: the
//! readings are in the store, and whoever doubts has them printed and compares. So the readings of one pile can be
//! handed out and checked without those of the others. A reading that comes after its day was sealed is listed by the
//! next section as `late`; the digests of its day are those of the texts without it.

use std::fmt::Write as _;

use chrono::NaiveDate;

use crate::sha256;
use crate::store::block::Row;
use crate::store::tx::hex;

/// SHA-256.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Digest(pub [u8; 32]);

/// A sealed day as its text says it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Section {
    pub seq: u64,
    pub day: NaiveDate,
    pub prev: Digest,
    pub readings: u64,
    pub readings_digest: Digest,
    /// Lines without their first word, in order.
    pub late: Vec<String>,
    /// Piles that were changed since the section before, as JSON.
    pub piles: Vec<String>,
    /// Entries of the log, as JSON: the text that the chain of entries is made of.
    pub entries: Vec<String>,
}

/// The list of a day's readings on its way into a digest.
#[derive(Clone, Debug, Default)]
pub(in crate::store) struct ReadingsList {
    text: String,
    count: u64,
}

pub(in crate::store) const DAY_MS: i64 = 86_400_000;

// === impl Digest ===

impl Digest {
    pub const ZERO: Digest = Digest([0; 32]);

    pub fn of(bytes: &[u8]) -> Digest {
        Digest(sha256::digest(bytes))
    }

    pub fn parse(text: &str) -> Option<Digest> {
        let (pairs, rest) = text.as_bytes().as_chunks::<2>();
        let nibble = |c: u8| match c {
            b'0'..=b'9' => Some(c - b'0'),
            b'a'..=b'f' => Some(c - b'a' + 10),
            _ => None,
        };
        let bytes: Option<Vec<u8>> =
            pairs.iter().map(|[high, low]| Some(nibble(*high)? << 4 | nibble(*low)?)).collect();
        if rest.is_empty() { bytes?.try_into().ok().map(Digest) } else { None }
    }
}

impl std::fmt::Display for Digest {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(&hex(&self.0))
    }
}

// === impl Section ===

impl Section {
    pub fn text(&self) -> String {
        let Section { seq, day, prev, readings, readings_digest, .. } = self;
        let mut text = format!("seq {seq}\nday {day}\nprev {prev}\nreadings {readings} {readings_digest}\n");
        for (word, lines) in [("late", &self.late), ("pile", &self.piles), ("entry", &self.entries)] {
            for line in lines {
                text.extend([word, " ", line, "\n"]);
            }
        }
        text.extend(["end ", &seq.to_string(), "\n"]);
        text
    }

    /// Reads one section off the front of a text; what follows it.
    pub fn parse(text: &str) -> Result<(Section, &str), String> {
        let mut rest = text;
        let mut line = || {
            let (line, after) = rest.split_once('\n').ok_or("the last line is cut off")?;
            rest = after;
            line.split_once(' ').ok_or_else(|| format!("`{line}` is one word"))
        };
        let mut field = |name: &str| {
            let (word, value) = line()?;
            if word == name { Ok(value) } else { Err(format!("`{name}` is missing, `{word}` stands there")) }
        };
        let bad = |what: &str| format!("{what} can't be read");
        let seq: u64 = field("seq")?.parse().map_err(|_| bad("seq"))?;
        let day: NaiveDate = field("day")?.parse().map_err(|_| bad("day"))?;
        let prev = Digest::parse(field("prev")?).ok_or_else(|| bad("prev"))?;
        let (count, digest) = field("readings")?.split_once(' ').ok_or_else(|| bad("readings"))?;
        let readings = count.parse().map_err(|_| bad("readings"))?;
        let readings_digest = Digest::parse(digest).ok_or_else(|| bad("readings"))?;
        let mut section = Section {
            seq,
            day,
            prev,
            readings,
            readings_digest,
            late: vec![],
            piles: vec![],
            entries: vec![],
        };
        loop {
            let (word, value) = line()?;
            match word {
                "late" => section.late.push(value.to_owned()),
                "pile" => section.piles.push(value.to_owned()),
                "entry" => section.entries.push(value.to_owned()),
                "end" if value == seq.to_string() => return Ok((section, rest)),
                _ => return Err(format!("`{word}` does not belong into section {seq}")),
            }
        }
    }
}

// === impl ReadingsList ===

impl ReadingsList {
    /// Adds the readings of one series, in order of time.
    pub(in crate::store) fn add(&mut self, series: &str, rows: &[Row]) {
        let text = readings_text(series, rows);
        if !text.is_empty() {
            let digest = Digest::of(text.as_bytes());
            let _ = writeln!(self.text, "{digest}  {}", file_name(series));
            self.count += rows.len() as u64;
        }
    }

    pub(in crate::store) fn finish(self) -> (u64, Digest) {
        (self.count, Digest::of(self.text.as_bytes()))
    }

    pub(in crate::store) fn into_text(self) -> String {
        self.text
    }
}

/// Name of the file for one series' readings: `temperature-C-k1.txt`. Whatever a probe is called, two names never meet
/// and none leaves its folder.
pub(in crate::store) fn file_name(series: &str) -> String {
    let mut name = String::with_capacity(series.len() + 4);
    let mut words = series.splitn(3, ' ');
    for word in [words.next(), words.next()].into_iter().flatten() {
        name.extend([if word == "%" { "percent" } else { word }, "-"]);
    }
    name + &probe_file(words.next().unwrap_or_default())
}

/// How the names of a probe's files end: `k1.txt`.
pub fn probe_file(probe: &str) -> String {
    let mut name = String::with_capacity(probe.len() + 4);
    for byte in probe.bytes() {
        match byte {
            b'a'..=b'z' | b'A'..=b'Z' | b'0'..=b'9' | b'-' | b'_' | b'.' => name.push(char::from(byte)),
            _ => {
                let _ = write!(name, "={byte:02X}");
            }
        }
    }
    name + ".txt"
}

/// Text of one series' readings of a day; nothing if there are none. Values of one instant are put in order of size:
/// the same whatever came first.
pub(in crate::store) fn readings_text(series: &str, rows: &[Row]) -> String {
    let mut text = String::with_capacity(rows.len() * 36 + 40);
    if rows.is_empty() {
        return text;
    }
    text.extend(["series ", series, "\n"]);
    let mut date = (i64::MIN, String::new());
    for rows in rows.chunk_by(|a, b| a.at == b.at) {
        let mut values: Vec<f64> = rows.iter().map(|row| row.value).collect();
        values.sort_by(f64::total_cmp);
        for value in values {
            put_instant(rows[0].at, &mut date, &mut text);
            // Rust prints the shortest decimal that reads back as the same number, without an exponent.
            let _ = writeln!(text, " {value}");
        }
    }
    text
}

/// RFC 3339 with milliseconds; the date is put together once for each day.
pub(in crate::store) fn put_instant(at: i64, date: &mut (i64, String), text: &mut String) {
    let day = at.div_euclid(DAY_MS);
    if date.0 != day {
        let midnight = chrono::DateTime::from_timestamp_millis(day * DAY_MS).unwrap_or_default();
        *date = (day, midnight.format("%Y-%m-%dT").to_string());
    }
    text.push_str(&date.1);
    let ms = at.rem_euclid(DAY_MS);
    let digit = |n: i64| char::from(b'0' + n.rem_euclid(10).to_le_bytes()[0]);
    let (hours, minutes, seconds) = (ms / 3_600_000, ms / 60_000 % 60, ms / 1_000 % 60);
    text.extend([digit(hours / 10), digit(hours), ':', digit(minutes / 10), digit(minutes), ':']);
    text.extend([digit(seconds / 10), digit(seconds), '.', digit(ms / 100), digit(ms / 10), digit(ms), 'Z']);
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::time;
    use heapward_rules::units::At;

    #[test]
    fn a_section_comes_back_and_a_cut_one_is_refused() {
        let section = Section {
            seq: 42,
            day: NaiveDate::from_ymd_opt(2026, 5, 12).unwrap(),
            prev: Digest::of(b"a"),
            readings: 7,
            readings_digest: Digest::of(b"b"),
            late: vec!["2026-05-10T11:00:00.000Z 57.0625 temperature C k1".to_owned()],
            piles: vec!["{\"id\":\"2026-03\"}".to_owned()],
            entries: vec!["{\"seq\":1}".to_owned(), "{\"seq\":2}".to_owned()],
        };
        let text = section.text();
        assert_eq!(Section::parse(&format!("{text}seq 43\n")), Ok((section, "seq 43\n")));
        for n in 0..text.len() {
            assert!(Section::parse(&text[..n]).is_err(), "cut at {n}");
        }
        assert!(Section::parse(&text.replace("end 42", "end 43")).is_err());
    }

    #[test]
    fn readings_have_one_text_whatever_came_first() {
        let row = |at, value| Row { at, value };
        let may = 1_777_647_600_123;
        let (a, b) = ([row(may, 57.0625), row(may, -1.0)], [row(may, -1.0), row(may, 57.0625)]);
        let text = readings_text("temperature C k1", &a);
        assert_eq!(text, readings_text("temperature C k1", &b));
        let expected =
            "series temperature C k1\n2026-05-01T15:00:00.123Z -1\n2026-05-01T15:00:00.123Z 57.0625\n";
        assert_eq!(text, expected);
        assert_eq!(readings_text("temperature C k1", &[]), "");
    }

    #[test]
    fn files_are_named_after_their_series() {
        let names = [
            ("temperature C k1", "temperature-C-k1.txt"),
            ("moisture % m-1_a.b", "moisture-percent-m-1_a.b.txt"),
            ("temperature F ../k 1", "temperature-F-..=2Fk=201.txt"),
        ];
        for (series, name) in names {
            assert_eq!(file_name(series), name);
        }
    }

    #[test]
    fn instants_are_printed_as_everywhere() {
        for at in [0, 1, 86_399_999, 951_782_400_000, 1_777_647_600_123, 253_402_300_799_999] {
            let mut text = String::new();
            put_instant(at, &mut (i64::MIN, String::new()), &mut text);
            assert_eq!(text, time::rfc3339(At(at)));
        }
    }
}
