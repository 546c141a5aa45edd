use super::*;

#[test]
fn a_fine_probe_is_stuck_after_six_hours_if_others_move_and_surely_after_sixteen() {
    let stuck = [Kind::ProbeStuck];
    let fine = "0d00:00 heart 60C\n0d00:10 heart 60.0625C\n";
    check(
        &stuck,
        &format!("{fine} 0d00:20..0d10:00/10m heart 60.0625C\n0d00:00..0d10:00/10m toe 40C..50C"),
        &["0d06:10 ProbeStuck heart/k1 opened note"],
    );
    check(
        &stuck,
        &format!("{fine} 0d00:20..0d18:00/10m heart 60.0625C\n0d00:00..0d18:00/10m toe 40C..40.5C"),
        &["0d16:10 ProbeStuck heart/k1 opened act"],
    );
    check(
        &stuck,
        &format!("{fine} 0d00:20..0d07:00/10m heart 60.0625C\n0d07:10 heart 60.125C"),
        &["0d06:10 ProbeStuck heart/k1 opened note", "0d07:10 ProbeStuck heart/k1 closed note"],
    );
    check(&stuck, "0d00:00..3d00:00/10m shed 10C", &[]);
}

#[test]
fn a_coarse_probe_has_a_day_and_a_stuck_one_that_costs_a_run_is_worth_a_text() {
    let stuck = [Kind::ProbeStuck];
    check(
        &stuck,
        "0d00:00 heart 60C\n0d00:10 heart 60.5C\n0d00:20..1d12:00/10m heart 60.5C",
        &["1d00:10 ProbeStuck heart/k1 opened note"],
    );
    check(
        &stuck,
        "0d00:00 heart 60C\n0d00:00 run heart 20h\n0d00:10 heart 60.0625C\n0d00:20..0d18:00/10m heart 60.0625C",
        &["0d06:10 ProbeStuck heart/k1 opened note", "0d16:10 ProbeStuck heart/k1 worsened act"],
    );
}

#[test]
fn three_faults_in_a_row_or_five_of_ten_are_a_faulty_probe() {
    let faulty = [Kind::ProbeFaulty];
    check(&faulty, "0d10:00 heart 60C\n0d10:10..0d10:20/10m fault heart 85C\n0d10:30 heart 60C", &[]);
    check(
        &faulty,
        "0d10:00 heart 60C\n0d10:10..0d10:40/10m fault heart 85C\n0d10:50..0d12:00/10m heart 60C",
        &["0d10:30 ProbeFaulty heart/k1 opened note", "0d11:30 ProbeFaulty heart/k1 closed note"],
    );
    check(
        &faulty,
        "0d10:00..0d12:00/20m heart 60C\n0d10:10..0d12:00/20m fault heart -127C",
        &["0d11:30 ProbeFaulty heart/k1 opened note"],
    );
    check(
        &faulty,
        "0d10:00 heart 60C\n0d10:00 run heart 20h\n0d10:10..0d13:00/10m fault heart 85C",
        &["0d10:30 ProbeFaulty heart/k1 opened note", "0d12:30 ProbeFaulty heart/k1 worsened act"],
    );
}

const OTHERS: &str = "0d00:00..2d00:00/10m shed 15C\n0d00:00..2d00:00/10m heart 55C..60C\n";

#[test]
fn near_the_air_for_three_hours_after_it_was_hot_a_probe_is_pulled_out() {
    let kinds = [Kind::ProbePulledOut, Kind::ProbeMoved];
    check(
        &kinds,
        &format!("{OTHERS} 0d00:00..1d00:00/10m toe 45C\n1d00:10..1d06:00/10m toe 17C"),
        &["1d03:10 ProbePulledOut toe/k3 opened act"],
    );
    check(
        &kinds,
        &format!(
            "{OTHERS} 0d00:00..1d00:00/10m toe 45C\n1d00:10..1d06:00/10m toe 17C\n1d06:10..1d08:00/10m toe 45C"
        ),
        &["1d03:10 ProbePulledOut toe/k3 opened act", "1d06:40 ProbePulledOut toe/k3 closed act"],
    );
    check(&kinds, &format!("{OTHERS} 0d00:00..2d00:00/10m toe 17C"), &[]);
    check(
        &kinds,
        "0d00:00..1d00:00/10m toe 45C\n0d00:00..2d00:00/10m heart 60C\n1d00:10..2d00:00/10m toe 17C",
        &[],
    );
    check(
        &kinds,
        &format!(
            "{OTHERS} 0d00:00..1d00:00/10m toe 45C\n1d00:00 qualified toe\n1d00:10..1d06:00/10m toe 17C"
        ),
        &["1d03:10 ProbePulledOut toe/k3 opened note"],
    );
}

