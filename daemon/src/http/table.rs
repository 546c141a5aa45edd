//! Tables as CSV (RFC 4180): for programs as it stands, for spreadsheets with local time and harmless texts.

use chrono_tz::Tz;
use heapward_rules::units::At;

use crate::model::time::{local, rfc3339};

/// How a table is written.
pub(super) struct Table {
    /// The site's zone, if it is for a spreadsheet.
    sheet: Option<Tz>,
}

// === impl Table ===

impl Table {
    /// Times in RFC 3339, texts as they are, LF.
    pub(super) fn plain() -> Table {
        Table { sheet: None }
    }

    /// With a byte order mark, a column of local time that spreadsheets know as a time, and CRLF.
    pub(super) fn for_sheets(zone: Tz) -> Table {
        Table { sheet: Some(zone) }
    }

    /// Rows begin with their instant; cells come from [`Table::text`] and [`number`].
    pub(super) fn write(&self, header: &[&str], rows: impl Iterator<Item = (At, Vec<String>)>) -> String {
        let end = if self.sheet.is_some() { "\r\n" } else { "\n" };
        let mut out = String::new();
        if self.sheet.is_some() {
            out.push_str("\u{feff}local time,");
        }
        out.push_str(&header.join(","));
        out.push_str(end);
        for (at, cells) in rows {
            if let Some(zone) = self.sheet {
                out.push_str(&local(at, zone).format("%Y-%m-%d %H:%M:%S,").to_string());
            }
            out.push_str(&rfc3339(at));
            for cell in cells {
                out.push(',');
                out.push_str(&cell);
            }
            out.push_str(end);
        }
        out
    }

    /// A text as a cell. For a spreadsheet a text that it would take for a formula gets an apostrophe in front.
    pub(super) fn text(&self, text: &str) -> String {
        let formula = text.starts_with(['=', '+', '-', '@', '\t', '\r', '\n']);
        let safe = if self.sheet.is_some() && formula { format!("'{text}") } else { text.to_owned() };
        if safe.contains([',', '"', '\n', '\r']) {
            format!("\"{}\"", safe.replace('"', "\"\""))
        } else {
            safe
        }
    }
}

/// The shortest decimal that is this number: what was reported, to the digit.
pub(super) fn number(value: f64) -> String {
    value.to_string()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn texts_that_a_spreadsheet_would_run() {
        let sheet = Table::for_sheets(chrono_tz::America::New_York);
        for text in ["=HYPERLINK(\"http://x\")", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1"] {
            let cell = sheet.text(text);
            assert!(cell.trim_start_matches('"').starts_with('\''), "{cell}");
        }
        assert_eq!(sheet.text("core-north"), "core-north");
        assert_eq!(Table::plain().text("a \"b\", c"), "\"a \"\"b\"\", c\"");
    }

    #[test]
    fn numbers_as_reported() {
        for text in ["62.4", "-127", "85", "0.0625", "144.32", "1e21"] {
            let value: f64 = text.parse().unwrap();
            assert_eq!(number(value).parse::<f64>().unwrap().to_bits(), value.to_bits());
        }
        assert_eq!(number(62.4), "62.4");
    }
}
