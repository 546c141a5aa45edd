use super::*;

fn check(script: &str, expected: &[&str]) {
    super::check(&[Kind::RunAtRisk], script, expected);
}

#[test]
fn a_falling_spot_with_hours_to_save_is_told_once_before_131_f() {
    // From 138 to 133 F at 1 F an hour with 41 h counted.
    check(
        "1d17:00 toe 138F
         1d17:00 run toe 41h
         1d17:10..2d00:00/10m toe 137.8F..131F",
        &["1d22:00 RunAtRisk toe opened act", "2d00:00 RunAtRisk toe worsened urgent"],
    );
}

#[test]
fn with_few_hours_counted_or_without_a_fall_nothing_is_told() {
    check("0d17:00 toe 138F\n0d17:00 run toe 3h\n0d17:10..1d00:00/10m toe 137.8F..131F", &[]);
    check("0d17:00 toe 132F\n0d17:00 run toe 41h\n0d17:10..1d17:00/10m toe 132F", &[]);
    check("0d17:00 lid 138F\n0d17:00 run lid 41h\n0d17:10..1d00:00/10m lid 137.8F..131F", &[]);
}

#[test]
fn from_48_hours_on_it_breaks_the_quiet_hours() {
    check(
        "2d17:00 toe 138F\n2d17:00 run toe 41h\n2d17:10..3d00:00/10m toe 137.8F..132F\n3d00:10..3d02:00/10m toe 132F",
        &["2d22:50 RunAtRisk toe opened act", "3d00:00 RunAtRisk toe worsened urgent"],
    );
    check(
        "2d17:00 toe 138F\n2d17:00 run toe 60h\n2d17:10..3d00:00/10m toe 137.8F..132F",
        &["2d22:50 RunAtRisk toe opened urgent"],
    );
}

#[test]
fn saved_is_an_hour_above_136_f() {
    check(
        "1d17:00 toe 138F\n1d17:00 run toe 30h\n1d17:10..2d00:00/10m toe 137.8F..132F
         2d00:10..2d03:00/10m toe 132F..138F\n2d03:10..2d04:00/10m toe 138F",
        &["1d22:50 RunAtRisk toe opened act", "2d03:10 RunAtRisk toe closed act"],
    );
}

#[test]
fn hours_that_go_by_above_136_f_are_no_bad_news() {
    check(
        "1d17:00 toe 138F\n1d17:00 run toe 41h\n1d17:10..1d23:00/10m toe 137.8F..132F
         1d23:10..1d23:50/10m toe 138F..139F\n2d00:00 toe 139F\n2d00:10 toe 139F\n2d00:20 toe 139F",
        &["1d22:00 RunAtRisk toe opened act", "2d00:10 RunAtRisk toe closed act"],
    );
}

#[test]
fn broken_it_closes_with_the_reading_below_131_f_and_does_not_open_again() {
    let script = "1d17:00 toe 138F\n1d17:00 run toe 30h\n1d17:10..2d00:00/10m toe 137.8F..131.4F
         2d00:10 toe 130.9F\n2d00:10 broken toe\n2d00:20 toe 131.2F\n2d00:30..2d04:00/10m toe 131.2F";
    check(script, &["1d22:20 RunAtRisk toe opened act", "2d00:10 RunAtRisk toe closed act"]);
    let found = play(Method::AeratedStatic, script);
    let closed =
        found.iter().find(|f| f.kind == Kind::RunAtRisk && f.change == Change::Closed).expect("closed");
    assert!(closed.figures.temperature.expect("the reading").is_below(Celsius(55.0)));
    assert_eq!(closed.figures.counted, Some(Span::hours(37)));
}

#[test]
fn qualified_given_up_or_turned_there_is_nothing_left_to_save() {
    let risk = "1d17:00 toe 138F\n1d17:00 run toe 30h\n1d17:10..2d00:00/10m toe 137.8F..132F\n";
    for (ending, at) in [("qualified toe", "2d00:30"), ("give-up toe", "2d00:30"), ("turned", "2d00:30")] {
        let closed = format!("{at} RunAtRisk toe closed act").replace("2d00:30", "2d00:30");
        check(&format!("{risk} {at} {ending}"), &["1d22:50 RunAtRisk toe opened act", &closed]);
    }
}

#[test]
fn a_turned_windrow_is_excused_for_its_allowance() {
    let script = "5d00:00 toe 140F\n5d00:00 run toe 60h\n5d01:00 turned\n5d01:10..5d08:00/10m toe 100F..130F
        5d08:10..5d20:00/10m toe 131F..140F";
    let found = play(Method::Windrow, script);
    assert!(
        found.iter().all(|finding| finding.kind != Kind::RunAtRisk && finding.kind != Kind::FellOutEarly)
    );
}

#[test]
fn one_on_its_way_back_wakes_nobody_when_its_48_hours_come() {
    check(
        "2d17:00 toe 138F\n2d17:00 run toe 40h\n2d17:10..3d00:00/10m toe 137.8F..132F\n3d00:10..3d03:00/10m toe 132F..135.9F",
        &["2d22:50 RunAtRisk toe opened act"],
    );
}

#[test]
fn what_has_its_hours_has_nothing_left_to_lose_but_a_windrow_waits_for_its_turns() {
    let script = "4d17:00 toe 138F\n4d17:00 run toe 75h\n4d17:10..5d00:00/10m toe 137.8F..132F";
    let kinds = |method| -> Vec<String> {
        let found = play(method, script);
        found.iter().filter(|finding| finding.kind == Kind::RunAtRisk).map(text).collect()
    };
    assert_eq!(kinds(Method::AeratedStatic), [""; 0]);
    assert_eq!(kinds(Method::Windrow), ["4d22:50 RunAtRisk toe opened urgent"]);
}
