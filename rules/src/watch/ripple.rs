//! The saw-tooth that the blower's cycle draws into the readings, hour by hour.
//!
//! Measure: the way that the temperature goes to and fro in an hour beyond the way that it goes on, in °C. Noise and the
//! step of the sensor go into it too, but they do not stop with the air: so a share of the usual decides, not a height.

use std::collections::VecDeque;

use super::days::start_of;
use super::event::Sample;
use super::rule::slot;
use crate::stats::median;
use crate::units::{At, Celsius, Span};

/// Hours that are remembered, and fewest of them to know what is usual.
const HOURS_KEPT: usize = 26;
const HOURS_MIN: usize = 12;
/// Fewer readings of an hour would miss the cycle.
const READINGS_MIN: usize = 8;

#[derive(Clone, Debug, Default)]
pub(super) struct Ripples {
    spots: Vec<Spot>,
}

#[derive(Clone, Debug, Default)]
struct Spot {
    hour: i64,
    count: usize,
    way: f64,
    first: f64,
    last: f64,
    /// (hour, way to and fro), the newest last.
    done: VecDeque<(i64, f64)>,
    /// What was usual when the ripple was found gone.
    usual_before: Option<f64>,
}

// === impl Ripples ===

impl Ripples {
    pub(super) fn clear(&mut self) {
        self.spots.clear();
    }

    /// Whether an hour of this spot is complete with the reading.
    pub(super) fn take(&mut self, anchor: At, sample: Sample<'_>) -> bool {
        let hour = hour_of(anchor, sample.at);
        slot(&mut self.spots, sample.spot).is_some_and(|spot| spot.take(hour, sample.value))
    }

    /// When the ripple was gone from every spot that had it, if it is for the last two complete hours.
    pub(super) fn gone_since(&mut self, anchor: At, least: f64, gone: f64, spots_min: usize) -> Option<At> {
        let newest = self.spots.iter().filter_map(|spot| spot.done.back()).map(|(hour, _)| *hour).max()?;
        let rippling = |spot: &&mut Spot| spot.usual().is_some_and(|usual| usual >= least);
        let mut count = 0;
        for spot in self.spots.iter_mut().filter(rippling) {
            let usual = spot.usual()?;
            let is_gone = |hour| spot.done.iter().any(|(of, way)| *of == hour && *way < gone * usual);
            if !(is_gone(newest) && is_gone(newest - 1)) {
                return None;
            }
            count += 1;
        }
        if count < spots_min {
            return None;
        }
        for spot in &mut self.spots {
            spot.usual_before = spot.usual();
        }
        Some(start_of(anchor, 0) + Span::hours(newest - 1))
    }

    /// Whether some spot ripples again as before.
    pub(super) fn is_back(&self, least: f64, back: f64) -> bool {
        self.spots.iter().any(|spot| {
            let usual = spot.usual_before.filter(|usual| *usual >= least);
            usual.zip(spot.done.back()).is_some_and(|(usual, (_, way))| *way >= back * usual)
        })
    }
}

// === impl Spot ===

impl Spot {
    fn take(&mut self, hour: i64, value: Celsius) -> bool {
        let is_complete = hour > self.hour && self.count > 0;
        if is_complete {
            if self.count >= READINGS_MIN {
                self.done.push_back((self.hour, self.way - (self.last - self.first).abs()));
                if self.done.len() > HOURS_KEPT {
                    self.done.pop_front();
                }
            }
            self.count = 0;
        }
        if self.count == 0 {
            self.hour = hour;
            self.first = value.0;
            self.way = 0.0;
        } else {
            self.way += (value.0 - self.last).abs();
        }
        self.last = value.0;
        self.count += 1;
        is_complete
    }

    /// Median of the hours before the last two.
    fn usual(&self) -> Option<f64> {
        let before = self.done.len().saturating_sub(2);
        let ways: Vec<f64> = self.done.iter().take(before).map(|(_, way)| *way).collect();
        (ways.len() >= HOURS_MIN).then(|| median(&ways)).flatten()
    }
}

fn hour_of(anchor: At, at: At) -> i64 {
    (at - anchor).0.div_euclid(Span::hours(1).0)
}
