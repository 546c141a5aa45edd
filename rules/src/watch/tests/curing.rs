use super::*;

fn check(script: &str, expected: &[&str]) {
    super::check(&[Kind::Cured, Kind::Reheating], script, expected);
}

#[test]
fn cured_is_a_month_and_a_week_near_the_air() {
    check(
        "0d00:00..70d00:00/1h shed 60F\n0d00:00..20d00:00/1h heart 140F\n20d00:00 curing
         20d01:00..45d00:00/1h heart 110F..68F\n45d01:00..70d00:00/1h heart 68F",
        &["51d00:00 Cured pile opened note"],
    );
    check("0d00:00..70d00:00/1h heart 68F\n20d00:00 curing", &[]);
}

#[test]
fn a_rise_of_20_f_while_curing_is_reheating() {
    check(
        "0d00:00..70d00:00/1h shed 60F\n20d00:00 curing\n20d01:00..30d00:00/1h heart 110F..80F
         30d01:00..32d00:00/1h heart 80F..110F\n32d01:00..34d00:00/1h heart 110F\n34d01:00..40d00:00/1h heart 110F..80F",
        &["32d00:00 Reheating pile opened note", "39d00:00 Reheating pile closed note"],
    );
}

#[test]
fn the_first_two_days_after_the_move_are_no_measure_of_what_is_cool() {
    let moved = "0d00:00..40d00:00/1h shed 60F\n20d00:00 curing\n";
    check(&format!("{moved} 20d01:00..22d00:00/1h heart 80F\n22d01:00..30d00:00/1h heart 105F"), &[]);
    check(
        &format!("{moved} 20d01:00..23d00:00/1h heart 80F\n23d01:00..30d00:00/1h heart 105F"),
        &["24d00:00 Reheating pile opened note"],
    );
}

#[test]
fn what_is_as_warm_as_the_air_does_not_reheat() {
    let rise = "20d00:00 curing\n20d01:00..30d00:00/1h heart 80F\n30d01:00..34d00:00/1h heart 105F\n";
    let opened = "31d00:00 Reheating pile opened note";
    check(&format!("{rise} 0d00:00..34d00:00/1h shed 90F"), &[]);
    check(&format!("{rise} 0d00:00..34d00:00/1h shed 80F"), &[opened]);
    check(rise, &[opened]);
}
