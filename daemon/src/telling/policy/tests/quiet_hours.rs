//! Each moment at its level, by day and in the quiet hours.

use super::*;

type Row = (Kind, Level, Option<i64>, &'static str, &'static [&'static str]);

const MOMENTS: &[Row] = {
    use Kind as K;
    use Level as L;
    &[
        // T1: breaks the quiet hours only for two days' worth; below half a day it is not told.
        (
            K::RunAtRisk,
            L::Act,
            Some(41),
            "12 14:20",
            &["12 14:20 run-at-risk opened", "12 16:20 run-at-risk reminder-1"],
        ),
        (K::RunAtRisk, L::Act, Some(41), "12 22:20", &["13 06:30 run-at-risk opened"]),
        (
            K::RunAtRisk,
            L::Act,
            Some(48),
            "12 22:20",
            &["12 22:20 run-at-risk opened", "13 00:20 run-at-risk reminder-1"],
        ),
        (K::RunAtRisk, L::Act, Some(3), "12 14:20", &[]),
        // T3: at half past seven.
        (K::Qualified, L::Note, None, "12 14:20", &["13 07:30 qualified opened"]),
        (K::Qualified, L::Act, None, "12 03:20", &["12 07:30 qualified opened"]),
        // T4, T5: once, by day, without reminders.
        (K::SlowToHeat, L::Act, None, "12 14:20", &["12 14:20 slow-to-heat opened"]),
        (K::SpotShort, L::Act, None, "12 23:59", &["13 06:30 spot-short opened"]),
        (K::Stalled, L::Act, None, "12 14:20", &["12 14:20 stalled opened"]),
        // T6: held; T7: breaks; T8: breaks and is repeated soon.
        (K::Overheating, L::Act, None, "12 22:20", &["13 06:30 overheating opened"]),
        (
            K::Overheating,
            L::Urgent,
            None,
            "12 22:20",
            &["12 22:20 overheating opened", "13 00:20 overheating reminder-1"],
        ),
        (
            K::Overheating,
            L::Danger,
            None,
            "13 00:20",
            &[
                "13 00:20 overheating opened",
                "13 00:35 overheating reminder-1",
                "13 01:05 overheating reminder-2",
            ],
        ),
        // T9: after two hours.
        (K::BlowerOff, L::Urgent, None, "12 22:20", &["13 00:20 blower-off opened"]),
        (K::BlowerOff, L::Act, None, "12 22:20", &["13 06:30 blower-off opened"]),
        // T10.
        (K::Drying, L::Act, None, "12 14:20", &["12 14:20 drying opened"]),
        // T11 after two hours, T12 never.
        (K::ProbeSilent, L::Act, None, "12 14:20", &["12 16:20 probe-silent opened"]),
        (K::ProbeSilent, L::Note, None, "12 14:20", &[]),
        // T13.
        (
            K::AllSilent,
            L::Act,
            None,
            "12 14:20",
            &["12 14:35 all-silent opened", "12 16:35 all-silent reminder-1"],
        ),
        // T14, and what changes nothing.
        (K::ReadyToMove, L::Note, None, "12 14:20", &["12 14:20 ready-to-move opened"]),
        (K::Cured, L::Note, None, "12 14:20", &[]),
        (K::Reheating, L::Act, None, "12 14:20", &[]),
        (K::BatteryLow, L::Note, None, "12 14:20", &[]),
    ]
};

/// One opening and a day of waiting for every row: kind, level, hours counted, when, and the tellings.
#[test]
fn the_moments_and_their_quiet_hours() {
    for (kind, level, hours, when, wanted) in MOMENTS {
        let mut farm = Farm::at(when);
        let matter = opened(*kind, *level, when);
        farm.take(&hours.map_or(matter.clone(), |hours| counted(matter, hours)));
        let until = at(when) + Span::minutes(150);
        while farm.now < until && farm.told("odile", "phone").len() < wanted.len() {
            let next = farm.now + Span::minutes(1);
            farm.until(&local(next, ZONE).format("%-d %H:%M").to_string());
        }
        assert_eq!(farm.told("odile", "phone"), *wanted, "{kind:?} {level:?} {when}");
        assert_eq!(farm.told("odile", "mail"), *wanted, "{kind:?} {level:?} {when}");
    }
}
