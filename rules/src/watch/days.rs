//! Medians of days of 24 h, in bounded memory.

use std::collections::VecDeque;

use crate::stats::median;
use crate::units::{At, Span};

const DAY: Span = Span::days(1);
/// One reading of each five minutes is kept for the median of the day.
const SLOT: Span = Span::minutes(5);
/// Fewer values make no median of a day.
const VALUES_MIN: usize = 4;
/// Days that are remembered.
const DAYS_KEPT: usize = 8;

/// Medians of one series by days counted from an anchor (the building of the pile).
#[derive(Clone, Debug)]
pub(super) struct Days {
    anchor: At,
    day: i64,
    slot: i64,
    values: Vec<f64>,
    done: VecDeque<(i64, f64)>,
}

// === impl Days ===

impl Days {
    pub(super) fn new(anchor: At) -> Days {
        Days { anchor, day: 0, slot: -1, values: Vec::new(), done: VecDeque::new() }
    }

    pub(super) fn take(&mut self, at: At, value: f64) {
        self.turn_to(at);
        let slot = (at - self.anchor).0.div_euclid(SLOT.0);
        if slot > self.slot {
            self.slot = slot;
            self.values.push(value);
        }
    }

    /// Completes the day that is over at `at`.
    pub(super) fn turn_to(&mut self, at: At) {
        let day = day_of(self.anchor, at);
        if day <= self.day {
            return;
        }
        if self.values.len() >= VALUES_MIN
            && let Some(median) = median(&self.values)
        {
            self.done.push_back((self.day, median));
            if self.done.len() > DAYS_KEPT {
                self.done.pop_front();
            }
        }
        self.values.clear();
        self.day = day;
    }

    /// Forgets everything up to `at`: what follows is another series.
    pub(super) fn restart(&mut self, at: At) {
        self.turn_to(at);
        self.done.clear();
        self.values.clear();
    }

    /// Median of a complete day.
    pub(super) fn of(&self, day: i64) -> Option<f64> {
        self.done.iter().find(|(of, _)| *of == day).map(|(_, median)| *median)
    }

    /// The complete days from `first` on, with their medians.
    pub(super) fn since(&self, first: i64) -> Vec<(i64, f64)> {
        self.done.iter().filter(|(day, _)| *day >= first).copied().collect()
    }
}

/// Number of the day in which `at` lies.
pub(super) fn day_of(anchor: At, at: At) -> i64 {
    (at - anchor).0.div_euclid(DAY.0)
}

/// First instant of a day.
pub(super) fn start_of(anchor: At, day: i64) -> At {
    anchor + Span(day.saturating_mul(DAY.0))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_day_has_the_median_of_its_five_minute_values_or_none() {
        let mut days = Days::new(At(0));
        for minute in 0..(24 * 60) {
            let value = if minute % 5 == 0 { 50.0 } else { 99.0 };
            days.take(At(0) + Span::minutes(minute), value);
        }
        assert_eq!(days.of(0), None, "the day is not over");
        days.take(At(0) + Span::hours(25), 40.0);
        assert_eq!(days.of(0), Some(50.0));
        days.turn_to(At(0) + Span::days(2));
        assert_eq!(days.of(1), None, "one value is no day");
        assert_eq!(days.since(0), [(0, 50.0)]);
        days.restart(At(0) + Span::days(2));
        assert_eq!(days.since(0), []);
    }

    #[test]
    fn eight_days_are_kept() {
        let mut days = Days::new(At(0));
        for hour in 0..=(24 * 12) {
            days.take(At(0) + Span::hours(hour), 1.0);
        }
        let kept: Vec<i64> = days.since(0).iter().map(|(day, _)| *day).collect();
        assert_eq!(kept, [4, 5, 6, 7, 8, 9, 10, 11]);
    }
}
