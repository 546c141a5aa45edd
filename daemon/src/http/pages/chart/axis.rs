//! Where the ruled lines and figures of both axes stand.

use chrono::{Datelike, NaiveDate, NaiveTime, TimeDelta, Timelike};
use chrono_tz::Tz;
use heapward_rules::units::{At, Span};

use crate::model::time::{from_local, local};

/// Distance of the figures on the time axis, on the wall clock.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Step {
    Minutes(i64),
    Days(i32),
    Months(i32),
}

const STEPS: [(Step, Span); 17] = [
    (Step::Minutes(10), Span::minutes(10)),
    (Step::Minutes(30), Span::minutes(30)),
    (Step::Minutes(60), Span::hours(1)),
    (Step::Minutes(120), Span::hours(2)),
    (Step::Minutes(180), Span::hours(3)),
    (Step::Minutes(360), Span::hours(6)),
    (Step::Minutes(720), Span::hours(12)),
    (Step::Days(1), Span::days(1)),
    (Step::Days(2), Span::days(2)),
    (Step::Days(5), Span::days(5)),
    (Step::Days(10), Span::days(10)),
    (Step::Months(1), Span::days(30)),
    (Step::Months(2), Span::days(60)),
    (Step::Months(3), Span::days(90)),
    (Step::Months(6), Span::days(180)),
    (Step::Months(12), Span::days(360)),
    (Step::Months(60), Span::days(1_800)),
];

/// Figures of the time axis in [from, to], `most` at most: midnights say the day, the others the time.
pub(super) fn times(from: At, to: At, zone: Tz, most: i64) -> Vec<(At, String)> {
    let span = to - from;
    let fits = |(_, length): &&(Step, Span)| span.0 / length.0.max(1) < most;
    let (step, _) = STEPS.iter().find(fits).unwrap_or(&STEPS[STEPS.len() - 1]);
    let first = local(from, zone).date_naive();
    let ticks = match step {
        Step::Minutes(minutes) => of_minutes(first, *minutes, to, zone),
        Step::Days(days) => of_days(first, to, zone, |date| date.num_days_from_ce() % days == 0),
        Step::Months(months) => {
            let number = |date: NaiveDate| date.year() * 12 + i32::try_from(date.month0()).unwrap_or(0);
            of_days(first, to, zone, |date| date.day() == 1 && number(date) % months == 0)
        }
    };
    let inside = ticks.into_iter().filter(|at| (from..=to).contains(at));
    inside.map(|at| (at, label(at, zone, *step))).collect()
}

fn of_minutes(first: NaiveDate, minutes: i64, to: At, zone: Tz) -> Vec<At> {
    let begin = first.and_time(NaiveTime::MIN);
    let at = |n: i64| from_local(begin.checked_add_signed(TimeDelta::minutes(minutes * n))?, zone);
    let mut ticks: Vec<At> = (0..).map_while(at).take_while(|at| *at <= to).collect();
    // Where an hour does not happen two wall times are one instant.
    ticks.dedup();
    ticks
}

fn of_days(first: NaiveDate, to: At, zone: Tz, wanted: impl Fn(NaiveDate) -> bool) -> Vec<At> {
    let dates = first.iter_days().map(|date| (date, from_local(date.and_time(NaiveTime::MIN), zone)));
    let until = dates.map_while(|(date, at)| Some((date, at?))).take_while(|(_, at)| *at <= to);
    until.filter(|(date, _)| wanted(*date)).map(|(_, at)| at).collect()
}

fn label(at: At, zone: Tz, step: Step) -> String {
    let time = local(at, zone);
    let form = match step {
        Step::Minutes(_) if time.hour() == 0 && time.minute() == 0 => "%-d %b",
        Step::Minutes(_) => "%H:%M",
        Step::Days(_) => "%-d %b",
        Step::Months(months) if months >= 12 || time.month() == 1 => "%Y",
        Step::Months(_) => "%b",
    };
    time.format(form).to_string()
}

/// Distance of the figures for a stretch of values: 1, 2 or 5 of a power of ten, seven figures at most.
pub(in crate::http::pages) fn round_tick(stretch: f64) -> f64 {
    let powers = (-2..6_i32).map(|power| 10.0_f64.powi(power));
    let mut ticks = powers.flat_map(|power| [1.0, 2.0, 5.0].map(|digit| digit * power));
    ticks.find(|tick| stretch / tick <= 6.5).unwrap_or(1e6)
}

/// Figures of the value axis: multiples of `step` in [low, high].
pub(super) fn values(low: f64, high: f64, step: f64) -> Vec<f64> {
    let first = (low / step).ceil();
    let ticks = (0..100_i32).map(|n| (first + f64::from(n)) * step);
    ticks.take_while(|value| *value <= high).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::time::parse_rfc3339;

    #[test]
    fn figures_of_the_time_axis() {
        for (from, to, most, wanted) in [
            ("2026-05-01T15:00:00Z", "2026-05-01T21:00:00Z", 4, "12:00 14:00 16:00"),
            ("2026-05-01T15:00:00Z", "2026-05-03T15:00:00Z", 5, "12:00 2 May 12:00 3 May"),
            ("2026-03-07T05:00:00Z", "2026-03-09T05:00:00Z", 5, "7 Mar 12:00 8 Mar 12:00 9 Mar"),
            ("2026-05-01T15:00:00Z", "2026-05-08T15:00:00Z", 8, "2 May 3 May 4 May 5 May 6 May 7 May 8 May"),
            ("2026-05-01T15:00:00Z", "2027-05-01T15:00:00Z", 8, "Jul Sep Nov 2027 Mar May"),
        ] {
            let (from, to) = (parse_rfc3339(from).unwrap(), parse_rfc3339(to).unwrap());
            let labels: Vec<String> = times(from, to, chrono_tz::America::New_York, most)
                .into_iter()
                .map(|(_, label)| label)
                .collect();
            assert_eq!(labels.join(" "), wanted);
        }
    }

    #[test]
    fn distances_of_figures() {
        for (stretch, tick) in
            [(1.0, 0.2), (60.0, 10.0), (21.0, 5.0), (117.0, 20.0), (0.001, 0.01), (3e4, 5e3)]
        {
            assert!((round_tick(stretch) - tick).abs() < 1e-9, "{stretch} {}", round_tick(stretch));
        }
    }

    #[test]
    fn never_too_many_for_any_span() {
        for days in [1, 7, 40, 400, 4_000, 40_000] {
            let from = parse_rfc3339("2026-05-01T15:00:00Z").unwrap();
            let ticks = times(from, from + Span::days(days), chrono_tz::America::New_York, 8);
            assert!(ticks.len() <= 24, "{days} {}", ticks.len());
        }
    }
}
