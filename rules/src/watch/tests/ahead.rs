use super::*;

fn check(script: &str, expected: &[&str]) {
    super::check(&[Kind::OverheatingAhead], script, expected);
}

#[test]
fn a_steady_rise_is_forecast_hours_before_160_f() {
    check(
        "0d00:00..0d20:00/10m heart 120F..160F",
        &["0d15:00 OverheatingAhead heart opened note", "0d16:10 OverheatingAhead heart worsened act"],
    );
}

#[test]
fn a_rise_that_levels_off_is_not_forecast() {
    check("0d00:00..0d20:00/10m heart 100F..138F\n0d20:10..3d00:00/10m heart 138F..148F", &[]);
    check("0d00:00..0d12:00/10m shed 100F..158F", &[]);
}

#[test]
fn it_ends_when_it_has_come_or_when_nothing_is_forecast_for_three_hours() {
    let rise = "0d00:00..0d10:00/10m heart 130F..155F\n";
    check(
        &format!("{rise} 0d10:10..0d20:00/10m heart 155F..150F"),
        &[
            "0d07:00 OverheatingAhead heart opened note",
            "0d08:10 OverheatingAhead heart worsened act",
            "0d15:00 OverheatingAhead heart closed act",
        ],
    );
    check(
        &format!("{rise} 0d10:10..0d11:00/10m heart 161F"),
        &[
            "0d07:00 OverheatingAhead heart opened note",
            "0d08:10 OverheatingAhead heart worsened act",
            "0d10:30 OverheatingAhead heart closed act",
        ],
    );
}

#[test]
fn it_rests_for_six_hours_before_it_speaks_again() {
    check(
        "0d00:00..0d10:00/10m heart 130F..155F\n0d10:10..0d15:00/10m heart 155F..152.5F
         0d15:10..0d23:00/10m heart 152.5F..159.5F",
        &[
            "0d07:00 OverheatingAhead heart opened note",
            "0d08:10 OverheatingAhead heart worsened act",
            "0d15:00 OverheatingAhead heart closed act",
            "0d21:00 OverheatingAhead heart opened act",
        ],
    );
}

#[test]
fn the_expected_instant_is_told() {
    let found = play(Method::AeratedStatic, "0d00:00..0d18:00/10m heart 120F..156F");
    let opened = found.iter().find(|finding| finding.kind == Kind::OverheatingAhead).expect("a forecast");
    let expected = opened.figures.expected_at.expect("an instant");
    // Straight on it would be there at 20:00; the damped trend is later.
    assert!(expected > instant("20:00") && expected < instant("1d02:00"), "{}", shown(expected));
}
