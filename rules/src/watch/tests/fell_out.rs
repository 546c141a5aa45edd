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
