//! Values as people write them: `"4h"`, `"160 F"`, `"06:30"`, `"America/New_York"`.

use std::net::{Ipv4Addr, SocketAddr};
use std::path::PathBuf;

use chrono::NaiveTime;
use chrono_tz::Tz;
use heapward_rules::units::{Celsius, Span};
use toml::de::DeValue;

use crate::model::words;

/// A type that a TOML value can be read into.
pub(super) trait Value: Sized {
    /// What to write, after `write `.
    const WANTED: &'static str;

    /// The value, or why not, in words that go on after the name of the key.
    fn read(value: &DeValue<'_>) -> Result<Self, String>;

    /// A harmless value that takes the place of one that can't be used; never acted upon.
    fn stand_in() -> Self;
}

impl Value for String {
    const WANTED: &'static str = "a text in quotes";

    fn read(value: &DeValue<'_>) -> Result<String, String> {
        match text(value)? {
            "" => Err("is empty".to_owned()),
            text => Ok(text.to_owned()),
        }
    }

    fn stand_in() -> String {
        String::new()
    }
}

/// A text that may be empty: the JSON Pointer of a whole document is.
pub(super) struct AnyText(pub(super) String);

impl Value for AnyText {
    const WANTED: &'static str = "a text in quotes";

    fn read(value: &DeValue<'_>) -> Result<AnyText, String> {
        text(value).map(|text| AnyText(text.to_owned()))
    }

    fn stand_in() -> AnyText {
        AnyText(String::new())
    }
}

impl Value for bool {
    const WANTED: &'static str = "true or false, without quotes";

    fn read(value: &DeValue<'_>) -> Result<bool, String> {
        value.as_bool().ok_or_else(|| is_a_kind(value))
    }

    fn stand_in() -> bool {
        false
    }
}

impl Value for u16 {
    const WANTED: &'static str = "a whole number from 0 to 65535";

    fn read(value: &DeValue<'_>) -> Result<u16, String> {
        let number = value.as_integer().ok_or_else(|| is_a_kind(value))?;
        u16::from_str_radix(number.as_str(), number.radix())
            .map_err(|_| format!("`{number}` is out of range"))
    }

    fn stand_in() -> u16 {
        0
    }
}

impl Value for f64 {
    const WANTED: &'static str = "a number, without quotes";

    fn read(value: &DeValue<'_>) -> Result<f64, String> {
        let number = match value {
            DeValue::Integer(integer) if integer.radix() == 10 => integer.as_str().parse().ok(),
            DeValue::Float(float) => float.as_str().parse().ok(),
            _ => return Err(is_a_kind(value)),
        };
        number.filter(|number: &f64| number.is_finite()).ok_or_else(|| "is no finite number".to_owned())
    }

    fn stand_in() -> f64 {
        0.0
    }
}

impl Value for Span {
    const WANTED: &'static str =
        "a duration: a whole number and one of ms, s, m, h, d, such as \"90s\" or \"4h\"";

    fn read(value: &DeValue<'_>) -> Result<Span, String> {
        let text = text(value)?;
        let span = words::parse_span(text).ok_or_else(|| format!("`{text}` is no duration"))?;
        if span > Span::ZERO { Ok(span) } else { Err("is no time at all".to_owned()) }
    }

    fn stand_in() -> Span {
        Span::minutes(1)
    }
}

impl Value for Celsius {
    const WANTED: &'static str = "a temperature with its unit, such as \"160 F\" or \"71 C\"";

    fn read(value: &DeValue<'_>) -> Result<Celsius, String> {
        let text = text(value)?;
        let digits = text.trim_end_matches(|c: char| c.is_ascii_alphabetic() || c == ' ');
        let number: Option<f64> = digits.parse().ok().filter(|number: &f64| number.is_finite());
        match (number, text.get(digits.len()..).map(str::trim)) {
            (Some(number), Some("F")) => Ok(Celsius::from_f(number)),
            (Some(number), Some("C")) => Ok(Celsius(number)),
            (Some(_), Some("")) => Err(format!("`{text}` has no unit")),
            _ => Err(format!("`{text}` is no temperature")),
        }
    }

    fn stand_in() -> Celsius {
        Celsius(0.0)
    }
}

impl Value for NaiveTime {
    const WANTED: &'static str = "a local time of day such as \"06:30\"";

    fn read(value: &DeValue<'_>) -> Result<NaiveTime, String> {
        let text = text(value)?;
        // chrono takes one digit for the hour; the length keeps `6:3` out.
        let time = NaiveTime::parse_from_str(text, "%H:%M").ok().filter(|_| text.len() == 5);
        time.ok_or_else(|| format!("`{text}` is no time of day"))
    }

    fn stand_in() -> NaiveTime {
        NaiveTime::MIN
    }
}

impl Value for Tz {
    const WANTED: &'static str = "a zone of the time zone database, such as \"America/New_York\"";

    fn read(value: &DeValue<'_>) -> Result<Tz, String> {
        let text = text(value)?;
        text.parse().map_err(|_| {
            let proposal = nearest(text, chrono_tz::TZ_VARIANTS.iter().map(|zone| zone.name()))
                .map(|name| format!(" (did you mean `{name}`?)"))
                .unwrap_or_default();
            format!("`{text}` is no time zone{proposal}")
        })
    }

