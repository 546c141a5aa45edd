//! From the first telling over levels, reminders and the second person to the all-clear.

use super::*;

#[test]
fn a_ramp_to_fire_is_told_at_each_level_and_to_the_second_person() {
    let mut farm = Farm::at("12 22:00");
    farm.take(&opened(Kind::Overheating, Level::Act, "12 22:00"));
    farm.until("13 01:00");
    farm.take(&finding(Kind::Overheating, Level::Urgent, Change::Worsened, "13 01:00", "12 22:00"));
    farm.until("13 02:50");
    farm.take(&finding(Kind::Overheating, Level::Danger, Change::Worsened, "13 02:50", "12 22:00"));
    farm.until("13 02:55");
    farm.check(&[
        "13 01:00 overheating worsened-urgent",
        "13 02:50 overheating worsened-danger",
        "13 06:30 overheating opened",
    ]);
    assert_eq!(farm.told("bram", "phone"), ["13 02:50 overheating worsened-danger"]);
}

#[test]
fn reminders_then_the_second_person_then_twice_a_day() {
    let mut farm = Farm::at("12 07:00");
    farm.take(&opened(Kind::Overheating, Level::Urgent, "12 07:00"));
    farm.until("13 02:00");
    farm.check(&[
        "12 07:00 overheating opened",
        "12 09:00 overheating reminder-1",
        "12 11:00 overheating reminder-2",
        "13 01:00 overheating reminder-3",
    ]);
    assert_eq!(
        farm.told("bram", "phone"),
        ["12 13:00 overheating second-person", "13 01:00 overheating reminder-3"]
    );
}

#[test]
fn what_was_seen_is_silent_until_worse_or_half_a_day() {
    let mut farm = Farm::at("12 07:00");
    farm.take(&opened(Kind::Overheating, Level::Act, "12 07:00"));
    farm.until("12 07:10");
    let seen = farm.teller.seen(&farm.incidents[0], farm.now);
    assert_eq!(seen.stage, Stage::Seen);
    farm.keep(Told { incident: seen, messages: vec![] });
    farm.until("12 12:00");
    farm.check(&["12 07:00 overheating opened"]);
    farm.take(&finding(Kind::Overheating, Level::Urgent, Change::Worsened, "12 12:00", "12 07:00"));
    farm.check(&["12 07:00 overheating opened", "12 12:00 overheating worsened-urgent"]);
    let seen = farm.teller.seen(&farm.incidents[0], farm.now);
    farm.keep(Told { incident: seen, messages: vec![] });
    farm.until("13 00:05");
    farm.check(&[
        "12 07:00 overheating opened",
        "12 12:00 overheating worsened-urgent",
        "13 00:00 overheating reminder-1",
    ]);
}

#[test]
fn an_all_clear_only_if_it_was_told_and_lasted() {
    // Told and over.
    let mut farm = Farm::at("12 14:00");
    farm.take(&opened(Kind::Overheating, Level::Act, "12 14:00"));
    farm.until("12 15:00");
    farm.take(&closed(Kind::Overheating, Level::Act, "12 14:00", "12 15:00"));
    farm.take(&closed(Kind::Overheating, Level::Act, "12 14:00", "12 15:00"));
    farm.check(&["12 14:00 overheating opened", "12 15:00 overheating all-clear"]);
    assert_eq!(farm.incidents[0].stage, Stage::Over);

    // Over within ten minutes.
    let mut farm = Farm::at("12 14:00");
    farm.take(&opened(Kind::Overheating, Level::Act, "12 14:00"));
    farm.until("12 14:09");
    farm.take(&closed(Kind::Overheating, Level::Act, "12 14:00", "12 14:09"));
    farm.check(&["12 14:00 overheating opened"]);

    // Never told: the probe is back before its two hours.
    let mut farm = Farm::at("12 14:00");
    farm.take(&opened(Kind::ProbeSilent, Level::Act, "12 14:00"));
    farm.until("12 15:30");
    farm.take(&closed(Kind::ProbeSilent, Level::Act, "12 14:00", "12 15:30"));
    farm.until("12 20:00");
    farm.check(&[]);

    // The all-clear respects the quiet hours.
    let mut farm = Farm::at("12 20:00");
    farm.take(&opened(Kind::Overheating, Level::Urgent, "12 20:00"));
    farm.until("12 21:30");
    farm.take(&closed(Kind::Overheating, Level::Urgent, "12 20:00", "12 21:30"));
    farm.check(&["12 20:00 overheating opened", "13 06:30 overheating all-clear"]);
}

#[test]
fn what_comes_and_goes_is_told_as_such_once() {
    let mut farm = Farm::at("12 08:00");
    for hour in 8..14 {
        let (from, to) = (format!("12 {hour:02}:00"), format!("12 {hour:02}:30"));
        farm.until(&from);
        farm.take(&opened(Kind::Overheating, Level::Act, &from));
        farm.until(&to);
        farm.take(&closed(Kind::Overheating, Level::Act, &from, &to));
    }
    let wanted = [
        "12 08:00 overheating opened",
        "12 08:30 overheating all-clear",
        "12 09:00 overheating opened",
        "12 09:30 overheating all-clear",
        "12 10:00 overheating unstable",
    ];
    farm.check(&wanted);
    // Danger is never muted.
    farm.until("12 14:00");
    farm.take(&opened(Kind::Overheating, Level::Danger, "12 14:00"));
    assert_eq!(farm.told("bram", "phone"), ["12 14:00 overheating opened"]);
    // The next morning all is as before.
    farm.until("12 14:10");
    farm.take(&closed(Kind::Overheating, Level::Danger, "12 14:00", "12 14:10"));
    farm.until("13 09:00");
    farm.take(&opened(Kind::Overheating, Level::Act, "13 09:00"));
    assert!(farm.told("odile", "phone").contains(&"13 09:00 overheating opened".to_owned()));
}

#[test]
fn a_run_on_its_way_back_is_not_reminded_of() {
    for (slope_c_per_h, wanted) in [(-0.4, 3), (0.4, 1)] {
        let mut farm = Farm::at("12 08:00");
        let falling = counted(opened(Kind::RunAtRisk, Level::Act, "12 08:00"), 41);
        farm.take(&falling.with("slope_c_per_h", slope_c_per_h));
        farm.until("12 12:30");
        assert_eq!(farm.told("odile", "phone").len(), wanted, "{slope_c_per_h}");
    }
}

#[test]
fn reminders_end_and_the_summary_goes_on_saying_it() {
    let mut farm = Farm::at("12 07:00");
    farm.take(&opened(Kind::Overheating, Level::Act, "12 07:00"));
    farm.until("20 07:00");
    let told = farm.told("odile", "phone");
    let reminders = told.iter().filter(|told| told.contains(" reminder-")).count();
    assert_eq!(reminders, usize::try_from(limits::REMINDERS_IN_ALL).unwrap(), "{told:#?}");
}

/// Late readings have changed the end of it: who was told of it is told of its end once more.
#[test]
fn what_goes_on_after_its_end_is_as_told_as_before() {
    let mut farm = Farm::at("12 14:00");
    farm.take(&opened(Kind::Overheating, Level::Act, "12 14:00"));
    farm.until("12 15:00");
    farm.take(&closed(Kind::Overheating, Level::Act, "12 14:00", "12 15:00"));
    farm.take(&finding(Kind::Overheating, Level::Act, Change::Worsened, "12 15:00", "12 14:00"));
    assert_eq!((farm.incidents[0].closed_ms, farm.incidents[0].stage), (None, Stage::Told));
}
