//! The query of a request, read strictly: an unknown key, a key given twice or a value that can't be read is refused
//! with one plain line.

use std::collections::BTreeMap;

use axum::extract::{FromRequestParts, Query};
use axum::http::request::Parts;
use heapward_rules::units::{At, Span};

use super::guard::is_for_scripts;
use super::problem::{Problem, shown};
use crate::limits::{LIST_ITEMS_DEFAULT, LIST_ITEMS_MAX};
use crate::model::time::parse_rfc3339;

/// The keys of a query that are not yet taken.
#[derive(Debug)]
pub(super) struct Params(BTreeMap<String, String>);

/// Which part of a list is wanted.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Page {
    pub(super) limit: usize,
    /// Cursor that the former page ended with.
    pub(super) after: Option<String>,
}

/// Where a page of a list by time begins: behind an item of this instant and name.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Behind(pub(super) i64, pub(super) String);

impl<S: Send + Sync> FromRequestParts<S> for Params {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, _: &S) -> Result<Params, Problem> {
        let Ok(Query(pairs)) = Query::<Vec<(String, String)>>::try_from_uri(&parts.uri) else {
            return Err(Problem::bad("the query can't be read; write it as `key=value&key=value`"));
        };
        // Only browsers send what was left empty.
        if is_for_scripts(parts.uri.path())
            && let Some((key, _)) = pairs.iter().find(|(_, value)| value.is_empty())
        {
            return Err(Problem::bad(format!("`{}` has no value; leave it out", shown(key))));
        }
        Params::of(pairs)
    }
}

// === impl Page ===

impl Page {
    /// The cursor of a list by time.
    pub(super) fn behind(&self) -> Result<Option<Behind>, Problem> {
        let Some(after) = &self.after else {
            return Ok(None);
        };
        let parts = after.split_once('~').and_then(|(ms, id)| Some(Behind(digits(ms, 15)?, id.to_owned())));
        parts.map(Some).ok_or_else(|| Problem::bad("`after` is the `next` of the page before"))
    }
}

// === impl Behind ===

impl Behind {
    pub(super) fn key(&self) -> (i64, &str) {
        (self.0, &self.1)
    }

    pub(super) fn text(ms: i64, id: &str) -> String {
        format!("{ms}~{id}")
    }
}

// === impl Params ===

impl Params {
    pub(super) fn of(pairs: Vec<(String, String)>) -> Result<Params, Problem> {
        let mut params = BTreeMap::new();
        for (key, value) in pairs {
            let name = shown(&key);
            if params.insert(key, value).is_some() {
                return Err(Problem::bad(format!("`{name}` is given twice; give it once")));
            }
        }
        Ok(Params(params))
    }

    /// The value of a key; an empty one counts as not given, as browsers send it from an empty field.
    pub(super) fn text(&mut self, key: &str) -> Option<String> {
        self.0.remove(key).filter(|value| !value.is_empty())
    }

    pub(super) fn instant(&mut self, key: &str) -> Result<Option<At>, Problem> {
        self.text(key).map(|text| instant(key, &text)).transpose()
    }

    pub(super) fn span(&mut self, key: &str) -> Result<Option<Span>, Problem> {
        self.text(key).map(|text| span(key, &text)).transpose()
    }

    /// One of a few words.
    pub(super) fn word<T: Copy>(&mut self, key: &str, words: &[(&str, T)]) -> Result<Option<T>, Problem> {
        let Some(text) = self.text(key) else {
            return Ok(None);
        };
        let found = words.iter().find(|(word, _)| *word == text).map(|(_, value)| *value);
        found.map(Some).ok_or_else(|| {
            let known: Vec<&str> = words.iter().map(|(word, _)| *word).collect();
            Problem::bad(format!("`{key}` can't be `{}`; it is one of {}", shown(&text), known.join(", ")))
        })
    }

    pub(super) fn page(&mut self) -> Result<Page, Problem> {
        let limit = self.limit(LIST_ITEMS_DEFAULT, LIST_ITEMS_MAX)?;
        Ok(Page { limit, after: self.text("after") })
    }

