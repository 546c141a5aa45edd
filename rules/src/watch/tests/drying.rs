use super::*;

fn check(script: &str, expected: &[&str]) {
    super::check(&[Kind::Drying], script, expected);
}

#[test]
fn a_trend_that_reaches_45_percent_within_three_days_is_told_with_a_second_sign() {
    // From 60 % at 1.5 points a day, while the core cools.
    check(
        "0d00:00..9d00:00/1h moisture heart 60..46.5\n0d00:00..9d00:00/1h heart 150F..140F",
        &["8d00:00 Drying heart opened act"],
    );
    check(
        "0d00:00..9d00:00/1h moisture heart 60..46.5\n0d00:00..9d00:00/1h heart 140F..145F",
        &["8d00:00 Drying heart opened note"],
    );
    check(
        "0d00:00..9d00:00/1h moisture heart 60..46.5\n0d00:00..9d00:00/1h heart 151F",
        &["8d00:00 Drying heart opened act"],
    );
    check("0d00:00..9d00:00/1h moisture heart 60..46.5", &["8d00:00 Drying heart opened act"]);
}

#[test]
fn a_slow_fall_or_a_far_limit_is_not_told() {
    check("0d00:00..20d00:00/1h moisture heart 60..57\n0d00:00..20d00:00/1h heart 150F..140F", &[]);
    check("0d00:00..9d00:00/1h moisture heart 70..61", &[]);
}

#[test]
fn below_the_limit_now_needs_no_trend() {
    check("0d00:00..4d00:00/1h moisture heart 44", &["2d00:00 Drying heart opened act"]);
}

#[test]
fn watering_ends_it_and_begins_a_new_window_and_it_opens_at_most_every_72_h() {
    check(
        "0d00:00..4d00:00/1h moisture heart 44\n3d00:00 watered\n4d01:00..9d00:00/1h moisture heart 44",
        &[
            "2d00:00 Drying heart opened act",
            "3d00:00 Drying heart closed act",
            "5d00:00 Drying heart opened act",
        ],
    );
    check(
        "0d00:00..3d00:00/1h moisture heart 44\n3d01:00..6d00:00/1h moisture heart 50",
        &["2d00:00 Drying heart opened act", "4d00:00 Drying heart closed act"],
    );
}

#[test]
fn the_water_to_add_is_told_where_the_dry_mass_is_known() {
    let mut params = Params::default();
    params.drying.dry_mass_kg = Some(1300.0);
    let mut watch = Watch::new(&pile(Method::AeratedStatic), &params);
    let script = events("0d00:00..3d00:00/1h moisture heart 40");
    let found: Vec<Finding> = script.iter().flat_map(|event| watch.step(event)).collect();
    let litres = found.iter().find_map(|finding| finding.figures.water_litres).expect("litres");
    assert!((litres - 722.2).abs() < 0.1, "{litres}");
}

#[test]
fn impossible_values_and_the_first_day_in_the_material_say_nothing() {
    check("0d00:00..1d00:00/1h moisture heart 40\n1d01:00..5d00:00/1h moisture heart 52", &[]);
    check("0d00:00..5d00:00/1h moisture heart 101", &[]);
}

#[test]
fn the_limits_of_opening_and_closing() {
    check("0d00:00..4d00:00/1h moisture heart 45", &[]);
    check("0d00:00..4d00:00/1h battery heart 44", &[]);
    let opened = "2d00:00 Drying heart opened act";
    let low = "0d00:00..3d00:00/1h moisture heart 44\n";
    check(&format!("{low} 3d01:00..6d00:00/1h moisture heart 47"), &[opened]);
    check(
        &format!("{low} 3d01:00..6d00:00/1h moisture heart 48.5"),
        &[opened, "4d00:00 Drying heart closed act"],
    );
    // Nothing heard of moisture for three days: nobody knows.
    check(&format!("{low} 4d00:00..9d00:00/1d tick"), &[opened, "6d00:00 Drying heart closed act"]);
    // A second opening not before 72 h after the first.
    check(
        &format!("{low} 3d00:30 watered\n3d01:00..9d00:00/1h moisture heart 44"),
        &[opened, "3d00:30 Drying heart closed act", "5d00:00 Drying heart opened act"],
    );
}

#[test]
fn a_trend_needs_five_days() {
    // Four points a day: on the fifth day 52 %, two days from the limit, but only four days are known.
    check("0d00:00..6d00:00/1h moisture heart 70..46", &["6d00:00 Drying heart opened act"]);
    check("0d00:00..5d00:00/1h moisture heart 70..50", &[]);
}

#[test]
fn the_probe_nearest_to_the_limit_speaks() {
    check(
        "0d00:00..3d00:00/1h moisture heart 44\n0d00:00..3d00:00/1h moisture toe 42",
        &["2d00:00 Drying toe opened act"],
    );
    // The heart falls towards it; the toe is lower and stays.
    check(
        "0d00:00..8d00:00/1h moisture heart 60..48\n0d00:00..8d00:00/1h moisture toe 47",
        &["8d00:00 Drying heart opened act"],
    );
}

#[test]
fn the_second_sign_and_the_recovery_begin_at_their_limits() {
    let trend = "0d00:00..9d00:00/1h moisture heart 60..46.5\n0d00:00..9d00:00/1h heart ";
    check(&format!("{trend}150F"), &["8d00:00 Drying heart opened act"]);
    check(&format!("{trend}149.5F"), &["8d00:00 Drying heart opened note"]);
    let low = "0d00:00..3d00:00/1h moisture heart 44\n";
    let opened = "2d00:00 Drying heart opened act";
    let closed = "4d00:00 Drying heart closed act";
    check(&format!("{low} 3d01:00..6d00:00/1h moisture heart 48"), &[opened, closed]);
    check(&format!("{low} 3d01:00..6d00:00/1h moisture heart 47.5"), &[opened]);
}

#[test]
fn an_open_one_is_worse_with_a_second_sign_and_stays_while_the_limit_is_not_far() {
    // The core warms until the eighth day and cools after it.
    check(
        "0d00:00..9d00:00/1h moisture heart 60..46.5\n0d00:00..8d00:00/1h heart 140F..145F
         8d01:00..9d00:00/1h heart 145F..140F",
        &["8d00:00 Drying heart opened note", "9d00:00 Drying heart worsened act"],
    );
    // 50 % at 1.5 points a day: more than three days to the limit, and less than five.
    check(
        "0d00:00..8d00:00/1h moisture heart 60..48\n8d01:00..9d00:00/1h moisture heart 50",
        &["8d00:00 Drying heart opened act"],
    );
    // 52 % leaves four days and two thirds, 53 % five days and a third: far enough.
    let falls = "0d00:00..8d00:00/1h moisture heart 60..48\n8d01:00..9d00:00/1h moisture heart";
    check(&format!("{falls} 52"), &["8d00:00 Drying heart opened act"]);
    check(&format!("{falls} 53"), &["8d00:00 Drying heart opened act", "9d00:00 Drying heart closed act"]);
}

#[test]
fn a_trend_is_of_the_last_seven_days() {
    // With the eighth day the fall would be plain, and 45 % less than three days away.
    let days = [62.5, 59.5, 56.5, 61.0, 54.5, 57.5, 55.0, 49.0];
    let script: Vec<String> = (1..)
        .zip(days)
        .map(|(day, percent)| format!("{day}d00:00..{day}d23:00/1h moisture heart {percent}"))
        .collect();
    check(&format!("0d00:00 moisture heart 62\n{}\n9d00:00 tick", script.join("\n")), &[]);
}