#[test]
fn down_to_the_air_and_back_at_another_level_it_was_perhaps_moved() {
    let kinds = [Kind::ProbePulledOut, Kind::ProbeMoved];
    let dip = format!("{OTHERS} 0d00:00..1d00:00/10m toe 45C\n1d00:10..1d00:50/10m toe 16C\n");
    check(&kinds, &format!("{dip} 1d01:00..2d00:00/10m toe 56C"), &["1d01:30 ProbeMoved toe/k3 opened note"]);
    check(&kinds, &format!("{dip} 1d01:00..2d00:00/10m toe 46C"), &[]);
    check(&kinds, &format!("{dip} 1d00:50..1d02:20/10m toe 16C\n1d02:30..1d02:50/10m toe 56C"), &[]);
    check(&kinds, &format!("{dip} 1d00:50..1d02:20/10m toe 16C\n1d02:30..1d06:00/10m toe 56C"), &[]);
    check(
        &kinds,
        &format!("{dip} 1d01:00..2d00:00/10m toe 56C\n4d00:00 tick"),
        &["1d01:30 ProbeMoved toe/k3 opened note", "3d01:30 ProbeMoved toe/k3 closed note"],
    );
}

#[test]
fn a_start_above_45_c_puts_the_unit_in_doubt_until_the_judge_is_content() {
    let unit = [Kind::WrongUnit];
    check(&unit, "0d01:00 heart 50C", &["0d01:00 WrongUnit heart/k1 opened note"]);
    check(&unit, "0d01:00 heart 45C\n0d02:00 heart 50C", &[]);
    check(&unit, "1d01:00 heart 50C\n0d01:00 lid 60C", &[]);
    check(&unit, "1d01:00 heart 50C\n1d01:00 unconfirmed heart", &["1d01:00 WrongUnit heart/k1 opened note"]);
    check(
        &unit,
        "0d01:00 heart 50C\n0d01:00 unconfirmed heart\n0d02:00 confirmed heart",
        &["0d01:00 WrongUnit heart/k1 opened note", "0d02:00 WrongUnit heart/k1 closed note"],
    );
}

#[test]
fn a_probe_that_sends_celsius_and_is_declared_fahrenheit_is_in_doubt_by_hand() {
    let unit = [Kind::WrongUnit];
    let opened = "0d10:00 WrongUnit heart/k1 opened note";
    // 60 C read as 60 F is 15.6 C.
    check(&unit, "0d09:30 heart 60F\n0d10:00 hand heart 61C", &[opened]);
    check(&unit, "0d09:30 hand heart 61C\n0d10:00 heart 60F", &[opened]);
    // And 104 F read as 104 C.
    check(&unit, "2d09:30 heart 104C\n2d10:00 hand heart 41C", &["2d10:00 WrongUnit heart/k1 opened note"]);
    check(&unit, "0d09:30 heart 60F\n0d10:00 hand heart 30C", &[]);
    check(&unit, "0d09:30 heart 60F\n0d10:00 hand heart 19C", &[]);
    check(&unit, "0d08:30 heart 60F\n0d10:00 hand heart 61C", &[]);
    check(
        &unit,
        "0d09:30 heart 60F\n0d10:00 hand heart 61C\n0d10:30 heart 60F\n0d11:00 unmet\n0d13:00 heart 61C
         0d13:10 hand heart 63C",
        &[opened, "0d13:10 WrongUnit heart/k1 closed note"],
    );
}

#[test]
fn another_probe_at_a_spot_in_doubt_is_judged_by_what_it_says_itself() {
    let unit = [Kind::WrongUnit];
    let opened = "0d10:00 WrongUnit heart/k1 opened note";
    let closed = "0d12:00 WrongUnit heart/k1 closed note";
    let by_hand = "0d09:30 heart 60F\n0d10:00 hand heart 61C\n";
    // What the thermometer said of the first says nothing of the second.
    check(&unit, &format!("{by_hand} 0d12:00 by k6 heart 61C"), &[opened, closed]);
    check(
        &unit,
        &format!("{by_hand} 0d12:00 by k6 heart 60F\n0d12:10 hand heart 61C"),
        &[opened, closed, "0d12:10 WrongUnit heart/k6 opened note"],
    );
    // A hot start is the judge's to settle, whoever stands there since; a later probe has no start of its own.
    let hot = "0d10:00 heart 50C\n0d10:00 unconfirmed heart\n0d11:00 by k6 heart 50C\n";
    check(&unit, hot, &[opened]);
    check(&unit, &format!("{hot} 0d12:00 confirmed heart"), &[opened, closed]);
    check(&unit, "0d09:00 heart 40C\n0d10:00 by k6 heart 50C", &[]);
}

