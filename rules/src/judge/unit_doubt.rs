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

#[cfg(test)]
mod tests {
    use super::*;

    const NEAR: Span = Span::hours(2);

    /// Minutes since the pile was built, C, and whether a person read it; whether the unit stays unconfirmed.
    type Case<'a> = (&'a [(i64, f64, bool)], bool);

    #[test]
    fn a_hot_start_needs_a_hand_reading_nearby() {
        let cases: [Case; 17] = [
            (&[], false),
            (&[(60, 60.0, true)], false),
            (&[(60, 60.0, false)], true),
            (&[(60, 30.0, false), (120, 60.0, false)], false),
            // 45 C is not above 45 C, but never was it below.
            (&[(60, 45.0, false)], true),
            (&[(60, 45.0, false), (120, 44.9, false)], false),
            (&[(60, 46.0, false), (120, 20.0, false)], true),
            // Within 24 h of building, the bound included.
            (&[(24 * 60, 46.0, false), (25 * 60, 20.0, false)], true),
            (&[(24 * 60 + 1, 46.0, false), (25 * 60, 20.0, false)], false),
            // Confirmed within 5 C and within `near`, from either side of the probe's reading.
            (&[(60, 60.0, false), (180, 65.0, true)], false),
            (&[(60, 60.0, false), (180, 65.1, true)], true),
            (&[(60, 60.0, false), (181, 60.0, true)], true),
            (&[(60, 60.0, true), (180, 55.0, false)], false),
            (&[(60, 60.0, true), (181, 60.0, false)], true),
            // The nearest decides; of two equally near both have to agree.
            (&[(60, 60.0, false), (100, 50.0, true), (120, 50.0, false)], false),
            (&[(60, 60.0, false), (90, 60.0, true), (120, 50.0, false)], true),
            (&[(60, 60.0, false), (60, 60.0, true), (61, 50.0, false)], false),
        ];
        for (readings, unconfirmed) in cases {
            assert_eq!(doubt(readings).is_unconfirmed(At(0)), unconfirmed, "{readings:?}");
        }
    }

    #[test]
    fn hand_readings_are_kept_only_while_they_may_decide() {
        let confirmed = doubt(&[(60, 60.0, false), (60, 60.0, true), (90, 60.0, true), (95, 70.0, true)]);
        assert_eq!(confirmed.waiting, []);
        let decided = doubt(&[(60, 60.0, true), (90, 20.0, false)]);
        assert_eq!(decided.waiting, []);
    }

    fn doubt(readings: &[(i64, f64, bool)]) -> UnitDoubt {
        let mut doubt = UnitDoubt::default();
        for (minute, c, by_hand) in readings {
            let at = At(0) + Span::minutes(*minute);
            if *by_hand {
                doubt.hand(at, Celsius(*c));
            } else {
                doubt.probe(at, Celsius(*c), NEAR);
            }
        }
        doubt.finish();
        doubt
    }
}
