//! Numbers and units as devices write them.

use heapward_rules::reading::{Quantity, Unit};

use super::json::Json;
use super::reason::Reason;
use crate::config::NumberStyle;

/// A number, with the unit that stood beside it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Figure {
    pub value: f64,
    pub unit: Option<SaidUnit>,
}

/// A unit as a message names it. Kelvin has no place in the store; it is turned into Celsius.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SaidUnit {
    Known(Unit),
    Kelvin,
}

/// What devices say instead of a number when a probe does not answer.
const NO_VALUE: [&str; 16] = [
    "",
    "-",
    "--",
    "---",
    "nan",
    "-nan",
    "inf",
    "-inf",
    "null",
    "none",
    "unavailable",
    "unknown",
    "not available",
    "err",
    "error",
    "n/a",
];

/// The number in a JSON value. `switch`: words and truth values are states as well.
pub fn of_json(json: &Json<'_>, style: NumberStyle, switch: bool) -> Result<Figure, Reason> {
    match json {
        Json::Null => Err(Reason::Null),
        #[expect(clippy::cast_precision_loss, reason = "what a float can't hold is no measured value anyway")]
        Json::Whole(number) => finite(*number as f64),
        Json::Float(number) => finite(*number),
        Json::Bool(value) if switch => finite(f64::from(u8::from(*value))),
        Json::Text(text) if is_no_value(text) => Err(Reason::NoValue),
        Json::Text(text) if switch => state(text).map_or_else(|| of_text(text, style), finite),
        Json::Text(text) if style == NumberStyle::Strict => {
            Err(of_text(text, style).map_or_else(|flaw| flaw, |_| Reason::InQuotes))
        }
        Json::Text(text) => of_text(text, style),
        Json::Bool(_) | Json::Array(_) | Json::Object(_) => Err(Reason::NotANumber),
    }
}

/// The number in a plain text.
pub fn of_text(text: &str, style: NumberStyle) -> Result<Figure, Reason> {
    let text = text.trim();
    if is_no_value(text) {
        return Err(Reason::NoValue);
    }
    match style {
        NumberStyle::Strict | NumberStyle::Lenient => parse(text).and_then(finite),
        // A point beside a comma would be a guess about thousands.
        NumberStyle::Comma if text.contains('.') => Err(Reason::NotANumber),
        NumberStyle::Comma => parse(&text.replacen(',', ".", 1)).and_then(finite),
        NumberStyle::Suffix => {
            let end = text
                .find(|c: char| !(c.is_ascii_digit() || matches!(c, '+' | '-' | '.')))
                .unwrap_or(text.len());
            let (number, unit) = text.split_at(end);
            let figure = parse(number).and_then(finite)?;
            let unit = unit.trim();
            if unit.is_empty() {
                return Ok(figure);
            }
            Ok(Figure { unit: Some(unit_of(unit).ok_or(Reason::UnknownUnit)?), ..figure })
        }
    }
}

/// The state that a word names: 1 on, 0 off.
pub fn state(text: &str) -> Option<f64> {
    match text.trim().to_ascii_lowercase().as_str() {
        "on" | "true" | "running" => Some(1.0),
        "off" | "false" | "stopped" => Some(0.0),
        _ => None,
    }
}

pub fn is_no_value(text: &str) -> bool {
    let text = text.trim();
    text.len() <= 16 && NO_VALUE.contains(&text.to_ascii_lowercase().as_str())
}

/// The unit that a word names, case-blind.
pub fn unit_of(word: &str) -> Option<SaidUnit> {
    let unit = match word.trim().to_lowercase().as_str() {
        "c" | "degc" | "deg c" | "°c" | "℃" | "celsius" => Unit::Celsius,
        "f" | "degf" | "deg f" | "°f" | "℉" | "fahrenheit" => Unit::Fahrenheit,
        "k" | "kelvin" | "degk" => return Some(SaidUnit::Kelvin),
        "%" | "percent" | "pct" | "%rh" => Unit::Percent,
        "w" | "watt" | "watts" => Unit::Watt,
        "v" | "volt" | "volts" => Unit::Volt,
        _ => return None,
    };
    Some(SaidUnit::Known(unit))
}