#[test]
fn a_spot_colder_than_the_air_and_all_others_for_half_a_day_is_in_doubt() {
    let unit = [Kind::WrongUnit];
    let others = "0d00:00..2d00:00/10m toe 14C..40C\n0d00:00..2d00:00/10m shed 12C\n";
    // 14 C rising to 30 C, read as Fahrenheit: -10 C to -1 C.
    let wrong = format!("{others} 0d00:00..1d00:00/10m heart 14F..30F");
    let opened = "0d12:00 WrongUnit heart/k1 opened note";
    check(&unit, &wrong, &[opened]);
    check(
        &unit,
        &format!("{wrong}\n1d00:10..1d01:00/10m heart 30C"),
        &[opened, "1d00:10 WrongUnit heart/k1 closed note"],
    );
    // A cold toe of a warm pile, and frost in the barn.
    check(&unit, "0d00:00..2d00:00/10m heart 40C\n0d00:00..2d00:00/10m toe 10C", &[]);
    check(
        &unit,
        "0d00:00..2d00:00/10m toe -8C\n0d00:00..2d00:00/10m heart 20C\n0d00:00..2d00:00/10m shed 0C",
        &[],
    );
    // Without a probe in the air frost is the bound.
    let frost = "0d00:00..0d13:00/10m toe -8C\n";
    check(
        &unit,
        &format!("{frost} 0d00:00..0d13:00/10m heart 20C"),
        &["0d12:10 WrongUnit toe/k3 opened note"],
    );
    check(&unit, frost, &[]);
}

#[test]
fn air_above_50_c_is_in_doubt() {
    let unit = [Kind::WrongUnit];
    check(
        &unit,
        "0d01:00..0d02:00/10m shed 62C\n0d02:10 shed 20C",
        &["0d01:20 WrongUnit shed/k5 opened note", "0d02:10 WrongUnit shed/k5 closed note"],
    );
    check(&unit, "0d01:00..0d02:00/10m shed 50C", &[]);
}

#[test]
fn batteries_are_judged_by_the_best_of_a_day() {
    let battery = [Kind::BatteryLow];
    check(
        &battery,
        "0d06:00..4d06:00/1d battery heart 15\n0d14:00..2d14:00/1d battery heart 21\n5d06:00..7d00:00/6h battery heart 90",
        &["4d00:00 BatteryLow heart/k1 opened note", "6d00:00 BatteryLow heart/k1 closed note"],
    );
    check(&battery, "0d06:00..8d06:00/6h battery heart 90..66", &["7d00:00 BatteryLow heart/k1 opened note"]);
    check(&battery, "0d06:00..30d06:00/6h battery heart 90..40\n0d07:00 battery toe 3100", &[]);
}

#[test]
fn a_probe_that_was_taken_out_has_no_open_case() {
    let mut known = pile(Method::AeratedStatic);
    let mut watch = Watch::new(&known, &Params::default());
    let mut found: Vec<Finding> = Vec::new();
    for event in events("0d10:00 heart 60C\n0d10:10..0d11:00/10m fault heart 85C") {
        found.extend(watch.step(&event));
    }
    known.placements[0].until = Some(instant("0d11:05"));
    watch.set_pile(&known);
    found.extend(watch.step(&Event::Tick(instant("0d11:20"))));
    let texts: Vec<String> = found.iter().filter(|f| f.kind == Kind::ProbeFaulty).map(text).collect();
    assert_eq!(
        texts,
        ["0d10:30 ProbeFaulty heart/k1 opened note", "0d11:05 ProbeFaulty heart/k1 closed note"]
    );

    // Known from the beginning, as in a replay, the end is the same.
    let mut replay = Watch::new(&known, &Params::default());
    let script = events("0d10:00 heart 60C\n0d10:10..0d11:00/10m fault heart 85C\n0d11:20 tick");
    let again: Vec<Finding> = script.iter().flat_map(|event| replay.step(event)).collect();
    assert_eq!(again, found);
}

