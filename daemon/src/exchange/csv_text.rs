//! A text as rows of fields, strictly by RFC 4180, LF or CRLF; blank lines are skipped.
//!
//! Strict, because a forgiving reader turns a row that somebody spoiled into other figures without a word: a quote that
//! is never closed swallows the rows under it, a lone carriage return makes two rows of one.

use std::borrow::Cow;

/// The rest of a text of which rows are taken.
pub(super) struct CsvText<'a> {
    /// What is not yet read, up to the first byte that is not UTF-8.
    rest: &'a str,
    /// Whether the text breaks off there.
    broken_off: bool,
    /// Line of the next byte, from 1.
    line: usize,
}

/// A row, and the line on which it begins.
#[derive(Debug, PartialEq, Eq)]
pub(super) struct CsvRow<'a> {
    pub(super) line: usize,
    pub(super) fields: Vec<Cow<'a, str>>,
}

/// What is wrong with a row, and what to write instead.
#[derive(Debug, PartialEq, Eq)]
pub(super) struct BadRow {
    pub(super) line: usize,
    pub(super) what: &'static str,
}

const NOT_UTF8: &str = "this row is not UTF-8; save the file as UTF-8 text";
const STRAY_QUOTE: &str =
    "a quote inside a field; write the whole field in quotes, and each quote in it twice: \"6\"\" deeper\"";
const AFTER_QUOTE: &str = "text after a closing quote; write a comma there, or the quote in the field twice";
const NOT_CLOSED: &str = "a quote is opened and never closed; write the closing quote";
const LONE_RETURN: &str = "a carriage return without a line feed; end each row with a line feed, before it a carriage return or none";

// === impl CsvText ===

impl<'a> CsvText<'a> {
    /// A byte order mark before the text is passed over.
    pub(super) fn new(bytes: &'a [u8]) -> CsvText<'a> {
        let bytes = bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(bytes);
        let (rest, broken_off) = match str::from_utf8(bytes) {
            Ok(text) => (text, false),
            Err(error) => {
                let good = bytes.get(..error.valid_up_to()).unwrap_or_default();
                (str::from_utf8(good).unwrap_or_default(), true)
            }
        };
        CsvText { rest, broken_off, line: 1 }
    }

    /// The next row that is not blank; a spoiled one is the last.
    pub(super) fn row(&mut self) -> Option<Result<CsvRow<'a>, BadRow>> {
        while self.line_end() {}
        let line = self.line;
        let what = if self.rest.is_empty() {
            self.broken_off.then_some(NOT_UTF8)?
        } else {
            match self.fields() {
                Ok(fields) => return Some(Ok(CsvRow { line, fields })),
                Err(_) if self.rest.is_empty() && self.broken_off => NOT_UTF8,
                Err(what) => what,
            }
        };
        // Nothing is read behind a spoiled row: where the next one begins is not certain.
        (self.rest, self.broken_off) = ("", false);
        Some(Err(BadRow { line, what }))
    }

    /// All fields of a row with its end.
    fn fields(&mut self) -> Result<Vec<Cow<'a, str>>, &'static str> {
        let mut fields = vec![self.field()?];
        loop {
            if self.take(",") {
                fields.push(self.field()?);
            } else if self.line_end() {
                return Ok(fields);
            } else if self.rest.is_empty() {
                return if self.broken_off { Err(NOT_UTF8) } else { Ok(fields) };
            } else {
                return Err(LONE_RETURN);
            }
        }
    }

    fn field(&mut self) -> Result<Cow<'a, str>, &'static str> {
        if self.take("\"") {
            return self.quoted();
        }
        let end = self.rest.find([',', '"', '\r', '\n']).unwrap_or(self.rest.len());
        let (field, rest) = self.rest.split_at(end);
        self.rest = rest;
        if rest.starts_with('"') { Err(STRAY_QUOTE) } else { Ok(Cow::Borrowed(field)) }
    }

    /// A field whose opening quote is taken.
    fn quoted(&mut self) -> Result<Cow<'a, str>, &'static str> {
        let mut field = Cow::Borrowed("");
        loop {
            let Some(end) = self.rest.find('"') else {
                self.rest = "";
                return Err(NOT_CLOSED);
            };
            let (part, rest) = self.rest.split_at(end);
            self.line += part.bytes().filter(|byte| *byte == b'\n').count();
            self.rest = rest;
            field += part;
            if self.take("\"\"") {
                field += "\"";
                continue;
            }
            self.take("\"");
            let ends = self.rest.is_empty() || self.rest.starts_with([',', '\r', '\n']);
            return if ends { Ok(field) } else { Err(AFTER_QUOTE) };
        }
    }

    fn line_end(&mut self) -> bool {
        let taken = self.take("\n") || self.take("\r\n");
        self.line += usize::from(taken);
        taken
    }

    fn take(&mut self, wanted: &str) -> bool {
        let rest = self.rest.strip_prefix(wanted);
        self.rest = rest.unwrap_or(self.rest);
        rest.is_some()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The rows as `line: field|field`, the last one what is wrong, if anything is.
    fn rows(bytes: &[u8]) -> Vec<String> {
        let mut text = CsvText::new(bytes);
        std::iter::from_fn(|| text.row())
            .map(|row| match row {
                Ok(CsvRow { line, fields }) => format!("{line}: {}", fields.join("|")),
                Err(BadRow { line, what }) => format!("{line}! {}", what.split(';').next().unwrap()),
            })
            .collect()
    }

    #[test]
    fn rows_are_those_of_rfc_4180() {
        let cases: [(&str, &[&str]); 10] = [
            ("", &[]),
            ("\r\n\n", &[]),
            ("a,b", &["1: a|b"]),
            ("a,b\r\nc,d\n", &["1: a|b", "2: c|d"]),
            ("\n\r\na,\n\n,\n", &["3: a|", "5: |"]),
            ("\u{feff}a,b\n", &["1: a|b"]),
            ("\"a\",\"b,c\"\n", &["1: a|b,c"]),
            ("\"a \"\"b\"\"\",\"\"\n", &["1: a \"b\"|"]),
            ("\"a\nb\r\nc\",d\ne,f\n", &["1: a\nb\r\nc|d", "4: e|f"]),
            (" a , b \n", &["1:  a | b "]),
        ];
        for (text, wanted) in cases {
            assert_eq!(rows(text.as_bytes()), wanted, "{text:?}");
        }
    }

    #[test]
    fn a_spoiled_row_is_told_with_the_line_it_begins_on() {
        let cases: [(&[u8], &str); 9] = [
            (b"a,b\nc\"d,e\n", "2! a quote inside a field"),
            (b"a,b\n\"c\"d,e\n", "2! text after a closing quote"),
            (b"a,b\n\"c\" ,e\n", "2! text after a closing quote"),
            (b"a,b\nc,\"d\ne,f\n", "2! a quote is opened and never closed"),
            (b"a,b\rc,d\r", "1! a carriage return without a line feed"),
            (b"a,b\n\r", "2! a carriage return without a line feed"),
            (b"a,b\nc,\xff\nd,e\n", "2! this row is not UTF-8"),
            (b"a,b\nc,\"d\xff\"\n", "2! this row is not UTF-8"),
            (b"a,b\n\n\xff", "3! this row is not UTF-8"),
        ];
        for (text, wanted) in cases {
            let rows = rows(text);
            assert_eq!(rows.last().map(String::as_str), Some(wanted), "{text:?}");
        }
    }
}
