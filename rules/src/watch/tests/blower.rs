use super::*;

fn check(script: &str, expected: &[&str]) {
    super::check(&[Kind::BlowerOff, Kind::BlowerStuckOn], script, expected);
}

/// Two minutes on, 28 off, seen every two minutes.
const CYCLE: &str = "0d00:00..1d00:00/30m blower shed 1\n0d00:02..1d00:00/30m blower shed 0\n0d00:28..1d00:00/30m blower shed 0\n";

#[test]
fn off_for_two_hours_is_worth_a_text_and_at_once_if_a_run_is_open_or_the_core_is_hot() {
    let off = "1d00:02..1d04:00/10m blower shed 0\n1d04:10 blower shed 1";
    check(
        &format!("{CYCLE} {off}"),
        &["1d02:02 BlowerOff pile opened act", "1d04:10 BlowerOff pile closed act"],
    );
    check(
        &format!("{CYCLE} {off}\n1d00:00 heart 152F"),
        &["1d02:02 BlowerOff pile opened urgent", "1d04:10 BlowerOff pile closed urgent"],
    );
    check(
        &format!("{CYCLE} {off}\n1d00:00 heart 140F\n1d03:00 heart 140F"),
        &["1d02:02 BlowerOff pile opened urgent", "1d04:10 BlowerOff pile closed urgent"],
    );
    check(&format!("{CYCLE} 0d00:00 curing\n{off}"), &[]);
}

#[test]
fn a_plug_that_speaks_only_of_changes_is_off_for_too_long_too() {
    let changes = "0d00:00..1d00:00/30m blower shed 1\n0d00:02..1d00:02/30m blower shed 0\n";
    check(&format!("{changes} 1d06:00 tick"), &["1d02:02 BlowerOff pile opened act"]);
    check(
        &format!("{changes} 1d05:00 blower shed 1"),
        &["1d02:02 BlowerOff pile opened act", "1d05:00 BlowerOff pile closed act"],
    );
    check(&format!("{changes} 1d02:01 blower shed 1\n1d09:00 tick"), &[]);
    // Of a cycle that is not known yet three times as long.
    check("0d00:00 blower shed 0\n0d07:00 tick", &["0d06:00 BlowerOff pile opened act"]);
}

#[test]
fn a_short_cycle_that_is_seldom_seen_has_its_own_limit() {
    // Seen on every three hours only: twelve hours are no more than usual.
    check("0d00:00..5d00:00/3h blower shed 1\n0d00:10..5d00:00/10m blower shed 0", &[]);
}

#[test]
fn on_without_a_pause_it_is_stuck_if_it_used_to_pause() {
    let on = "1d00:30..1d04:00/10m blower shed 1\n1d04:10 blower shed 0";
    check(
        &format!("{CYCLE} {on}"),
        &["1d02:00 BlowerStuckOn pile opened note", "1d04:10 BlowerStuckOn pile closed note"],
    );
    check(
        &format!("{CYCLE} {on}\n0d23:00 heart 140F"),
        &["1d02:00 BlowerStuckOn pile opened act", "1d04:10 BlowerStuckOn pile closed act"],
    );
    check("0d00:00..9d00:00/1h blower shed 1", &[]);
}

/// A saw-tooth of 2 °C every half hour in a spot, in steps of five minutes.
fn saw_tooth(spot: &str, from: i64, to: i64) -> String {
    saw_teeth([60.0, 59.3, 58.6, 60.0, 60.0, 60.0], spot, from, to)
}

fn saw_teeth(teeth: [f64; 6], spot: &str, from: i64, to: i64) -> String {
    let mut script = String::new();
    for half in from * 2..to * 2 {
        for (step, value) in teeth.iter().enumerate() {
            let at =
                At(0) + Span::minutes(half * 30) + Span::minutes(5 * i64::try_from(step).expect("small"));
            for part in [&shown(at), " ", spot, " ", &value.to_string(), "C\n"] {
                script.push_str(part);
            }
        }
    }
    script
}

