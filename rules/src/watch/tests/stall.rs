use super::*;

fn check(script: &str, expected: &[&str]) {
    super::check(&[Kind::SlowToHeat, Kind::Stalled, Kind::SpotShort], script, expected);
}

#[test]
fn a_pile_that_heats_in_time_is_never_slow() {
    check("0d00:00..2d12:00/1h heart 60F..135F\n2d13:00..9d00:00/1h heart 135F..90F", &[]);
}

#[test]
fn slow_is_a_note_after_three_days_and_a_text_after_four() {
    check(
        "0d00:00..5d00:00/1h heart 60F..135F",
        &[
            "3d00:00 SlowToHeat pile opened note",
            "4d00:00 SlowToHeat pile worsened act",
            "4d18:00 SlowToHeat pile closed act",
        ],
    );
}

#[test]
fn a_pile_on_no_way_to_131_f_is_stalled_after_three_days_and_told_once() {
    check(
        "0d00:00..1d00:00/1h heart 60F..90F\n1d01:00..8d00:00/1h heart 90F\n1d01:00..8d00:00/1h toe 80F",
        &["3d00:00 Stalled pile opened act", "3d00:00 SlowToHeat pile opened note"],
    );
}

#[test]
fn in_frost_it_has_a_day_more() {
    check(
        "0d00:00..8d00:00/1h shed 20F\n0d00:00..1d00:00/1h heart 60F..90F\n1d01:00..5d00:00/1h heart 90F",
        &["4d00:00 Stalled pile opened act", "4d00:00 SlowToHeat pile opened note"],
    );
}

#[test]
fn after_seven_days_it_is_stalled_whatever_the_trend() {
    check(
        "0d00:00..4d00:00/1h heart 60F..121F\n4d01:00..7d12:00/1h heart 121F..130F",
        &[
            "3d00:00 SlowToHeat pile opened note",
            "4d00:00 SlowToHeat pile worsened act",
            "7d00:00 Stalled pile opened act",
        ],
    );
}

#[test]
fn without_readings_nothing_is_said_and_a_turn_begins_anew() {
    check("0d00:00 heart 60F\n9d00:00 tick", &[]);
    check(
        "0d00:00..4d12:00/1h heart 60F..110F\n4d12:00 turned\n4d13:00..6d00:00/1h heart 80F..132F",
        &[
            "3d00:00 SlowToHeat pile opened note",
            "4d00:00 SlowToHeat pile worsened act",
            "4d12:00 SlowToHeat pile closed act",
        ],
    );
}

#[test]
fn a_qualified_pile_that_was_turned_is_not_slow() {
    check(
        "0d00:00..1d00:00/1h heart 60F..140F\n1d01:00..5d00:00/1h heart 140F\n5d00:00 met\n5d01:00 turned
         5d02:00..12d00:00/1h heart 90F",
        &[],
    );
}

#[test]
fn one_spot_that_will_not_get_there_is_told_when_another_is_done() {
    let core =
        "0d00:00..1d00:00/1h heart 60F..150F\n1d01:00..8d00:00/1h heart 150F\n4d00:00 qualified heart\n";
    check(&format!("{core} 0d00:00..8d00:00/1h toe 100F"), &["4d00:00 SpotShort toe opened act"]);
    check(&format!("{core} 0d00:00..8d00:00/1h toe 70F..140F"), &[]);
    check(
        &format!("{core} 0d00:00..5d00:00/1h toe 100F\n5d01:00..6d00:00/1h toe 100F..140F"),
        &["4d00:00 SpotShort toe opened act", "5d20:00 SpotShort toe closed act"],
    );
    check(
        &format!("{core} 0d00:00..8d00:00/1h toe 100F\n4d12:00 give-up toe"),
        &["4d00:00 SpotShort toe opened act", "4d12:00 SpotShort toe closed act"],
    );
}

#[test]
fn the_instant_is_exact_though_no_reading_comes_then() {
    check("0d00:00..2d23:30/30m heart 60F..110F\n3d20:00 tick", &["3d00:00 SlowToHeat pile opened note"]);
    check(
        "0d00:00..3d23:30/30m heart 60F..120F\n4d20:00 tick",
        &["3d00:00 SlowToHeat pile opened note", "4d00:00 SlowToHeat pile worsened act"],
    );
    let slow = ["3d00:00 SlowToHeat pile opened note", "4d00:00 SlowToHeat pile worsened act"];
    check(
        "0d00:00..4d00:00/1h heart 60F..121F\n4d01:00..6d23:00/1h heart 121F..130F\n7d20:00 tick",
        &[slow[0], slow[1], "7d00:00 Stalled pile opened act"],
    );
    let frost = "0d00:00..8d00:00/1h shed 20F\n";
    check(&format!("{frost} 0d00:00..2d23:30/30m heart 60F..110F\n3d20:00 tick"), &[]);
    check(
        &format!("{frost} 0d00:00..4d23:30/30m heart 60F..127F\n5d20:00 tick"),
        &["4d00:00 SlowToHeat pile opened note", "5d00:00 SlowToHeat pile worsened act"],
    );
}

#[test]
fn after_a_turn_inside_a_day_the_instant_is_exact_too() {
    let turned = "0d11:00 heart 70F\n0d12:00 turned\n";
    let slow = ["3d12:00 SlowToHeat pile opened note", "4d12:00 SlowToHeat pile worsened act"];
    check(&format!("{turned} 0d12:30..3d11:30/30m heart 60F..110F\n3d20:00 tick"), &slow[..1]);
    check(&format!("{turned} 0d12:30..4d11:30/30m heart 60F..120F\n4d20:00 tick"), &slow);
    check(
        &format!(
            "{turned} 0d12:30..4d12:00/30m heart 60F..121F\n4d12:30..7d11:30/30m heart 121F..130F\n7d20:00 tick"
        ),
        &[slow[0], slow[1], "7d12:00 Stalled pile opened act"],
    );
    let frost = "0d00:00..8d00:00/30m shed 20F\n";
    check(
        &format!("{turned} {frost} 0d12:30..4d11:30/30m heart 60F..120F"),
        &["4d12:00 SlowToHeat pile opened note"],
    );
    check(
        &format!("{turned} {frost} 0d12:30..5d11:30/30m heart 60F..127F"),
        &["4d12:00 SlowToHeat pile opened note", "5d12:00 SlowToHeat pile worsened act"],
    );
}

#[test]
fn frost_is_what_the_last_complete_day_was() {
    check(
        "0d00:00..2d23:00/1h shed 20F\n3d00:00..8d00:00/1h shed 50F\n0d00:00..4d12:00/1h heart 60F..125F",
        &["4d00:00 SlowToHeat pile opened note", "4d00:00 SlowToHeat pile worsened act"],
    );
}

#[test]
fn a_spot_that_would_need_more_than_four_days_is_short_too() {
    let core =
        "0d00:00..1d00:00/1h heart 60F..150F\n1d01:00..8d00:00/1h heart 150F\n4d00:00 qualified heart\n";
    check(&format!("{core} 0d00:00..8d00:00/1h toe 90F..100F"), &["4d00:00 SpotShort toe opened act"]);
}