/// Common practice: a warning at 20 %, or at a fall of more than 15 points in a week.
#[test]
fn the_limits_of_a_battery() {
    let battery = |script: &str, expected: &[&str]| check(&[Kind::BatteryLow], script, expected);
    let (opened, closed) =
        ("1d00:00 BatteryLow heart/k1 opened note", "2d00:00 BatteryLow heart/k1 closed note");
    battery("0d06:00..2d00:00/6h battery heart 20", &[opened]);
    battery("0d06:00..2d00:00/6h battery heart 0", &[opened]);
    battery("0d06:00..2d00:00/6h battery heart 20.5", &[]);
    battery("0d06:00 battery heart 15\n1d06:00..3d00:00/6h battery heart 30", &[opened, closed]);
    battery("0d06:00 battery heart 15\n1d06:00..3d00:00/6h battery heart 29.5", &[opened]);
    battery("0d06:00 battery heart 90\n1d06:00..3d00:00/6h battery heart 75", &[]);
    battery(
        "0d06:00 battery heart 90\n1d06:00..3d00:00/6h battery heart 74.5",
        &["2d00:00 BatteryLow heart/k1 opened note"],
    );
    // The eighth day looks back to the first; the ninth no longer does.
    let slow = "0d06:00 battery heart 90\n1d06:00..6d18:00/12h battery heart 76\n";
    battery(
        &format!("{slow} 7d06:00..9d00:00/6h battery heart 74.5"),
        &["8d00:00 BatteryLow heart/k1 opened note", "9d00:00 BatteryLow heart/k1 closed note"],
    );
    battery(&format!("{slow} 7d06:00 battery heart 76\n8d06:00..10d00:00/6h battery heart 74.5"), &[]);
}

/// The findings of some kinds when the placements change between two scripts.
fn placed_anew(kinds: &[Kind], first: &str, change: fn(&mut Pile), second: &str) -> Vec<String> {
    let mut known = pile(Method::AeratedStatic);
    let mut watch = Watch::new(&known, &Params::default());
    let mut found: Vec<Finding> = events(first).iter().flat_map(|event| watch.step(event)).collect();
    change(&mut known);
    watch.set_pile(&known);
    found.extend(events(second).iter().flat_map(|event| watch.step(event)));
    found.iter().filter(|finding| kinds.contains(&finding.kind)).map(text).collect()
}

#[test]
fn what_is_said_of_a_probe_ends_when_it_is_taken_out_and_not_before() {
    let out = format!("{OTHERS} 0d00:00..1d00:00/10m toe 45C\n1d00:10..1d04:00/10m toe 17C");
    let taken_out = |known: &mut Pile| known.placements[2].until = Some(instant("2d06:00"));
    assert_eq!(
        placed_anew(&[Kind::ProbePulledOut], &out, taken_out, "2d05:00 tick\n2d07:00 tick"),
        ["1d03:10 ProbePulledOut toe/k3 opened act", "2d06:00 ProbePulledOut toe/k3 closed act"]
    );
    let heart = |known: &mut Pile| known.placements[0].until = Some(instant("0d05:00"));
    assert_eq!(
        placed_anew(&[Kind::WrongUnit], "0d01:00 heart 50C", heart, "0d04:00 tick\n0d06:00 tick"),
        ["0d01:00 WrongUnit heart/k1 opened note", "0d05:00 WrongUnit heart/k1 closed note"]
    );
}

#[test]
fn a_placement_that_begins_later_answers_whether_a_probe_was_moved() {
    let dip = format!(
        "{OTHERS} 0d00:00..1d00:00/10m toe 45C\n1d00:10..1d00:50/10m toe 16C\n1d01:00..2d00:00/10m toe 56C"
    );
    let again = |known: &mut Pile| {
        let mut placement = known.placements[2].clone();
        placement.from = instant("2d03:00");
        known.placements.push(placement);
    };
    assert_eq!(
        placed_anew(&[Kind::ProbeMoved], &dip, again, "2d02:00 tick\n2d04:00 tick"),
        ["1d01:30 ProbeMoved toe/k3 opened note", "2d03:00 ProbeMoved toe/k3 closed note"]
    );
}

