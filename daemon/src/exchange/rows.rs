//! Rows of a CSV file with the line that each begins on (RFC 4180, LF or CRLF, blank lines skipped).

use super::FileProblem;
use crate::model::time;
use heapward_rules::units::At;

/// Before this an integer is no time in milliseconds: it would lie before March 1973.
const EPOCH_MS_MIN: i64 = 100_000_000_000;
/// The last millisecond of the year 9999.
const EPOCH_MS_MAX: i64 = 253_402_300_799_999;

/// One row; the fields are as many as the header has.
pub(super) struct Row {
    pub(super) line: usize,
    fields: csv::StringRecord,
}

/// A file being read, for its problems.
pub(super) struct Table<'a> {
    file: &'a str,
    header: &'a [&'a str],
}

// === impl Row ===

impl Row {
    pub(super) fn field(&self, index: usize) -> &str {
        self.fields.get(index).unwrap_or_default()
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
        let bytes = bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(bytes);
        let mut reader = csv::ReaderBuilder::new().has_headers(false).flexible(true).from_reader(bytes);
        let mut lines = LineCounter { bytes, counted_to: 0, line: 1 };
        let mut rows = Vec::new();
        let mut header_seen = false;
        let mut fields = csv::StringRecord::new();
        loop {
            let start = reader.position().byte();
            match reader.read_record(&mut fields) {
                Ok(false) => break,
                Ok(true) => {}
                Err(error) => {
                    let line = lines.at(start);
                    return Err(self.problem(
                        line,
                        format!("this row cannot be read: {}; write UTF-8 text", csv_reason(&error)),
                    ));
                }
            }
            let line = lines.at(start);
            if !header_seen {
                self.check_header(line, &fields)?;
                header_seen = true;
                continue;
            }
            if fields.len() != self.header.len() {
                let what = format!(
                    "{} fields where the header has {}; write `{}`",
                    fields.len(),
                    self.header.len(),
                    self.header.join(",")
                );
                return Err(self.problem(line, what));
            }
            let row = Row { line, fields };
            rows.push(read(&row)?);
            fields = row.fields;
        }
        if header_seen { Ok(rows) } else { Err(self.no_header(1)) }
    }

    fn check_header(&self, line: usize, fields: &csv::StringRecord) -> Result<(), FileProblem> {
        if line == 1 && fields.iter().eq(self.header.iter().copied()) {
            Ok(())
        } else {
            Err(self.no_header(1))
        }
    }

    fn no_header(&self, line: usize) -> FileProblem {
        self.problem(line, format!("line 1 must be the header `{}`", self.header.join(",")))
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

fn csv_reason(error: &csv::Error) -> String {
    match error.kind() {
        csv::ErrorKind::Utf8 { .. } => "it is not UTF-8".to_owned(),
        other => format!("{other:?}"),
    }
}

/// Counts lines up to where a row begins. The reader's own count begins a row at the blank lines before it.
struct LineCounter<'a> {
    bytes: &'a [u8],
    counted_to: usize,
    line: usize,
}

// === impl LineCounter ===

impl LineCounter<'_> {
    fn at(&mut self, start: u64) -> usize {
        let start = usize::try_from(start).unwrap_or(usize::MAX).min(self.bytes.len());
        let rest = self.bytes.get(start..).unwrap_or_default();
        let blank = rest.iter().take_while(|b| matches!(b, b'\n' | b'\r')).count();
        let begin = start + blank;
        let passed = self.bytes.get(self.counted_to..begin).unwrap_or_default();
        self.line += passed.split(|b| *b == b'\n').count() - 1;
        self.counted_to = begin.max(self.counted_to);
        self.line
    }
}