#[test]
fn without_a_witness_of_its_own_the_ripple_that_is_gone_from_every_spot_is_one() {
    let ripple = |hours| format!("{}{}", saw_tooth("heart", 0, hours), saw_tooth("toe", 0, hours));
    let flat = "0d20:00..1d04:00/5m heart 60C\n0d20:00..1d04:00/5m toe 60C";
    check(&format!("{} {flat}", ripple(20)), &["0d22:00 BlowerOff pile opened urgent"]);
    check(
        &format!("{} {flat}\n{}", ripple(20), saw_tooth("heart", 29, 32)),
        &["0d22:00 BlowerOff pile opened urgent", "1d06:00 BlowerOff pile closed urgent"],
    );
    let one = format!("{}{}", saw_tooth("heart", 0, 20), saw_tooth("toe", 0, 28));
    check(&format!("{one} 0d20:00..1d04:00/5m heart 60C"), &[]);
    check(&format!("{} 0d19:00 blower shed 1\n{flat}", ripple(20)), &[]);
}

#[test]
fn a_ripple_is_back_at_its_usual_size_and_another_cycle_makes_another_usual() {
    let ripple = format!("{}{}", saw_tooth("heart", 0, 20), saw_tooth("toe", 0, 20));
    let flat = "0d20:00..1d04:00/5m heart 60C\n0d20:00..1d04:00/5m toe 60C\n";
    let small = saw_teeth([60.0, 59.8, 59.6, 60.0, 60.0, 60.0], "heart", 29, 34);
    check(&format!("{ripple} {flat} {small}"), &["0d22:00 BlowerOff pile opened urgent"]);
    check(&format!("{ripple} 0d20:00 aeration\n{flat}"), &[]);
    let found = play(Method::AeratedStatic, &format!("{ripple} {flat}"));
    let off = found.iter().find(|finding| finding.kind == Kind::BlowerOff).expect("it is off");
    assert_eq!(off.figures.since, Some(instant("20:00")));
}

#[test]
fn three_pauses_make_a_cycle_that_is_known() {
    let three = "0d00:00..0d01:30/30m blower shed 1\n0d00:02..0d01:32/30m blower shed 0\n";
    check(&format!("{three} 0d09:00 tick"), &["0d03:32 BlowerOff pile opened act"]);
    let two = "0d00:00..0d01:00/30m blower shed 1\n0d00:02..0d01:02/30m blower shed 0\n";
    check(&format!("{two} 0d09:00 tick"), &["0d07:02 BlowerOff pile opened act"]);
}

#[test]
fn only_the_blower_speaks_for_the_blower_and_its_late_word_changes_nothing() {
    let off = "0d00:00..0d05:50/10m blower shed 0\n";
    let opened = "0d06:00 BlowerOff pile opened act";
    check(&format!("{off} 0d05:55 moisture heart 50\n0d06:30 tick"), &[opened]);
    let mut watch = Watch::new(&pile(Method::AeratedStatic), &Params::default());
    let late = [events(off), events("0d05:40 blower shed 1"), events("0d06:30 tick")].concat();
    let found: Vec<Finding> = late.iter().flat_map(|event| watch.step(event)).collect();
    assert_eq!(found.iter().map(text).collect::<Vec<_>>(), [opened]);
}

#[test]
fn a_rest_of_a_ripple_or_a_steady_rise_is_no_ripple() {
    let ripple = format!("{}{}", saw_tooth("heart", 0, 20), saw_tooth("toe", 0, 20));
    let opened = ["0d22:00 BlowerOff pile opened urgent"];
    let rest = |spot| saw_teeth([60.0, 59.9, 59.8, 60.0, 60.0, 60.0], spot, 20, 28);
    check(&format!("{ripple}{}{}", rest("heart"), rest("toe")), &opened);
    check(&format!("{ripple} 0d20:00..1d04:00/5m heart 60C..88C\n0d20:00..1d04:00/5m toe 60C..88C"), &opened);
}
