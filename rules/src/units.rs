//! Instants, spans and temperatures, each in one unit.

use std::fmt;
use std::ops::{Add, Sub};

/// An instant: UTC milliseconds since 1970-01-01T00:00:00Z.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct At(pub i64);

/// A length of time in milliseconds; elapsed time, never calendar time (a day is 24 hours here).
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Span(pub i64);

/// A temperature in degrees Celsius.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
pub struct Celsius(pub f64);

/// Every comparison of temperatures is unrounded, with this tolerance in °C (design 5.5).
pub const TOLERANCE_C: f64 = 1e-6;

// === impl At ===

impl At {
    /// Before everything.
    pub const MIN: At = At(i64::MIN);
    /// After everything.
    pub const MAX: At = At(i64::MAX);
}

impl Add<Span> for At {
    type Output = At;
    fn add(self, span: Span) -> At {
        At(self.0.saturating_add(span.0))
    }
}

impl Sub<Span> for At {
    type Output = At;
    fn sub(self, span: Span) -> At {
        At(self.0.saturating_sub(span.0))
    }
}

impl Sub<At> for At {
    type Output = Span;
    fn sub(self, earlier: At) -> Span {
        Span(self.0.saturating_sub(earlier.0))
    }
}

// === impl Span ===

impl Span {
    pub const ZERO: Span = Span(0);

    pub const fn seconds(n: i64) -> Span {
        Span(n * 1_000)
    }

    pub const fn minutes(n: i64) -> Span {
        Span(n * 60_000)
    }

    pub const fn hours(n: i64) -> Span {
        Span(n * 3_600_000)
    }

    pub const fn days(n: i64) -> Span {
        Span(n * 86_400_000)
    }

    /// From a decimal number of hours, cut off to the millisecond; for forecasts.
    #[expect(
        clippy::cast_possible_truncation,
        reason = "a forecast beyond the calendar is cut off at its end"
    )]
    pub fn from_hours(hours: f64) -> Span {
        Span((hours * 3_600_000.0) as i64)
    }

    /// Hours as a decimal number, for sentences and slopes.
    #[expect(clippy::cast_precision_loss, reason = "a span of a pile is far below 2^52 ms")]
    pub fn as_hours(self) -> f64 {
        self.0 as f64 / 3_600_000.0
    }
}

impl Add for Span {
    type Output = Span;
    fn add(self, other: Span) -> Span {
        Span(self.0.saturating_add(other.0))
    }
}

impl Sub for Span {
    type Output = Span;
    fn sub(self, other: Span) -> Span {
        Span(self.0.saturating_sub(other.0))
    }
}

impl fmt::Display for Span {
    /// `41 h`, `2 h 30 min`, `45 min`: whole minutes, cut off.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let minutes = self.0 / 60_000;
        match (minutes / 60, minutes % 60) {
            (0, m) => write!(f, "{m} min"),
            (h, 0) => write!(f, "{h} h"),
            (h, m) => write!(f, "{h} h {m} min"),
        }
    }
}

// === impl Celsius ===

impl Celsius {
    /// From degrees Fahrenheit: C = (F - 32) / 1.8, by definition.
    pub fn from_f(f: f64) -> Celsius {
        Celsius((f - 32.0) / 1.8)
    }

    /// In degrees Fahrenheit: F = 1.8 C + 32, by definition.
    pub fn to_f(self) -> f64 {
        self.0 * 1.8 + 32.0
    }

    /// Strictly above `other`, by more than the tolerance.
    pub fn is_above(self, other: Celsius) -> bool {
        self.0 > other.0 + TOLERANCE_C
    }

    /// Strictly below `other`, by more than the tolerance.
    pub fn is_below(self, other: Celsius) -> bool {
        self.0 < other.0 - TOLERANCE_C
    }

    /// Within `distance_c` degrees of `other`, the bound included.
    pub fn is_within(self, other: Celsius, distance_c: f64) -> bool {
        (self.0 - other.0).abs() <= distance_c + TOLERANCE_C
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn spans_add_up() {
        assert_eq!(Span::seconds(90), Span(90_000));
        assert_eq!(Span::minutes(90), Span(5_400_000));
        assert_eq!(Span::hours(72), Span(259_200_000));
        assert_eq!(Span::days(3), Span::hours(72));
        assert_eq!(Span::hours(1) + Span::minutes(30), Span::minutes(90));
        assert_eq!(Span::hours(1) - Span::minutes(90), Span::minutes(-30));
        assert!((Span::minutes(90).as_hours() - 1.5).abs() < 1e-12);
    }

    #[test]
    fn instants_move_by_spans_and_stop_at_the_ends_of_time() {
        let at = At(1_777_593_600_000);
        assert_eq!(at + Span::hours(1), At(1_777_597_200_000));
        assert_eq!(at - Span::hours(1), At(1_777_590_000_000));
        assert_eq!(at - (at - Span::hours(1)), Span::hours(1));
        assert_eq!(At::MAX + Span(1), At::MAX);
        assert_eq!(At::MIN - Span(1), At::MIN);
        assert_eq!(At::MAX - At::MIN, Span(i64::MAX));
    }

    #[test]
    fn spans_are_told_in_hours_and_minutes() {
        let told = [
            (Span::hours(41), "41 h"),
            (Span::minutes(150), "2 h 30 min"),
            (Span::minutes(45), "45 min"),
            (Span::ZERO, "0 min"),
            (Span::minutes(46) - Span(1), "45 min"),
            (Span::minutes(60), "1 h"),
            (Span::minutes(61), "1 h 1 min"),
        ];
        for (span, text) in told {
            assert_eq!(span.to_string(), text);
        }
    }

    #[test]
    fn fahrenheit_is_converted_by_its_definition() {
        for (f, c) in [(131.0, 55.0), (32.0, 0.0), (-40.0, -40.0), (170.0, 76.0 + 2.0 / 3.0)] {
            assert!((Celsius::from_f(f).0 - c).abs() < 1e-12, "{f} F");
            assert!((Celsius(c).to_f() - f).abs() < 1e-12, "{c} C");
        }
    }

    #[test]
    fn a_bound_is_included_with_its_tolerance() {
        let bound = Celsius(55.0);
        // (distance from the bound, above, below, within 5 degrees of the bound less 5)
        for (distance, above, below, within) in [
            (-2e-6, false, true, true),
            (-0.5e-6, false, false, true),
            (0.0, false, false, true),
            (0.5e-6, false, false, true),
            (2e-6, true, false, false),
        ] {
            let c = Celsius(55.0 + distance);
            assert_eq!(c.is_above(bound), above, "{distance}");
            assert_eq!(c.is_below(bound), below, "{distance}");
            assert_eq!(c.is_within(Celsius(50.0), 5.0), within, "{distance}");
            assert_eq!(Celsius(50.0).is_within(c, 5.0), within, "{distance}");
        }
        // The tolerance itself still belongs to the bound.
        assert!(!Celsius(55.0 + TOLERANCE_C).is_above(bound));
        assert!(!Celsius(55.0 - TOLERANCE_C).is_below(bound));
    }
}
