//! JSON within bounds: depth and number of values are limited while reading, and a key that stands twice is refused,
//! since two readers of such a message may see two different readings.

use std::borrow::Cow;
use std::cell::Cell;
use std::fmt;

use serde::de::{DeserializeSeed, Deserializer, Error, MapAccess, SeqAccess, Visitor};

use super::reason::Reason;
use crate::limits::{JSON_DEPTH_MAX, JSON_VALUES_MAX};

/// A JSON value; texts without escapes are borrowed from the message.
#[derive(Clone, Debug, PartialEq)]
pub enum Json<'a> {
    Null,
    Bool(bool),
    /// A whole number, kept apart because an id may be longer than what a float holds.
    Whole(i128),
    Float(f64),
    Text(Cow<'a, str>),
    Array(Vec<Json<'a>>),
    Object(Vec<(Cow<'a, str>, Json<'a>)>),
}

/// Up to so many keys are compared each with each.
const FEW_KEYS: usize = 8;

/// What one message may still use up, and why it was refused.
struct Budget {
    values_left: Cell<usize>,
    flaw: Cell<Option<Reason>>,
}

struct Seed<'b> {
    depth_left: usize,
    budget: &'b Budget,
}

// === impl Json ===

impl<'a> Json<'a> {
    /// Reads one whole document.
    pub fn read(text: &'a str) -> Result<Json<'a>, Reason> {
        let budget = Budget { values_left: Cell::new(JSON_VALUES_MAX), flaw: Cell::new(None) };
        let seed = Seed { depth_left: JSON_DEPTH_MAX, budget: &budget };
        let mut reader = serde_json::Deserializer::from_str(text);
        let read = seed.deserialize(&mut reader).and_then(|json| reader.end().map(|()| json));
        read.map_err(|error| budget.flaw.take().unwrap_or_else(|| why(text, &error)))
    }

    pub fn member(&self, name: &str) -> Option<&Json<'a>> {
        let Json::Object(members) = self else { return None };
        members.iter().find(|(key, _)| key == name).map(|(_, value)| value)
    }

    /// The text by which ids and marks are compared: a number by its digits. `None` for what has no such text.
    pub fn text(&self) -> Option<Cow<'_, str>> {
        match self {
            Json::Text(text) => Some(Cow::Borrowed(text)),
            Json::Whole(number) => Some(Cow::Owned(number.to_string())),
            Json::Float(number) => Some(Cow::Owned(number.to_string())),
            Json::Bool(value) => Some(Cow::Borrowed(if *value { "true" } else { "false" })),
            Json::Null | Json::Array(_) | Json::Object(_) => None,
        }
    }
}

/// `NaN` and its kin are no JSON at all: one broken probe loses the whole message, so the cause is named.
fn why(text: &str, error: &serde_json::Error) -> Reason {
    let at_word = |offset: usize| {
        let rest = text.get(offset..).unwrap_or_default().trim_start_matches('-').to_ascii_lowercase();
        rest.starts_with("nan") || rest.starts_with("inf")
    };
    let line_start =
        text.split_inclusive('\n').take(error.line().saturating_sub(1)).map(str::len).sum::<usize>();
    let column = line_start + error.column();
    if (column.saturating_sub(3)..=column).any(at_word) {
        return Reason::NanInJson;
    }
    if error.to_string().starts_with("number out of range") { Reason::NotFinite } else { Reason::NotJson }
}

// === impl Seed ===

impl Seed<'_> {
    fn spend<E: Error>(&self) -> Result<(), E> {
        match self.budget.values_left.get().checked_sub(1) {
            Some(left) => self.budget.values_left.set(left),
            None => return Err(self.refuse(Reason::TooManyValues)),
        }
        Ok(())
    }

    fn refuse<E: Error>(&self, reason: Reason) -> E {
        self.budget.flaw.set(Some(reason));
        E::custom("refused")
    }

    fn deeper<E: Error>(&self) -> Result<Seed<'_>, E> {
        let depth_left = self.depth_left.checked_sub(1).ok_or_else(|| self.refuse(Reason::TooDeep))?;
        Ok(Seed { depth_left, budget: self.budget })
    }
}

impl<'de> DeserializeSeed<'de> for Seed<'_> {
    type Value = Json<'de>;

    fn deserialize<D: Deserializer<'de>>(self, deserializer: D) -> Result<Json<'de>, D::Error> {
        self.spend()?;
        deserializer.deserialize_any(self)
    }
}

