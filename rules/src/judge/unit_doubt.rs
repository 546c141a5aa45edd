//! Whether the readings of a spot could be another unit than declared (design 5.1, end).
//!
//! A mild barn at 60 °F read as 60 °C would qualify: a required spot that starts hot, or was never below 45 °C, has
//! to be confirmed by a hand reading near a probe's reading in time and in temperature.

use crate::units::{At, Celsius, Span};

const SUSPECT: Celsius = Celsius(45.0);
const FIRST_READING_WITHIN: Span = Span::hours(24);
const AGREES_WITHIN_C: f64 = 5.0;

#[derive(Clone, Copy, Debug, PartialEq)]
struct ProbePoint {
    at: At,
    c: Celsius,
    near: Span,
}

/// What has to be known of one spot.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct UnitDoubt {
    first: Option<(At, Celsius)>,
    was_below: bool,
    newest: Option<ProbePoint>,
    /// Hand readings since the newest reading by probe: the next one could be nearer.
    waiting: Vec<(At, Celsius)>,
    confirmed: bool,
}

// === impl UnitDoubt ===

impl UnitDoubt {
    pub(super) fn probe(&mut self, at: At, c: Celsius, near: Span) {
        self.first.get_or_insert((at, c));
        self.was_below |= c.is_below(SUSPECT);
        let next = ProbePoint { at, c, near };
        for hand in std::mem::take(&mut self.waiting) {
            self.confirmed |= confirms(hand, self.newest, Some(next));
        }
        self.newest = Some(next);
    }

    /// A hand reading; one at the same instant as a probe's comes after it.
    pub(super) fn hand(&mut self, at: At, c: Celsius) {
        if self.confirmed {
            return;
        }
        if self.newest.is_some_and(|newest| newest.at == at) {
            self.confirmed |= confirms((at, c), self.newest, None);
        } else {
            self.waiting.push((at, c));
        }
    }

    /// No more readings: decides on the hand readings that wait.
    pub(super) fn finish(&mut self) {
        for hand in std::mem::take(&mut self.waiting) {
            self.confirmed |= confirms(hand, self.newest, None);
        }
    }

    pub(super) fn is_unconfirmed(&self, built: At) -> bool {
        let starts_hot =
            self.first.is_some_and(|(at, c)| at - built <= FIRST_READING_WITHIN && c.is_above(SUSPECT));
        let never_below = self.first.is_some() && !self.was_below;
        (starts_hot || never_below) && !self.confirmed
    }
}

fn confirms(hand: (At, Celsius), before: Option<ProbePoint>, after: Option<ProbePoint>) -> bool {
    let distance = |point: &ProbePoint| Span((point.at - hand.0).0.abs());
    let Some(nearest) = before.iter().chain(&after).map(distance).min() else { return false };
    before
        .iter()
        .chain(&after)
        .filter(|point| distance(point) == nearest)
        .all(|point| nearest <= point.near && point.c.is_within(hand.1, AGREES_WITHIN_C))
}
