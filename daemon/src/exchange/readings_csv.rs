//! Readings as CSV: `time,source,value,unit`.
//!
//! `time` is RFC 3339 with an offset or UTC milliseconds, `source` a probe's id or `hand:SPOT`, `value` a decimal
//! number, `unit` one of `C`, `F`, `%`. Rows may come in any order and more than once.

use heapward_rules::ids::{ProbeId, SpotName};
use heapward_rules::reading::{Reading, Source, Unit};

use super::FileProblem;
use super::rows::{Row, Table};

const HEADER: [&str; 4] = ["time", "source", "value", "unit"];

/// Reads all rows. `spots` are those of the pile: a hand reading elsewhere cannot be read.
pub fn read(file: &str, bytes: &[u8], spots: &[SpotName]) -> Result<Vec<Reading>, FileProblem> {
    let table = Table::new(file, &HEADER);
    table.rows(bytes, |row| reading(&table, row, spots))
}

fn reading(table: &Table, row: &Row, spots: &[SpotName]) -> Result<Reading, FileProblem> {
    Ok(Reading {
        at: table.instant(row, 0)?,
        source: source(table, row, spots)?,
        value: number(row.field(2)).ok_or_else(|| {
            let what =
                format!("`{}` is no number; write digits with a decimal point, such as 62.4", row.field(2));
            table.problem(row.line, what)
        })?,
        unit: match row.field(3) {
            "C" => Unit::Celsius,
            "F" => Unit::Fahrenheit,
            "%" => Unit::Percent,
            other => return Err(table.problem(row.line, format!("`{other}` is no unit; write C, F or %"))),
        },
    })
}

fn source(table: &Table, row: &Row, spots: &[SpotName]) -> Result<Source, FileProblem> {
    let text = row.field(1);
    let Some(spot) = text.strip_prefix("hand:") else {
        if text.is_empty() {
            let what = "the source is empty; write the probe's id or `hand:` and the spot";
            return Err(table.problem(row.line, what));
        }
        return Ok(Source::Probe(ProbeId::new(text)));
    };
    let known = spots.iter().find(|known| known.as_str() == spot);
    known.map(|spot| Source::Hand(spot.clone())).ok_or_else(|| {
        let names: Vec<&str> = spots.iter().map(SpotName::as_str).collect();
        let what = format!("`{spot}` is no spot of this pile; write one of: {}", names.join(", "));
        table.problem(row.line, what)
    })
}

/// `[+-]digits[.digits]`.
fn number(text: &str) -> Option<f64> {
    let unsigned = text.strip_prefix(['+', '-']).unwrap_or(text);
    let (whole, fraction) = unsigned.split_once('.').unwrap_or((unsigned, "0"));
    let all_digits = |part: &str| !part.is_empty() && part.bytes().all(|b| b.is_ascii_digit());
    (all_digits(whole) && all_digits(fraction)).then(|| text.parse().ok()).flatten()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_plain_decimals() {
        for (text, value) in [("62.4", 62.4), ("-0.5", -0.5), ("+7", 7.0), ("007.50", 7.5)] {
            assert_eq!(number(text), Some(value), "{text}");
        }
        for text in ["", "+", ".5", "5.", "1e3", "NaN", "inf", "62,4", " 62.4", "0x1F", "--1", "1.2.3"] {
            assert_eq!(number(text), None, "{text}");
        }
    }

    #[test]
    fn a_bad_row_names_its_own_line() {
        let check = |text: &str, line: usize| {
            let problem = read("r.csv", text.as_bytes(), &[SpotName::new("heart")]).unwrap_err();
            assert_eq!(problem.line, line, "{text:?}: {problem}");
        };
        check("", 1);
        check("time,source,value\n", 1);
        check("\ntime,source,value,unit\n", 1);
        check("time,source,value,unit\n\n\r\n2026-05-01T15:00:00Z,k1,62.4,\n", 4);
        check(
            "time,source,value,unit\r\n2026-05-01T15:00:00Z,k1,62.4,C\r\n\r\n2026-05-01T15:00:00,k1,1,C\r\n",
            4,
        );
        check("time,source,value,unit\n2026-05-01T15:00:00Z,\"k\n1\",1,C\n2026-05-01T15:00:60Z,k1,1,C\n", 4);
        check("time,source,value,unit\n99999999999,k1,1,C\n", 2);
        check("time,source,value,unit\n2026-05-01T24:00:00Z,k1,1,C\n", 2);
        check("time,source,value,unit\n2026-05-01T15:00:00Z,hand:toe,1,C\n", 2);
        check("time,source,value,unit\n2026-05-01T15:00:00Z,k1,1,C,\n", 2);
    }

    #[test]
    fn a_byte_order_mark_and_a_header_alone_are_good() {
        assert_eq!(read("r.csv", b"\xef\xbb\xbftime,source,value,unit\r\n", &[]), Ok(Vec::new()));
        let one = read("r.csv", b"time,source,value,unit\n1777716900123,k1,62.4,C", &[]).unwrap();
        assert_eq!(one.len(), 1);
    }
}