/// Whether a quantity can be measured in a unit.
pub fn fits(quantity: Quantity, unit: Unit) -> bool {
    match quantity {
        Quantity::Temperature => matches!(unit, Unit::Celsius | Unit::Fahrenheit),
        Quantity::Moisture => matches!(unit, Unit::Percent | Unit::Volt | Unit::Raw),
        Quantity::Oxygen => matches!(unit, Unit::Percent | Unit::Volt | Unit::Raw),
        Quantity::Blower => matches!(unit, Unit::Watt | Unit::Switch | Unit::Volt),
        Quantity::Battery => matches!(unit, Unit::Percent | Unit::Volt),
    }
}

/// Kelvin to Celsius (0 C = 273.15 K, by definition), to the digits that were said: the difference of two binary
/// fractions has noise in the last place.
pub fn celsius_of_kelvin(kelvin: f64) -> f64 {
    ((kelvin - 273.15) * 1e9).round() / 1e9
}

/// Times a power of ten, exact to the last digit where the scale is one: 6240 x 0.01 is 62.4, not 62.400000000000006.
pub fn scaled(raw: f64, scale: f64) -> f64 {
    let parts = (1.0 / scale).round();
    if parts.abs() >= 1.0 && (parts * scale - 1.0).abs() < 1e-12 { raw / parts } else { raw * scale }
}

/// `[+-]digits[.digits][e[+-]digits]`, nothing else: no hexadecimal, no words, no spaces.
fn parse(text: &str) -> Result<f64, Reason> {
    let plain = |b: u8| b.is_ascii_digit() || matches!(b, b'+' | b'-' | b'.' | b'e' | b'E');
    let digits = text.bytes().any(|b| b.is_ascii_digit());
    if text.len() > 64 || !digits || !text.bytes().all(plain) {
        return Err(Reason::NotANumber);
    }
    text.parse().map_err(|_| Reason::NotANumber)
}

/// A zero has no sign here: -0 and 0 are one temperature.
fn finite(value: f64) -> Result<Figure, Reason> {
    if value.is_finite() { Ok(Figure { value: value + 0.0, unit: None }) } else { Err(Reason::NotFinite) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_in_each_style() {
        use NumberStyle::{Comma, Lenient, Strict, Suffix};
        let table = [
            ("62.4", Strict, Ok(62.4)),
            (" 62.4\n", Strict, Ok(62.4)),
            ("+62", Strict, Ok(62.0)),
            ("-0", Strict, Ok(0.0)),
            ("6.24e1", Strict, Ok(62.4)),
            ("12,5", Strict, Err(Reason::NotANumber)),
            ("0x1F", Strict, Err(Reason::NotANumber)),
            ("1e999", Strict, Err(Reason::NotFinite)),
            ("1e-400", Strict, Ok(0.0)),
            ("infinity", Strict, Err(Reason::NotANumber)),
            ("-", Strict, Err(Reason::NoValue)),
            ("Unavailable", Lenient, Err(Reason::NoValue)),
            ("62,4", Comma, Ok(62.4)),
            ("62", Comma, Ok(62.0)),
            ("1,000,5", Comma, Err(Reason::NotANumber)),
            ("1.000,5", Comma, Err(Reason::NotANumber)),
            ("144.3 °F", Suffix, Ok(144.3)),
            ("144.3F", Suffix, Ok(144.3)),
            ("55 %", Suffix, Ok(55.0)),
            ("144.3", Suffix, Ok(144.3)),
            ("144.3 furlongs", Suffix, Err(Reason::UnknownUnit)),
            ("°F", Suffix, Err(Reason::NotANumber)),
        ];
        for (text, style, expected) in table {
            assert_eq!(of_text(text, style).map(|figure| figure.value), expected, "{text:?} {style:?}");
        }
        assert_eq!(of_text("-0", Strict).unwrap().value.to_bits(), 0.0_f64.to_bits());
        assert_eq!(of_text("9 °c", Suffix).unwrap().unit, Some(SaidUnit::Known(Unit::Celsius)));
    }

    #[test]
    fn scales_and_kelvin_keep_the_digits() {
        assert_eq!(scaled(6240.0, 0.01).to_bits(), 62.4_f64.to_bits());
        assert_eq!(scaled(4890.0, 0.01).to_bits(), 48.9_f64.to_bits());
        assert_eq!(scaled(3.0, 0.5).to_bits(), 1.5_f64.to_bits());
        assert_eq!(scaled(10.0, 1.8).to_bits(), 18.0_f64.to_bits());
        assert_eq!(celsius_of_kelvin(335.55).to_bits(), 62.4_f64.to_bits());
    }
}
