//! When a summary is due: one each local day, through both changes of the clock.

use chrono::{NaiveDate, NaiveTime};
use chrono_tz::Tz;
use heapward_rules::units::At;

use crate::model::time::{from_local, local};

/// The local day whose summary is due now; `last` is the day of the last one. A day whose time has passed while the
/// daemon was down gets its summary late; of several such days only today does.
pub fn due_day(last: Option<NaiveDate>, now: At, time: NaiveTime, zone: Tz) -> Option<NaiveDate> {
    let today = local(now, zone).date_naive();
    let is_time = instant(today, time, zone).is_some_and(|at| at <= now);
    (is_time && is_open(last, today, today)).then_some(today)
}

/// When the next summary will be due, if `last` was the last one: to sleep until then.
pub fn next_due(last: Option<NaiveDate>, now: At, time: NaiveTime, zone: Tz) -> At {
    let today = local(now, zone).date_naive();
    let days = [Some(today), today.succ_opt(), today.succ_opt().and_then(|day| day.succ_opt())];
    let open = days.into_iter().flatten().filter(|day| is_open(last, today, *day));
    open.filter_map(|day| instant(day, time, zone)).min().map_or(At::MAX, |at| at.max(now))
}

/// Whether a day has no summary yet. A last one far ahead is the mark of a clock that was wrong, and counts for nothing.
fn is_open(last: Option<NaiveDate>, today: NaiveDate, day: NaiveDate) -> bool {
    last.is_none_or(|last| last < day || (last - today).num_days() > 1)
}

/// A wall time on a local day. Where the clock skips it, the first minute after the gap; where it comes twice, the
/// first.
fn instant(day: NaiveDate, time: NaiveTime, zone: Tz) -> Option<At> {
    from_local(day.and_time(time), zone)
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use heapward_rules::units::Span;

    use super::*;
    use crate::model::time::parse_rfc3339;

    fn clock(text: &str) -> NaiveTime {
        NaiveTime::parse_from_str(text, "%H:%M").unwrap()
    }

    /// A year of sleeping to the next due instant, with a look every 7 minutes as well.
    fn summaries_of_a_year(zone: Tz, time: &str, step: Option<Span>) -> Vec<NaiveDate> {
        let mut now = parse_rfc3339("2026-01-01T12:00:00Z").unwrap();
        let end = parse_rfc3339("2027-01-01T12:00:00Z").unwrap();
        let mut sent = Vec::new();
        let mut last = Some(local(now, zone).date_naive());
        while now < end {
            if let Some(day) = due_day(last, now, clock(time), zone) {
                assert_eq!(day, local(now, zone).date_naive());
                sent.push(day);
                last = Some(day);
            }
            now = match step {
                Some(step) => now + step,
                None => next_due(last, now, clock(time), zone),
            };
        }
        sent
    }

    #[test]
    fn one_summary_each_local_day_of_a_year() {
        for (zone, time) in [
            (chrono_tz::America::New_York, "06:30"),
            // Skipped in March and twice in November.
            (chrono_tz::America::New_York, "02:30"),
            (chrono_tz::America::New_York, "01:30"),
            // Half an hour of daylight saving.
            (chrono_tz::Australia::Lord_Howe, "02:15"),
            // A day without midnight, on 6 September 2026.
            (chrono_tz::America::Santiago, "00:00"),
            (chrono_tz::Europe::Berlin, "06:30"),
        ] {
            for step in [None, Some(Span::minutes(7))] {
                let sent = summaries_of_a_year(zone, time, step);
                let days: BTreeSet<NaiveDate> = sent.iter().copied().collect();
                assert_eq!((sent.len(), days.len()), (365, 365), "{zone} {time} {step:?}");
            }
        }
    }

    #[test]
    fn after_days_without_power_there_is_one_and_it_is_todays() {
        let zone = chrono_tz::America::New_York;
        let last = NaiveDate::from_ymd_opt(2026, 5, 8);
        let noon = parse_rfc3339("2026-05-12T16:00:00Z").unwrap();
        let night = parse_rfc3339("2026-05-12T06:00:00Z").unwrap();
        assert_eq!(due_day(last, noon, clock("06:30"), zone), NaiveDate::from_ymd_opt(2026, 5, 12));
        assert_eq!(due_day(last, night, clock("06:30"), zone), None);
        // A clock that was set back sends no second one.
        assert_eq!(due_day(NaiveDate::from_ymd_opt(2026, 5, 13), noon, clock("06:30"), zone), None);
        // Nor does a clock that was years ahead for a moment stop them for years.
        let wrong = NaiveDate::from_ymd_opt(2036, 2, 7);
        assert_eq!(due_day(wrong, noon, clock("06:30"), zone), NaiveDate::from_ymd_opt(2026, 5, 12));
    }
}
