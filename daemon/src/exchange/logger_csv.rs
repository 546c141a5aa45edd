//! Dated readings of any logger: a table of text whose columns are named on the command line.
//!
//! Nothing is guessed. A time that the clock shows twice (the hour after summer time ends) is left out and counted; a row
//! that can't be read is an error with its line, and nothing of the file is taken.

use chrono::{FixedOffset, LocalResult, NaiveDateTime, TimeZone};
use chrono_tz::Tz;
use heapward_rules::reading::{Reading, Source, Unit};
use heapward_rules::units::At;

use super::FileProblem;
use crate::model::time::parse_rfc3339;

/// Which column is what.
#[derive(Clone, Debug)]
pub struct Layout {
    /// Headers of the time; several are joined with a blank, such as a date and a time of day.
    pub time: Vec<String>,
    /// As `strftime` writes it; without one the usual forms are tried.
    pub time_format: Option<String>,
    pub clock: Clock,
    /// Header of a column of values, and whose they are.
    pub values: Vec<(String, Source)>,
    pub unit: Unit,
    pub delimiter: u8,
    /// 61,5 means 61.5.
    pub decimal_comma: bool,
    /// Lines before the header.
    pub skip_lines: usize,
}

/// How times without an offset are meant.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Clock {
    /// The wall clock of a zone, with its summer time.
    Wall(Tz),
    /// A logger that is never put forward or back.
    Fixed(FixedOffset),
}

/// What a file holds.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Taken {
    pub readings: Vec<Reading>,
    /// Cells without a value.
    pub blank: u64,
    /// Rows whose time the clock shows twice.
    pub twice: u64,
}

/// Forms of a time that are tried without a format: year first, so that day and month can't be taken for each other.
const USUAL: [&str; 4] =
    ["%Y-%m-%d %H:%M:%S%.f", "%Y-%m-%dT%H:%M:%S%.f", "%Y-%m-%d %H:%M", "%Y/%m/%d %H:%M:%S"];
/// What loggers write where they have no value.
const NO_VALUE: [&str; 6] = ["", "-", "--", "NaN", "nan", "null"];

enum When {
    At(At),
    Twice,
}

/// Reads a whole file.
pub fn read(file: &str, bytes: &[u8], layout: &Layout) -> Result<Taken, FileProblem> {
    let problem = |line: usize, what: String| FileProblem { file: file.to_owned(), line, what };
    let (start, skipped) = after_lines(bytes, layout.skip_lines);
    let body = bytes.get(start..).unwrap_or_default();
    let mut reader = csv::ReaderBuilder::new()
        .has_headers(true)
        .flexible(true)
        .delimiter(layout.delimiter)
        .trim(csv::Trim::All)
        .from_reader(body);
    let header = reader
        .headers()
        .map_err(|_| problem(skipped + 1, "the header can't be read; write UTF-8 text".to_owned()))?
        .clone();
    let column = |name: &String| {
        header.iter().position(|one| one == name).ok_or_else(|| {
            let names = header.iter().collect::<Vec<_>>().join("`, `");
            problem(skipped + 1, format!("there is no column `{name}`; there are `{names}`"))
        })
    };
    let times = layout.time.iter().map(&column).collect::<Result<Vec<_>, _>>()?;
    let values = layout
        .values
        .iter()
        .map(|(name, source)| Ok((column(name)?, source)))
        .collect::<Result<Vec<_>, FileProblem>>()?;
    let mut taken = Taken::default();
    for row in reader.records() {
        let row = row.map_err(|error| {
            let line = error.position().map_or(0, |at| usize::try_from(at.line()).unwrap_or(0));
            problem(skipped + line, "this row can't be read; write UTF-8 text".to_owned())
        })?;
        let line = skipped + row.position().map_or(0, |at| usize::try_from(at.line()).unwrap_or(0));
        let text = times.iter().filter_map(|n| row.get(*n)).collect::<Vec<_>>().join(" ");
        let when = instant(text.trim(), layout).map_err(|what| problem(line, what))?;
        for (column, source) in &values {
            let text = row.get(*column).unwrap_or_default();
            if NO_VALUE.contains(&text) {
                taken.blank += 1;
                continue;
            }
            let value = number(text, layout.decimal_comma)
                .ok_or_else(|| problem(line, format!("`{text}` is no number; see --decimal-comma")))?;
            match when {
                When::At(at) => {
                    taken.readings.push(Reading { at, source: (*source).clone(), value, unit: layout.unit });
                }
                When::Twice => taken.twice += 1,
            }
        }
    }
    Ok(taken)
}

