use super::*;
use crate::ingest::time_of::of_text;
use crate::model::time::{parse_rfc3339, rfc3339};

/// One message a row: when it arrives, how, its own time (`-` for none), and the instant that it gets or the reason.
#[track_caller]
fn check(fallback: bool, rows: &str) {
    let mut dates = ProbeDates::default();
    for row in rows.lines().map(str::trim).filter(|row| !row.is_empty()) {
        let fields: Vec<&str> = row.split('|').map(str::trim).collect();
        let [arrived, freshness, time, expected] = fields[..] else { panic!("four fields: {row}") };
        let arrived = parse_rfc3339(arrived).unwrap();
        let freshness = match freshness {
            "live" => Freshness::Live,
            "retained" => Freshness::Retained,
            "late" => Freshness::Late,
            "again" => Freshness::Repeated,
            other => panic!("{other}"),
        };
        let time = match time {
            "-" => OwnTime::None,
            text if text.ends_with('Z') => of_text(text, crate::config::TimeFormat::Rfc3339, chrono_tz::UTC),
            text => of_text(text, crate::config::TimeFormat::Naive, chrono_tz::America::New_York),
        };
        let said = match dates.date(time, fallback, freshness, Moment { now: arrived, arrived }) {
            Dating::At(at, by) => format!("{} {by:?}", rfc3339(at)),
            Dating::IfLast => "if last".to_owned(),
            Dating::Refused(reason) => reason.word().to_owned(),
        };
        assert_eq!(said, expected, "{row}");
    }
}

#[test]
fn a_message_is_dated_by_its_own_time_within_bounds() {
    check(
        false,
        "2026-05-02T10:00:00Z | live     | 2026-05-02T09:59:58.123Z | 2026-05-02T09:59:58.123Z Payload
         2026-05-02T10:00:00Z | live     | 2026-05-02T10:05:00.000Z | 2026-05-02T10:05:00.000Z Payload
         2026-05-02T10:00:00Z | live     | 2026-05-02T10:05:00.001Z | time-ahead
         2026-05-02T10:00:00Z | live     | 2026-04-02T10:00:00.000Z | 2026-04-02T10:00:00.000Z Payload
         2026-05-02T10:00:00Z | live     | 2026-04-02T09:59:59.999Z | time-too-old
         2026-05-02T10:00:00Z | retained | 2026-05-02T09:00:00.000Z | 2026-05-02T09:00:00.000Z Payload
         2026-05-02T10:00:00Z | late     | 2026-05-02T08:00:00.000Z | 2026-05-02T08:00:00.000Z Payload
         2026-05-02T10:00:00Z | live     | 1970-01-01T00:03:12.000Z | time-too-old
         2026-05-02T10:00:00Z | live     | 2026-13-02T10:00:00.000Z | time-unreadable",
    );
}

#[test]
fn a_message_without_a_time_is_dated_by_its_arrival_alone() {
    check(
        false,
        "2026-05-02T10:00:00.199Z | live     | - | 2026-05-02T10:00:00.100Z Arrival
         2026-05-02T10:00:00.199Z | live     | - | 2026-05-02T10:00:00.200Z Arrival
         2026-05-02T10:00:00.201Z | live     | - | 2026-05-02T10:00:00.300Z Arrival
         2026-05-02T10:00:01.000Z | live     | - | 2026-05-02T10:00:01.000Z Arrival
         2026-05-02T10:00:02.000Z | retained | - | retained
         2026-05-02T10:00:02.000Z | late     | - | if last
         2026-05-02T10:00:02.000Z | again    | - | if last
         2026-05-02T10:00:02.000Z | live     | - | 2026-05-02T10:00:02.000Z Arrival
         2026-05-02T09:00:02.050Z | live     | - | 2026-05-02T09:00:02.000Z Arrival",
    );
}

#[test]
fn an_impossible_time_may_give_way_to_the_arrival() {
    check(
        true,
        "2026-05-02T10:00:00Z | live     | 1969-12-31T19:03:12      | 2026-05-02T10:00:00.000Z Arrival
         2026-05-02T10:01:00Z | live     | 2026-05-02T10:00:59.000Z | 2026-05-02T10:00:59.000Z Payload
         2026-05-02T10:02:00Z | retained | 1969-12-31T19:03:12      | retained
         2026-05-02T10:03:00Z | late     | 1969-12-31T19:03:12      | if last
         2026-05-02T10:04:00Z | live     | nonsense                 | 2026-05-02T10:04:00.000Z Arrival",
    );
}

#[test]
fn the_hour_that_happens_twice_moves_forward() {
    check(
        false,
        "2026-11-01T04:58:00Z | live | 2026-11-01T00:58:00 | 2026-11-01T04:58:00.000Z Payload
         2026-11-01T05:10:00Z | live | 2026-11-01T01:10:00 | 2026-11-01T05:10:00.000Z Payload
         2026-11-01T05:50:00Z | live | 2026-11-01T01:50:00 | 2026-11-01T05:50:00.000Z Payload
         2026-11-01T06:10:00Z | live | 2026-11-01T01:10:00 | 2026-11-01T06:10:00.000Z Payload
         2026-11-01T06:50:00Z | live | 2026-11-01T01:50:00 | 2026-11-01T06:50:00.000Z Payload
         2026-11-01T06:50:30Z | late | 2026-11-01T01:50:00 | 2026-11-01T06:50:00.000Z Payload
         2026-11-01T07:10:00Z | live | 2026-11-01T02:10:00 | 2026-11-01T07:10:00.000Z Payload",
    );
    // Nothing came for an hour: both are possible, so the arrival decides, and a late message can't be dated.
    check(
        false,
        "2026-11-01T04:58:00Z    | live     | 2026-11-01T00:58:00 | 2026-11-01T04:58:00.000Z Payload
         2026-11-01T06:10:00.04Z | late     | 2026-11-01T01:10:00 | time-twice
         2026-11-01T06:10:00.04Z | retained | 2026-11-01T01:10:00 | time-twice
         2026-11-01T06:10:00.04Z | live     | 2026-11-01T01:10:00 | 2026-11-01T06:10:00.000Z Arrival
         2026-03-08T07:30:00Z    | live     | 2026-03-08T02:30:00 | time-never-was",
    );
    // A clock that is wrong by months is wrong in that hour too.
    check(
        false,
        "2026-05-02T10:20:00Z | live | 2026-11-01T01:30:00 | time-ahead
         2026-05-02T10:20:00Z | live | 2025-11-02T01:30:00 | time-too-old",
    );
}

#[test]
fn a_flood_runs_out_of_tenths() {
    let mut dates = ProbeDates::default();
    let moment = Moment { now: At(1_000_000), arrived: At(1_000_000) };
    let mut date = || dates.date(OwnTime::None, false, Freshness::Live, moment);
    let given = (0..1_000).filter(|_| matches!(date(), Dating::At(..))).count();
    assert_eq!(given, 11);
    assert_eq!(date(), Dating::Refused(Reason::TooOften));
}
