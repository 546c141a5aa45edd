//! A reading as it was reported, and when two reported values are the same.

use crate::ids::{ProbeId, SpotName};
use crate::units::{At, Celsius};

/// What a probe measures.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Quantity {
    Temperature,
    Moisture,
    Oxygen,
    /// Power or state of the blower.
    Blower,
    /// Charge of the probe's own battery.
    Battery,
}

/// Unit of a reported value.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Unit {
    Celsius,
    Fahrenheit,
    Percent,
    /// Power of the blower.
    Watt,
    Volt,
    /// 0 is off, anything else is on.
    Switch,
    /// A figure of the maker's own, read through a calibration table.
    Raw,
}

/// Who took a reading: a probe, or a person with a thermometer at a spot.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Source {
    Probe(ProbeId),
    Hand(SpotName),
}

/// A temperature reading, value as reported in the source's own unit.
#[derive(Clone, Debug, PartialEq)]
pub struct Reading {
    pub at: At,
    pub source: Source,
    pub value: f64,
    pub unit: Unit,
}

/// A reported temperature in °C, uncalibrated. `None` for what is no temperature.
pub fn reported_c(value: f64, unit: Unit) -> Option<Celsius> {
    match unit {
        Unit::Celsius => Some(Celsius(value)),
        Unit::Fahrenheit => Some(Celsius::from_f(value)),
        Unit::Percent | Unit::Watt | Unit::Volt | Unit::Switch | Unit::Raw => None,
    }
}

/// Whether two reported temperatures are the same: equal in °C after exact conversion (design 5.5).
///
/// Two values in one unit are compared as they stand. Across units the shortest decimals that print the numbers
/// are compared as whole numbers, 9 C = 5 (F - 32), so that 144.32 F is 62.4 C although the binary numbers differ.
#[expect(clippy::float_cmp, reason = "a repetition is equal to the last digit")]
pub fn same_value(a: (f64, Unit), b: (f64, Unit)) -> bool {
    match (a.1, b.1) {
        (Unit::Celsius, Unit::Fahrenheit) => same_across(a.0, b.0),
        (Unit::Fahrenheit, Unit::Celsius) => same_across(b.0, a.0),
        (ua, ub) => ua == ub && a.0 == b.0,
    }
}

fn same_across(c: f64, f: f64) -> bool {
    let (Some((c_digits, c_scale)), Some((f_digits, f_scale))) = (decimal(c), decimal(f)) else {
        return false;
    };
    let scale = c_scale.max(f_scale);
    let widen =
        |digits: i128, from: u32| 10_i128.checked_pow(scale - from).and_then(|w| digits.checked_mul(w));
    let (Some(c), Some(f), Some(one)) =
        (widen(c_digits, c_scale), widen(f_digits, f_scale), 10_i128.checked_pow(scale))
    else {
        return false;
    };
    let left = c.checked_mul(9);
    let right =
        one.checked_mul(32).and_then(|freezing| f.checked_sub(freezing)).and_then(|d| d.checked_mul(5));
    left.is_some() && left == right
}

/// The shortest decimal that prints `x`, as digits and number of decimals.
fn decimal(x: f64) -> Option<(i128, u32)> {
    let text = format!("{x}");
    let (whole, fraction) = text.split_once('.').unwrap_or((&text, ""));
    let digits = format!("{whole}{fraction}").parse().ok()?;
    Some((digits, u32::try_from(fraction.len()).ok()?))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn equal_temperatures_in_two_units_are_one_value() {
        assert!(same_value((62.4, Unit::Celsius), (144.32, Unit::Fahrenheit)));
        assert!(same_value((131.0, Unit::Fahrenheit), (55.0, Unit::Celsius)));
        assert!(!same_value((131.01, Unit::Fahrenheit), (55.0, Unit::Celsius)));
        assert!(!same_value((60.0, Unit::Celsius), (60.0, Unit::Fahrenheit)));
        assert!(same_value((-40.0, Unit::Celsius), (-40.0, Unit::Fahrenheit)));
        assert!(same_value((0.05, Unit::Celsius), (32.09, Unit::Fahrenheit)));
        assert!(same_value((60.0, Unit::Celsius), (60.0, Unit::Celsius)));
        assert!(!same_value((60.0, Unit::Celsius), (60.000_000_1, Unit::Celsius)));
        assert!(!same_value((60.0, Unit::Celsius), (60.0, Unit::Percent)));
    }

    #[test]
    fn numbers_beyond_all_decimals_are_never_the_same() {
        assert!(!same_value((f64::NAN, Unit::Celsius), (f64::NAN, Unit::Fahrenheit)));
        assert!(!same_value((1e300, Unit::Celsius), (1e300, Unit::Fahrenheit)));
        assert!(!same_value((1e-40, Unit::Celsius), (32.0, Unit::Fahrenheit)));
        // Ten to the power of 37 fits, five times as much does not.
        assert!(!same_value((1e37, Unit::Celsius), (1.8e37, Unit::Fahrenheit)));
    }

    #[test]
    fn only_temperatures_have_a_value_in_celsius() {
        assert_eq!(reported_c(62.5, Unit::Celsius), Some(Celsius(62.5)));
        assert_eq!(reported_c(131.0, Unit::Fahrenheit), Some(Celsius(55.0)));
        for unit in [Unit::Percent, Unit::Watt, Unit::Volt, Unit::Switch, Unit::Raw] {
            assert_eq!(reported_c(62.5, unit), None, "{unit:?}");
        }
    }
}
