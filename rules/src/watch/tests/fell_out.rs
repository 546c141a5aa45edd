use super::*;

fn check(script: &str, expected: &[&str]) {
    super::check(&[Kind::FellOutEarly], script, expected);
}

#[test]
fn a_broken_run_is_a_note_and_ends_when_the_spot_is_back() {
    check(
        "1d00:00 heart 140F\n1d00:00 run heart 10h\n1d00:10..1d05:00/10m heart 140F..128F
         1d05:10..1d08:00/10m heart 128F..136F",
        &["1d03:50 FellOutEarly heart opened note", "1d07:00 FellOutEarly heart closed note"],
    );
    check("1d00:00..1d05:00/10m heart 140F..128F", &[]);
}

#[test]
fn a_pile_below_131_f_for_a_day_without_having_qualified_is_worth_a_text() {
    check(
        "0d00:00..1d00:00/1h heart 60F..140F\n1d01:00..2d01:00/1h heart 140F\n2d02:00..5d00:00/1h heart 130F..110F
         0d00:00..5d00:00/1h toe 100F\n0d00:00..5d00:00/1h south-side 100F\n0d01:00 unmet",
        &["2d02:00 FellOutEarly heart opened note", "3d02:00 FellOutEarly pile opened act"],
    );
}

#[test]
fn a_qualified_pile_that_cools_young_is_a_note_and_a_finished_one_nothing() {
    let hot = "0d00:00..1d00:00/1h heart 60F..140F\n1d01:00..6d00:00/1h heart 140F\n6d00:00 met\n";
    check(&format!("{hot} 6d01:00..8d00:00/1h heart 130F..128F"), &["7d01:00 FellOutEarly pile opened note"]);
    check(
        &format!(
            "{hot} 6d00:00 qualified heart\n6d01:00..22d00:00/1h heart 140F..131F\n22d01:00..30d00:00/1h heart 130F..115F"
        ),
        &[],
    );
    check(
        &format!(
            "{hot} 6d00:00 qualified heart\n6d01:00..22d00:00/1h heart 140F..131F\n22d01:00..26d00:00/1h heart 130F..80F"
        ),
        &["24d00:00 FellOutEarly pile opened note"],
    );
}

#[test]
fn fresh_material_ends_it() {
    check(
        "1d00:00 heart 140F\n1d00:00 run heart 10h\n1d00:10..1d05:00/10m heart 140F..128F\n1d06:00 material-added",
        &["1d03:50 FellOutEarly heart opened note", "1d06:00 FellOutEarly heart closed note"],
    );
}

#[test]
fn where_no_standard_asks_for_heat_it_is_only_a_note() {
    check(
        "0d00:00..1d00:00/1h heart 60F..140F\n1d01:00..5d00:00/1h heart 130F..110F",
        &["2d01:00 FellOutEarly pile opened note"],
    );
}

#[test]
fn a_pile_that_came_back_after_watering_was_dry_and_is_not_finished() {
    // Qualified and more than three weeks old at 112 F: finished. It is watered, and comes back.
    let told = |entry: &str, back: &str| {
        let script = format!(
            "0d00:00..1d00:00/1h heart 60F..140F\n1d01:00..6d00:00/1h heart 140F\n6d00:00 met\n6d00:00 qualified heart
             6d01:00..22d00:00/1h heart 140F..112F\n22d00:00 {entry}
             22d01:00..23d00:00/1h heart 112F..{back}\n23d01:00..35d00:00/1h heart {back}"
        );
        let found = play(Method::AeratedStatic, &script);
        let late = found.iter().filter(|f| f.kind == Kind::FellOutEarly && f.at > instant("21d00:00"));
        late.map(text).collect::<Vec<_>>()
    };
    let opened = "22d21:00 FellOutEarly pile opened note";
    // What it says holds for a week after the last reading within two days of watering.
    assert_eq!(told("watered", "124F"), [opened, "32d00:00 FellOutEarly pile closed note"]);
    assert_eq!(told("watered", "122F"), [""; 0]);
    assert_eq!(told("aeration", "124F"), [""; 0]);
}

#[test]
fn what_never_was_hot_did_not_fall_out() {
    check("0d01:00 unmet\n0d00:00..5d00:00/1h heart 100F\n0d00:00..5d00:00/1h toe 90F", &[]);
}

#[test]
fn while_one_spot_is_hot_the_pile_has_not_fallen_out_and_once_it_is_met_its_text_is_over() {
    let heart = "0d01:00 unmet\n0d00:00..1d00:00/1h heart 60F..140F\n1d01:00..2d01:00/1h heart 140F
        2d02:00..5d00:00/1h heart 130F..110F\n";
    let note = "2d02:00 FellOutEarly heart opened note";
    check(&format!("{heart} 0d00:00..1d00:00/1h toe 60F..140F\n1d01:00..5d00:00/1h toe 140F"), &[note]);
    check(
        &format!("{heart} 4d00:30 met\n4d00:30 qualified heart"),
        &[
            note,
            "3d02:00 FellOutEarly pile opened act",
            "4d00:30 FellOutEarly pile closed act",
            "4d00:30 FellOutEarly heart closed note",
            "4d01:00 FellOutEarly pile opened note",
        ],
    );
}