impl<'de> Visitor<'de> for Seed<'_> {
    type Value = Json<'de>;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("JSON")
    }

    fn visit_unit<E>(self) -> Result<Json<'de>, E> {
        Ok(Json::Null)
    }

    fn visit_bool<E>(self, value: bool) -> Result<Json<'de>, E> {
        Ok(Json::Bool(value))
    }

    fn visit_i64<E>(self, value: i64) -> Result<Json<'de>, E> {
        Ok(Json::Whole(value.into()))
    }

    fn visit_u64<E>(self, value: u64) -> Result<Json<'de>, E> {
        Ok(Json::Whole(value.into()))
    }

    fn visit_f64<E>(self, value: f64) -> Result<Json<'de>, E> {
        Ok(Json::Float(value))
    }

    fn visit_borrowed_str<E>(self, value: &'de str) -> Result<Json<'de>, E> {
        Ok(Json::Text(Cow::Borrowed(value)))
    }

    fn visit_str<E>(self, value: &str) -> Result<Json<'de>, E> {
        Ok(Json::Text(Cow::Owned(value.to_owned())))
    }

    fn visit_seq<A: SeqAccess<'de>>(self, mut items: A) -> Result<Json<'de>, A::Error> {
        let mut array = Vec::new();
        while let Some(item) = items.next_element_seed(self.deeper()?)? {
            array.push(item);
        }
        Ok(Json::Array(array))
    }

    fn visit_map<A: MapAccess<'de>>(self, mut members: A) -> Result<Json<'de>, A::Error> {
        let mut object: Vec<(Cow<'de, str>, Json<'de>)> = Vec::new();
        while let Some(Key(key)) = members.next_key()? {
            object.push((key, members.next_value_seed(self.deeper()?)?));
        }
        if has_key_twice(&object) { Err(self.refuse(Reason::KeyTwice)) } else { Ok(Json::Object(object)) }
    }
}

fn has_key_twice(object: &[(Cow<'_, str>, Json<'_>)]) -> bool {
    // Most messages have a handful of fields; comparing each with each takes no memory.
    if object.len() <= FEW_KEYS {
        let twice = |(n, (key, _)): (usize, &(Cow<'_, str>, Json<'_>))| {
            object.iter().take(n).any(|(other, _)| other == key)
        };
        return object.iter().enumerate().any(twice);
    }
    let mut keys: Vec<&str> = object.iter().map(|(key, _)| key.as_ref()).collect();
    keys.sort_unstable();
    keys.windows(2).any(|pair| matches!(pair, [a, b] if a == b))
}

#[derive(serde::Deserialize)]
struct Key<'a>(#[serde(borrow)] Cow<'a, str>);

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bounds_and_doubles_are_refused_by_name() {
        let deep = |n: usize| format!("{}1{}", "[".repeat(n), "]".repeat(n));
        let wide = |n: usize| format!("[{}0]", "0,".repeat(n));
        let table = [
            (deep(JSON_DEPTH_MAX), None),
            (deep(JSON_DEPTH_MAX + 1), Some(Reason::TooDeep)),
            (deep(10_000), Some(Reason::TooDeep)),
            (wide(JSON_VALUES_MAX - 2), None),
            (wide(JSON_VALUES_MAX), Some(Reason::TooManyValues)),
            (r#"{"a":1,"b":2,"a":1}"#.to_owned(), Some(Reason::KeyTwice)),
            (r#"{"a":1,"\u0061":1}"#.to_owned(), Some(Reason::KeyTwice)),
            (r#"{"a":1,"b":2,"c":3,"d":4,"e":5,"f":6,"g":7,"h":8}"#.to_owned(), None),
            (r#"{"a":1,"b":2,"c":3,"d":4,"e":5,"f":6,"g":7,"g":8}"#.to_owned(), Some(Reason::KeyTwice)),
            (r#"{"a":1,"b":2,"c":3,"d":4,"e":5,"f":6,"g":7,"h":8,"a":9}"#.to_owned(), Some(Reason::KeyTwice)),
            (r#"{"t":NaN}"#.to_owned(), Some(Reason::NanInJson)),
            (r#"{"t":-Infinity,"u":1}"#.to_owned(), Some(Reason::NanInJson)),
            ("{\n \"a\":1,\n \"t\": nan}".to_owned(), Some(Reason::NanInJson)),
            ("[1e999]".to_owned(), Some(Reason::NotFinite)),
            ("[1] 2".to_owned(), Some(Reason::NotJson)),
            ("\u{feff}1".to_owned(), Some(Reason::NotJson)),
            ("0x1F".to_owned(), Some(Reason::NotJson)),
            ("01".to_owned(), Some(Reason::NotJson)),
        ];
        for (text, flaw) in table {
            let start: String = text.chars().take(40).collect();
            assert_eq!(Json::read(&text).err(), flaw, "{start}");
        }
    }

    #[test]
    fn a_long_id_keeps_its_digits() {
        let json = Json::read(r#"{"id":11529215046068469760}"#).unwrap();
        assert_eq!(json.member("id").and_then(Json::text).unwrap(), "11529215046068469760");
    }
}