    fn stand_in() -> Tz {
        Tz::UTC
    }
}

impl Value for SocketAddr {
    const WANTED: &'static str = "an address and a port, such as \"127.0.0.1:8080\"";

    fn read(value: &DeValue<'_>) -> Result<SocketAddr, String> {
        let text = text(value)?;
        text.parse().map_err(|_| format!("`{text}` is no address with a port"))
    }

    fn stand_in() -> SocketAddr {
        SocketAddr::from((Ipv4Addr::LOCALHOST, 0))
    }
}

impl Value for PathBuf {
    const WANTED: &'static str = "the name of a file or folder in quotes";

    fn read(value: &DeValue<'_>) -> Result<PathBuf, String> {
        String::read(value).map(PathBuf::from)
    }

    fn stand_in() -> PathBuf {
        PathBuf::new()
    }
}

impl<T: Value> Value for Vec<T> {
    const WANTED: &'static str = "a list in square brackets";

    fn read(value: &DeValue<'_>) -> Result<Vec<T>, String> {
        let array = value.as_array().ok_or_else(|| is_a_kind(value))?;
        let of_item = |why: String| format!("has an item that {why} (each must be {})", T::WANTED);
        array.iter().map(|item| T::read(item.get_ref()).map_err(of_item)).collect()
    }

    fn stand_in() -> Vec<T> {
        Vec::new()
    }
}

/// `a number`, `a text`: what somebody wrote in place of something else.
pub(super) fn a_kind(value: &DeValue<'_>) -> &'static str {
    match value {
        DeValue::String(_) => "a text",
        DeValue::Integer(_) | DeValue::Float(_) => "a number",
        DeValue::Boolean(_) => "true or false",
        DeValue::Datetime(_) => "a date or time without quotes",
        DeValue::Array(_) => "a list",
        DeValue::Table(_) => "a table",
    }
}

/// The known word that takes the fewest changes, if that is few enough to be a slip of the pen.
pub(super) fn nearest<'a>(word: &str, known: impl Iterator<Item = &'a str>) -> Option<&'a str> {
    let word = word.to_lowercase();
    known
        .map(|candidate| (edits(&word, &candidate.to_lowercase()), candidate))
        .filter(|(edits, candidate)| *edits <= 1 + candidate.len().min(word.len()) / 4)
        .min_by_key(|(edits, _)| *edits)
        .map(|(_, candidate)| candidate)
}

/// Letters to add, drop or change to make one word of the other (Levenshtein).
fn edits(a: &str, b: &str) -> usize {
    let b: Vec<char> = b.chars().collect();
    let mut row: Vec<usize> = (0..=b.len()).collect();
    for (i, a) in a.chars().enumerate() {
        let mut diagonal = i;
        let mut left = i + 1;
        for (cell, b) in row.iter_mut().skip(1).zip(&b) {
            let changed = diagonal + usize::from(a != *b);
            diagonal = *cell;
            *cell = changed.min(left + 1).min(diagonal + 1);
            left = *cell;
        }
        if let Some(first) = row.first_mut() {
            *first = i + 1;
        }
    }
    row.last().copied().unwrap_or_default()
}

fn text<'v>(value: &'v DeValue<'_>) -> Result<&'v str, String> {
    value.as_str().ok_or_else(|| is_a_kind(value))
}

fn is_a_kind(value: &DeValue<'_>) -> String {
    format!("is {}", a_kind(value))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read<T: Value>(text: &str) -> Result<T, String> {
        T::read(DeValue::parse(text).unwrap().get_ref())
    }

    #[test]
    fn temperatures_are_a_number_and_a_unit() {
        for (text, c) in [("\"131 F\"", 55.0), ("\"55C\"", 55.0), ("\"-40 F\"", -40.0), ("\"71.1 C\"", 71.1)]
        {
            assert!((read::<Celsius>(text).unwrap().0 - c).abs() < 1e-9, "{text}");
        }
        for text in ["\"160\"", "160", "\"hot\"", "\"1 K\"", "\"nan C\"", "\"F\"", "\"1e999 C\""] {
            assert!(read::<Celsius>(text).is_err(), "{text}");
        }
    }

    #[test]
    fn times_of_day_have_four_digits() {
        assert_eq!(read::<NaiveTime>("\"06:30\"").unwrap(), NaiveTime::from_hms_opt(6, 30, 0).unwrap());
        for text in ["\"6:30\"", "\"24:00\"", "\"06:60\"", "\"06:30:00\"", "06:30:00", "\"half six\""] {
            assert!(read::<NaiveTime>(text).is_err(), "{text}");
        }
    }

    #[test]
    fn a_slip_of_the_pen_finds_its_word_and_another_word_does_not() {
        let known = ["topic", "every", "unit", "unit_from", "value"];
        for (word, wanted) in [
            ("topik", Some("topic")),
            ("unitfrom", Some("unit_from")),
            ("Every", Some("every")),
            ("valeu", Some("value")),
            ("colour", None),
        ] {
            assert_eq!(nearest(word, known.into_iter()), wanted, "{word}");
        }
        assert_eq!(edits("kitten", "sitting"), 3);
        assert_eq!(edits("", "abc"), 3);
    }
}