/// Where the lines after the first `count` begin, and how many there really were before.
fn after_lines(bytes: &[u8], count: usize) -> (usize, usize) {
    let mut start = 0;
    for passed in 0..count {
        let rest = bytes.get(start..).unwrap_or_default();
        match rest.iter().position(|byte| *byte == b'\n') {
            Some(end) => start += end + 1,
            None => return (bytes.len(), passed),
        }
    }
    (start, count)
}

fn instant(text: &str, layout: &Layout) -> Result<When, String> {
    if layout.time_format.is_none()
        && let Some(at) = parse_rfc3339(text)
    {
        return Ok(When::At(at));
    }
    let parsed = match &layout.time_format {
        Some(format) => NaiveDateTime::parse_from_str(text, format).ok(),
        None => USUAL.iter().find_map(|format| NaiveDateTime::parse_from_str(text, format).ok()),
    };
    let naive = parsed.ok_or_else(|| {
        format!("`{text}` is no time; say how it is written, such as --time-format '%m/%d/%Y %H:%M'")
    })?;
    let at = |ms: i64| When::At(At(ms));
    match layout.clock {
        Clock::Fixed(offset) => match offset.from_local_datetime(&naive) {
            LocalResult::Single(t) => Ok(at(t.timestamp_millis())),
            _ => Err(format!("`{text}` is beyond the calendar")),
        },
        Clock::Wall(zone) => match zone.from_local_datetime(&naive) {
            LocalResult::Single(t) => Ok(at(t.timestamp_millis())),
            LocalResult::Ambiguous(..) => Ok(When::Twice),
            LocalResult::None => Err(format!(
                "`{text}` never was on the clock of {zone}: summer time began; if the logger is not put forward, give its \
                 --offset"
            )),
        },
    }
}

