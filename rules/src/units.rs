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
