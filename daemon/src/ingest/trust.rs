//! When wall time may date a reading (design 3): a Pi without a battery-backed clock wakes up in the past, and a bad
//! clock chip may throw it years ahead.

use heapward_rules::units::{At, Span};

use crate::clock::Clock;
use crate::limits::{CLOCK_ASK_AGAIN, CLOCK_LEAP_MAX};
use crate::model::time::rfc3339;

/// 2026-01-01T00:00:00Z, before the first Heapward: a clock chip whose battery is empty says 1970 or 2000.
const FLOOR: At = At(1_767_225_600_000);

/// What is known about the wall clock.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Trust {
    Trusted,
    /// Neither synchronised nor fitted with a battery.
    #[default]
    NotSet,
    /// It stands before the newest reading that was committed, or before there was any.
    BehindNewest(At),
    /// It was thrown ahead while we ran; the time by which it is ahead.
    Leapt(Span),
}

/// Follows the wall clock and says whether it can be believed.
#[derive(Clone, Debug)]
pub struct ClockWatch {
    /// Newest committed instant, or the wall time at that commit where the reading was ahead of it. At least the floor.
    newest: At,
    /// Wall and monotonic time when it was last believed.
    believed: Option<(At, Span)>,
    /// Monotonic time of the last question whether it is set, with the answer.
    asked: Option<(Span, bool)>,
    is_doubtful: bool,
}

// === impl Trust ===

impl Trust {
    /// Whether it shows a time that can't be, though it is set.
    pub fn is_doubt(self) -> bool {
        matches!(self, Trust::BehindNewest(_) | Trust::Leapt(_))
    }

    fn tell(self) {
        match self {
            Trust::Leapt(ahead) => tracing::warn!(
                "the clock was thrown ahead by {} days: readings wait until it is right again",
                ahead.0 / Span::days(1).0
            ),
            Trust::BehindNewest(newest) => {
                tracing::warn!("the clock stands before {}, which is over: readings wait", rfc3339(newest));
            }
            Trust::Trusted | Trust::NotSet => tracing::info!("the clock is not doubted any more"),
        }
    }
}

// === impl ClockWatch ===

impl ClockWatch {
    /// `newest` is the newest committed reading of the store.
    pub fn new(newest: At) -> ClockWatch {
        ClockWatch { newest: newest.max(FLOOR), believed: None, asked: None, is_doubtful: false }
    }

    /// Wall and monotonic time now, and whether the wall time may date a reading. The clock is asked whether it is
    /// set only once a second: on a real machine that is a look into the file system. What is doubtful about it is
    /// said to the clock, for everybody else who asks it.
    pub fn look(&mut self, clock: &dyn Clock) -> (At, Span, Trust) {
        let (now, monotonic) = (clock.now(), clock.monotonic());
        let is_set = match self.asked {
            Some((at, true)) if monotonic - at < CLOCK_ASK_AGAIN => true,
            _ => {
                let is_set = clock.is_set();
                self.asked = Some((monotonic, is_set));
                is_set
            }
        };
        let trust = self.judge(now, monotonic, is_set);
        if trust.is_doubt() != self.is_doubtful {
            self.is_doubtful = trust.is_doubt();
            clock.doubt(self.is_doubtful);
            trust.tell();
        }
        (now, monotonic, trust)
    }

    pub fn judge(&mut self, now: At, monotonic: Span, is_set: bool) -> Trust {
        if !is_set {
            // Setting it may move it by years, and rightly so.
            self.believed = None;
            return Trust::NotSet;
        }
        if let Some((then, at)) = self.believed {
            let ahead = now - (then + (monotonic - at));
            if ahead > CLOCK_LEAP_MAX {
                return Trust::Leapt(ahead);
            }
        }
        // A clock that stands behind is not believed: when it is set right again, that is no leap.
        if now < self.newest {
            return Trust::BehindNewest(self.newest);
        }
        self.believed = Some((now, monotonic));
        Trust::Trusted
    }

    /// A reading was handed in. One that is a little ahead of the clock does not hold up all others.
    pub fn committed(&mut self, at: At, now: At) {
        self.newest = self.newest.max(at.min(now));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const NOON: At = At(1_777_723_200_000);

    #[test]
    fn a_clock_is_believed_only_when_it_may_be() {
        let mut watch = ClockWatch::new(NOON);
        let minute = Span::minutes;
        let mut look = |now: At, monotonic: i64, is_set: bool| watch.judge(now, minute(monotonic), is_set);
        assert_eq!(look(At(0), 0, false), Trust::NotSet);
        assert_eq!(look(NOON - minute(360), 1, false), Trust::NotSet);
        assert_eq!(look(NOON - minute(3), 2, true), Trust::BehindNewest(NOON));
        assert_eq!(look(NOON, 5, true), Trust::Trusted);
        assert_eq!(look(NOON + minute(60), 65, true), Trust::Trusted);
        // The chip throws it 400 days ahead, later somebody sets it right.
        let ahead = Span::days(400);
        assert_eq!(look(NOON + minute(61) + ahead, 66, true), Trust::Leapt(ahead));
        assert_eq!(look(NOON + minute(100) + ahead, 105, true), Trust::Leapt(ahead));
        assert_eq!(look(NOON + minute(110), 115, true), Trust::Trusted);
        // A step ahead while it was not set is a setting.
        assert_eq!(look(NOON + minute(111), 116, false), Trust::NotSet);
        assert_eq!(look(NOON + minute(112) + ahead, 117, true), Trust::Trusted);
    }

    #[test]
    fn a_chip_whose_battery_is_empty_is_not_believed_and_its_setting_is_no_leap() {
        for start in [At(0), FLOOR - Span(1)] {
            let mut watch = ClockWatch::new(At::MIN);
            assert_eq!(watch.judge(start, Span::ZERO, true), Trust::BehindNewest(FLOOR));
            assert_eq!(watch.judge(NOON, Span::minutes(7), true), Trust::Trusted);
        }
        assert_eq!(ClockWatch::new(At::MIN).judge(FLOOR, Span::ZERO, true), Trust::Trusted);
    }

    #[test]
    fn a_step_back_waits_for_the_newest_reading() {
        let mut watch = ClockWatch::new(At::MIN);
        watch.committed(NOON + Span::minutes(4), NOON);
        assert_eq!(watch.judge(NOON, Span::ZERO, true), Trust::Trusted);
        assert_eq!(watch.judge(NOON - Span::hours(1), Span::minutes(1), true), Trust::BehindNewest(NOON));
        assert_eq!(watch.judge(NOON, Span::minutes(61), true), Trust::Trusted);
        // Two days back, and right again after a minute.
        assert_eq!(watch.judge(NOON - Span::days(2), Span::minutes(62), true), Trust::BehindNewest(NOON));
        assert_eq!(watch.judge(NOON + Span::minutes(2), Span::minutes(63), true), Trust::Trusted);
    }
}