/// `[+-]digits[.digits]`, or with a comma.
fn number(text: &str, comma: bool) -> Option<f64> {
    let text = if comma { text.replacen(',', ".", 1) } else { text.to_owned() };
    let plain = text.bytes().all(|b| b.is_ascii_digit() || matches!(b, b'.' | b'+' | b'-'));
    text.parse().ok().filter(|value: &f64| plain && value.is_finite())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::time::rfc3339;
    use heapward_rules::ids::{ProbeId, SpotName};

    fn layout() -> Layout {
        Layout {
            time: vec!["Date".to_owned(), "Time".to_owned()],
            time_format: Some("%m/%d/%Y %H:%M".to_owned()),
            clock: Clock::Wall(chrono_tz::America::New_York),
            values: vec![
                ("Core".to_owned(), Source::Probe(ProbeId::new("k1"))),
                ("Toe".to_owned(), Source::Hand(SpotName::new("toe"))),
            ],
            unit: Unit::Fahrenheit,
            delimiter: b';',
            decimal_comma: true,
            skip_lines: 2,
        }
    }

    const FILE: &str = "Logger 7\nmade in the barn\nDate;Time;Core;Toe\n05/02/2026;06:15;131,5;\n05/02/2026;06:30;132;120,25\n\
                        11/01/2026;01:30;140;140\n";

    #[test]
    fn columns_of_a_logger() {
        let taken = read("a.csv", FILE.as_bytes(), &layout()).unwrap();
        let shown: Vec<String> = taken
            .readings
            .iter()
            .map(|one| format!("{} {:?} {}", rfc3339(one.at), one.source, one.value))
            .collect();
        assert_eq!(
            shown,
            [
                "2026-05-02T10:15:00.000Z Probe(ProbeId(\"k1\")) 131.5",
                "2026-05-02T10:30:00.000Z Probe(ProbeId(\"k1\")) 132",
                "2026-05-02T10:30:00.000Z Hand(SpotName(\"toe\")) 120.25",
            ]
        );
        assert_eq!((taken.blank, taken.twice), (1, 2));
        // A logger that is never put back has each hour once.
        let fixed = Layout { clock: Clock::Fixed(FixedOffset::west_opt(5 * 3_600).unwrap()), ..layout() };
        let taken = read("a.csv", FILE.as_bytes(), &fixed).unwrap();
        assert_eq!((taken.readings.len(), taken.twice), (5, 0));
    }

    #[test]
    fn what_cannot_be_read_is_named_by_its_line() {
        for (from, to, line, word) in [
            ("131,5", "warm", 4, "no number"),
            ("05/02/2026;06:30", "2026-05-02;06:30", 5, "no time"),
            ("11/01/2026;01:30", "03/08/2026;02:30", 6, "never was"),
            ("Core;Toe", "Kern;Toe", 3, "no column `Core`"),
        ] {
            let problem = read("a.csv", FILE.replace(from, to).as_bytes(), &layout()).unwrap_err();
            assert!(problem.line == line && problem.what.contains(word), "{problem}");
        }
    }

    #[test]
    fn what_is_no_plain_number_is_no_reading() {
        for text in ["inf", "1e3", "0x1F", "131,5,2", "1-5", "131.5 F"] {
            let problem =
                read("a.csv", FILE.replace("131,5", text).as_bytes(), &layout()).unwrap_err().to_string();
            assert!(problem.contains(&format!("`{text}` is no number")), "{problem}");
        }
        for text in ["", "-", "--", "NaN", "nan", "null"] {
            let taken = read("a.csv", FILE.replace("131,5", text).as_bytes(), &layout()).unwrap();
            assert_eq!((taken.readings.len(), taken.blank), (2, 2), "{text}");
        }
        // With a point for a comma, too.
        let point = Layout { decimal_comma: false, ..layout() };
        assert!(read("a.csv", FILE.as_bytes(), &point).unwrap_err().what.contains("--decimal-comma"));
        let points = FILE.replace(',', ".");
        assert_eq!(
            read("a.csv", points.as_bytes(), &point).unwrap().readings[0].value.to_bits(),
            131.5_f64.to_bits()
        );
    }

    #[test]
    fn a_table_may_begin_with_a_byte_order_mark_and_end_before_its_header() {
        let plain = Layout { skip_lines: 0, ..layout() };
        let table = "\u{feff}Date;Time;Core;Toe\r\n05/02/2026;06:15;131,5;\r\n";
        assert_eq!(read("a.csv", table.as_bytes(), &plain).unwrap().readings.len(), 1);
        let problem = read("a.csv", b"Logger 7\n", &layout()).unwrap_err();
        assert!(problem.what.contains("no column"), "{problem}");
        let latin = b"Date;Time;Core;Toe\n05/02/2026;06:15;131,5\xb0;\n";
        assert_eq!(read("a.csv", latin, &plain).unwrap_err().line, 2);
    }

    #[test]
    fn usual_times_need_no_format() {
        let plain = Layout { time_format: None, time: vec!["t".to_owned()], skip_lines: 0, ..layout() };
        for (text, at) in [
            ("2026-05-02T10:15:00Z", "2026-05-02T10:15:00.000Z"),
            ("2026-05-02T06:15:00-04:00", "2026-05-02T10:15:00.000Z"),
            ("2026-05-02 06:15:00", "2026-05-02T10:15:00.000Z"),
            ("2026-05-02 06:15:00.250", "2026-05-02T10:15:00.250Z"),
            ("2026-05-02 06:15", "2026-05-02T10:15:00.000Z"),
        ] {
            let file = format!("t;Core;Toe\n{text};60;\n");
            let taken = read("a.csv", file.as_bytes(), &plain).unwrap();
            assert_eq!(rfc3339(taken.readings[0].at), at, "{text}");
        }
        assert!(read("a.csv", b"t;Core;Toe\n05/02/2026 06:15;60;\n", &plain).is_err());
    }
}