#[test]
fn the_last_ten_readings_of_a_probe_are_looked_at() {
    let faulty = [Kind::ProbeFaulty];
    let alternate =
        "0d10:00..0d10:40/20m fault heart 85C\n0d10:10..0d10:50/20m heart 60C\n0d11:00 fault heart 85C
        0d11:10..0d11:20/10m heart 60C\n";
    check(
        &faulty,
        &format!("{alternate} 0d11:30 fault heart 85C"),
        &["0d11:30 ProbeFaulty heart/k1 opened note"],
    );
    check(&faulty, &format!("{alternate} 0d11:30 heart 60C\n0d11:40 fault heart 85C"), &[]);
}

#[test]
fn a_faulty_probe_is_worth_a_text_only_if_it_may_cost_a_run() {
    let faulty = [Kind::ProbeFaulty];
    let goes_bad = |spot: &str| format!("0d10:10..0d13:00/10m fault {spot} 85C\n");
    let heart = ["0d10:30 ProbeFaulty heart/k1 opened note"];
    check(&faulty, &format!("{} 0d10:00 heart 40C", goes_bad("heart")), &heart);
    let done = "0d10:00 heart 60C\n0d10:00 run heart 20h\n0d10:05 qualified heart";
    check(&faulty, &format!("{} {done}", goes_bad("heart")), &heart);
    let second = "0d10:00 lid 60C\n0d10:00 run lid 20h";
    check(&faulty, &format!("{} {second}", goes_bad("lid")), &["0d10:30 ProbeFaulty lid/k4 opened note"]);
}

#[test]
fn a_spot_near_the_coldest_of_the_others_or_of_no_value_in_the_other_unit_is_not_in_doubt() {
    let unit = [Kind::WrongUnit];
    let others = |toe: &str| format!("0d00:00..0d14:00/10m toe {toe}\n0d00:00..0d14:00/10m south-side 25C\n");
    let opened = ["0d12:00 WrongUnit heart/k1 opened note"];
    // -5 C is 23 F; -10 C is 14 F, at most 5 below the coldest of the others.
    check(&unit, &format!("{} 0d00:00..0d14:00/10m heart -5C", others("0C")), &[]);
    check(&unit, &format!("{} 0d00:00..0d14:00/10m heart -5C", others("6C")), &opened);
    check(&unit, &format!("{} 0d00:00..0d14:00/10m heart -10C", others("20C")), &[]);
    check(&unit, &format!("{} 0d00:00..0d14:00/10m heart -10C", others("19C")), &opened);
}

#[test]
fn a_low_battery_and_a_stuck_probe_are_no_matter_once_it_is_taken_out() {
    let heart = |known: &mut Pile| known.placements[0].until = Some(instant("1d05:00"));
    assert_eq!(
        placed_anew(&[Kind::BatteryLow], "0d06:00..1d00:00/6h battery heart 15", heart, "1d06:00 tick"),
        ["1d00:00 BatteryLow heart/k1 opened note", "1d05:00 BatteryLow heart/k1 closed note"]
    );
    let stuck = "0d00:00 heart 60C\n0d00:10 heart 60.0625C\n0d00:20..1d04:00/10m heart 60.0625C";
    assert_eq!(
        placed_anew(&[Kind::ProbeStuck], stuck, heart, "1d06:00 tick"),
        [
            "0d06:10 ProbeStuck heart/k1 opened note",
            "0d16:10 ProbeStuck heart/k1 worsened act",
            "1d05:00 ProbeStuck heart/k1 closed act"
        ]
    );
}

#[test]
fn what_is_no_battery_and_what_is_no_fault_is_not_taken_for_one() {
    check(&[Kind::BatteryLow], "0d06:00..2d00:00/6h moisture heart 15", &[]);
    check(&[Kind::ProbeFaulty], "0d10:00 heart 60C\n0d10:10..0d11:00/10m held heart 85C", &[]);
}

#[test]
fn the_finest_step_so_far_says_how_fine_a_probe_is() {
    check(
        &[Kind::ProbeStuck],
        "0d00:00 heart 60C\n0d00:10 heart 60.0625C\n0d00:20 heart 60.5625C\n0d00:30..0d10:00/10m heart 60.5625C",
        &["0d06:20 ProbeStuck heart/k1 opened note"],
    );
}

#[test]
fn near_the_air_in_a_pile_that_is_cool_everywhere_a_probe_is_not_pulled_out() {
    check(
        &[Kind::ProbePulledOut],
        "0d00:00..2d00:00/10m shed 15C\n0d00:00..2d00:00/10m heart 25C\n0d00:00..1d00:00/10m toe 45C
         1d00:10..1d06:00/10m toe 17C",
        &[],
    );
}
