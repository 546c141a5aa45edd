//! Rows of a CSV file under its header, with the line that each begins on.

use std::borrow::Cow;

use super::FileProblem;
use super::csv_text::{CsvRow, CsvText};
use crate::model::time;
use heapward_rules::units::At;

/// Before this an integer is no time in milliseconds: it would lie before March 1973.
const EPOCH_MS_MIN: i64 = 100_000_000_000;
/// The last millisecond of the year 9999.
const EPOCH_MS_MAX: i64 = 253_402_300_799_999;

/// One row; the fields are as many as the header has.
pub(super) struct Row<'a> {
    pub(super) line: usize,
    fields: Vec<Cow<'a, str>>,
}

/// A file being read, for its problems.
pub(super) struct Table<'a> {
    file: &'a str,
    header: &'a [&'a str],
}

// === impl Row ===

impl Row<'_> {
    pub(super) fn field(&self, index: usize) -> &str {
        self.fields.get(index).map(Cow::as_ref).unwrap_or_default()
    }
}

// === impl Table ===

impl<'a> Table<'a> {
    pub(super) fn new(file: &'a str, header: &'a [&'a str]) -> Table<'a> {
        Table { file, header }
    }

    pub(super) fn problem(&self, line: usize, what: impl Into<String>) -> FileProblem {
        FileProblem { file: self.file.to_owned(), line, what: what.into() }
    }

    /// Reads all rows under the header with `read`, up to the first that cannot be read.
    pub(super) fn rows<T>(
        &self,
        bytes: &[u8],
        read: impl Fn(&Row) -> Result<T, FileProblem>,
    ) -> Result<Vec<T>, FileProblem> {
        let mut text = CsvText::new(bytes);
        let mut next = || {
            let row = text.row()?;
            Some(row.map_err(|bad| self.problem(bad.line, bad.what)))
        };
        self.check_header(next().transpose()?)?;
        let mut rows = Vec::new();
        while let Some(CsvRow { line, fields }) = next().transpose()? {
            if fields.len() != self.header.len() {
                let what = format!(
                    "{} fields where the header has {}; write `{}`",
                    fields.len(),
                    self.header.len(),
                    self.header.join(",")
                );
                return Err(self.problem(line, what));
            }
            rows.push(read(&Row { line, fields })?);
        }
        Ok(rows)
    }

    fn check_header(&self, first: Option<CsvRow>) -> Result<(), FileProblem> {
        let is_header = |row: CsvRow| row.line == 1 && row.fields.iter().eq(self.header);
        if first.is_some_and(is_header) {
            return Ok(());
        }
        Err(self.problem(1, format!("line 1 must be the header `{}`", self.header.join(","))))
    }

    /// An instant: RFC 3339 with offset, or UTC milliseconds.
    pub(super) fn instant(&self, row: &Row, index: usize) -> Result<At, FileProblem> {
        let text = row.field(index);
        let is_integer = !text.is_empty() && text.bytes().all(|b| b.is_ascii_digit());
        let at = if is_integer {
            text.parse().ok().filter(|ms| (EPOCH_MS_MIN..=EPOCH_MS_MAX).contains(ms)).map(At)
        } else {
            time::parse_rfc3339(text)
        };
        at.ok_or_else(|| {
            let what = format!(
                "`{text}` is no time; write RFC 3339 with an offset, such as 2026-05-01T15:00:00Z or \
                 2026-05-01T11:00:00-04:00, or UTC milliseconds"
            );
            self.problem(row.line, what)
        })
    }
}
