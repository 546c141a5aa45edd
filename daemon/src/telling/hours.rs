//! Quiet hours on the site's wall clock.

use chrono::{Days, NaiveTime};
use chrono_tz::Tz;
use heapward_rules::units::At;

use crate::model::time::{from_local, local};

/// A stretch of every day, on the wall clock, that may reach over midnight. `from` equal to `until` means never.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct QuietHours {
    pub from: NaiveTime,
    pub until: NaiveTime,
}

// === impl QuietHours ===

impl QuietHours {
    pub fn contains(self, at: At, zone: Tz) -> bool {
        let time = local(at, zone).time();
        if self.from <= self.until {
            self.from <= time && time < self.until
        } else {
            time >= self.from || time < self.until
        }
    }

    /// `at` itself outside the quiet hours, else their end.
    pub fn end_after(self, at: At, zone: Tz) -> At {
        if self.contains(at, zone) { next_time(at, self.until, zone) } else { at }
    }
}

/// The first instant at or after `at` at which the site's clock shows `time`. Where the clock skips it, the first
/// minute after the gap.
pub fn next_time(at: At, time: NaiveTime, zone: Tz) -> At {
    let today = local(at, zone).date_naive();
    (0..=2)
        .filter_map(|days| today.checked_add_days(Days::new(days)))
        .filter_map(|date| from_local(date.and_time(time), zone))
        .find(|candidate| *candidate >= at)
        .unwrap_or(at)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::time::{parse_rfc3339, rfc3339};

    fn clock(text: &str) -> NaiveTime {
        NaiveTime::parse_from_str(text, "%H:%M").unwrap()
    }

    #[test]
    fn held_until_the_end_of_the_quiet_hours() {
        let night = QuietHours { from: clock("21:00"), until: clock("06:30") };
        let noon = QuietHours { from: clock("12:00"), until: clock("13:00") };
        let never = QuietHours { from: clock("00:00"), until: clock("00:00") };
        for (hours, at, wanted) in [
            (night, "2026-05-12T20:59:59-04:00", "2026-05-13T00:59:59.000Z"),
            (night, "2026-05-12T21:00:00-04:00", "2026-05-13T10:30:00.000Z"),
            (night, "2026-05-13T06:29:00-04:00", "2026-05-13T10:30:00.000Z"),
            (night, "2026-05-13T06:30:00-04:00", "2026-05-13T10:30:00.000Z"),
            (noon, "2026-05-13T12:15:00-04:00", "2026-05-13T17:00:00.000Z"),
            (noon, "2026-05-13T23:15:00-04:00", "2026-05-14T03:15:00.000Z"),
            (never, "2026-05-13T03:15:00-04:00", "2026-05-13T07:15:00.000Z"),
            // The night in which the clocks go forward: an hour shorter, the same wall time at its end.
            (night, "2026-03-07T23:00:00-05:00", "2026-03-08T10:30:00.000Z"),
        ] {
            let end = hours.end_after(parse_rfc3339(at).unwrap(), chrono_tz::America::New_York);
            assert_eq!(rfc3339(end), wanted, "{at}");
        }
    }
}