    pub(super) fn limit(&mut self, default: usize, max: usize) -> Result<usize, Problem> {
        let Some(text) = self.text("limit") else {
            return Ok(default);
        };
        let limit = text.parse().ok().filter(|limit| (1..=max).contains(limit));
        limit.ok_or_else(|| Problem::bad(format!("`limit` is a whole number from 1 to {max}")))
    }

    /// What is there, for showing it again.
    pub(super) fn pairs(&self) -> Vec<(String, String)> {
        self.0.iter().map(|(key, value)| (key.clone(), value.clone())).collect()
    }

    /// Refuses what was not asked for.
    pub(super) fn done(self, known: &str) -> Result<(), Problem> {
        self.check(known)
    }

    pub(super) fn check(&self, known: &str) -> Result<(), Problem> {
        match self.0.keys().next() {
            None => Ok(()),
            Some(key) => Err(Problem::bad(format!("there is no parameter `{}`; known: {known}", shown(key)))),
        }
    }
}

/// A whole number of at most so many digits, without a sign: as our cursors hold them.
pub(super) fn digits(text: &str, most: usize) -> Option<i64> {
    let plain = (1..=most).contains(&text.len()) && text.bytes().all(|byte| byte.is_ascii_digit());
    text.parse().ok().filter(|_| plain)
}

/// RFC 3339 with an offset, or UTC milliseconds.
pub(super) fn instant(key: &str, text: &str) -> Result<At, Problem> {
    // In a query a plus sign stands for a space; an offset east of Greenwich is mostly sent unescaped.
    let text = text.replace(' ', "+");
    // Below 10^11 it would be seconds by mistake (or the spring of 1973).
    let millis = text.parse::<i64>().ok().filter(|ms| (100_000_000_000..100_000_000_000_000).contains(ms));
    millis.map(At).or_else(|| parse_rfc3339(&text)).ok_or_else(|| {
        Problem::bad(format!(
            "`{key}` can't be `{}`; write a time as 2026-05-01T15:00:00Z or in UTC milliseconds",
            shown(&text)
        ))
    })
}

/// A whole number and one of ms, s, m, h, d; more than none, at most ten years.
pub(super) fn span(key: &str, text: &str) -> Result<Span, Problem> {
    let digits = text.bytes().take_while(u8::is_ascii_digit).count();
    let unit: i64 = match &text[digits..] {
        "ms" => 1,
        "s" => 1_000,
        "m" => 60_000,
        "h" => 3_600_000,
        "d" => 86_400_000,
        _ => 0,
    };
    let count: Option<i64> = text[..digits].parse().ok();
    let span =
        count.and_then(|count| count.checked_mul(unit)).filter(|ms| (1..=315_576_000_000).contains(ms));
    span.map(Span).ok_or_else(|| {
        Problem::bad(format!("`{key}` can't be `{}`; write a length of time as 5m, 1h or 1d", shown(text)))
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_of_cursors() {
        assert_eq!((digits("0", 3), digits("007", 3), digits("999", 3)), (Some(0), Some(7), Some(999)));
        for text in ["", "+1", "-1", " 1", "1000", "1.0", "\u{662}"] {
            assert_eq!(digits(text, 3), None, "{text}");
        }
    }

    #[test]
    fn lengths_of_time() {
        for (text, ms) in
            [("5m", 300_000), ("1h", 3_600_000), ("30s", 30_000), ("1d", 86_400_000), ("7ms", 7)]
        {
            assert_eq!(span("step", text), Ok(Span(ms)), "{text}");
        }
        for text in ["", "0m", "5", "m", "-5m", "5 m", "1.5h", "99999999999999999999d", "9999999d", "5µ"] {
            assert!(span("step", text).is_err(), "{text}");
        }
    }

    #[test]
    fn instants() {
        let at = At(1_777_647_600_000);
        for text in [
            "2026-05-01T15:00:00Z",
            "1777647600000",
            "2026-05-01T17:00:00 02:00",
            "2026-05-01T11:00:00-04:00",
        ] {
            assert_eq!(instant("from", text), Ok(at), "{text}");
        }
        for text in ["0", "9e18", "9000000000000000000", "2026-05-01", "now", "2026-05-01T15:00:60Z", "\u{0}"]
        {
            assert!(instant("from", text).is_err(), "{text}");
        }
    }
}
