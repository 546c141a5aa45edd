use super::*;

fn check(script: &str, expected: &[&str]) {
    super::check(&[Kind::Overheating], script, expected);
}

#[test]
fn two_readings_above_160_f_spanning_15_min_open_it() {
    check("10:00 heart 161F\n10:14 heart 161F", &[]);
    check("10:00 heart 161F\n10:15 heart 161F", &["0d10:15 Overheating heart opened act"]);
    check("10:00 heart 161F\n10:05 heart 159F\n10:15 heart 161F\n10:29 heart 161F", &[]);
    check("10:00 heart 160F\n11:00 heart 160F", &[]);
    check("10:00 heart 161F\n10:20 fault heart 85C\n10:40 south-side 161F", &[]);
    check("10:00..12:00/10m shed 165F", &[]);
    check("10:00..10:20/10m lid 165F", &["0d10:20 Overheating lid opened act"]);
}

#[test]
fn levels_are_of_one_incident() {
    check(
        "10:00..18:00/10m heart 150F..186F
         18:10 heart 186F",
        &[
            "0d12:40 Overheating heart opened act",
            "0d14:50 Overheating heart worsened urgent",
            // 180 F and rising 4.5 F/h is not yet faster than 5 F/h; two readings at 185 F are enough.
            "0d18:00 Overheating heart worsened danger",
        ],
    );
    check("10:00 heart 179F\n10:15 heart 181F", &["0d10:15 Overheating heart opened danger"]);
    check("10:00 heart 170F\n11:00 heart 180F", &["0d11:00 Overheating heart opened danger"]);
    check(
        "10:00 heart 180F\n10:10 heart 182F\n10:20 heart 181.5F",
        &["0d10:20 Overheating heart opened urgent"],
    );
    check("10:00..10:40/10m heart 180F..184F", &["0d10:20 Overheating heart opened danger"]);
    check("10:00..10:40/10m heart 180F..183F", &["0d10:20 Overheating heart opened urgent"]);
    check("10:00 heart 185F\n10:01 heart 185F", &["0d10:01 Overheating heart opened danger"]);
    check("10:00 heart 185F\n10:01 heart 178F", &[]);
}

#[test]
fn the_step_of_a_sensor_is_no_steep_rise() {
    check(
        "10:00..11:00/2m heart 181F\n10:01..11:00/2m heart 181.2F",
        &["0d10:15 Overheating heart opened urgent"],
    );
}

#[test]
fn it_closes_when_every_spot_that_was_hot_has_been_calm_for_half_an_hour() {
    let hot = "10:00..10:20/10m heart 165F\n10:10 toe 156F\n";
    let opened = "0d10:20 Overheating heart opened act";
    check(&format!("{hot} 10:30..11:00/10m heart 154F"), &[opened]);
    check(
        &format!("{hot} 10:30..11:30/10m heart 154F\n10:40..11:20/10m toe 150F"),
        &[opened, "0d11:10 Overheating heart closed act"],
    );
    check(
        &format!(
            "{hot} 10:30..11:30/10m heart 154F\n10:40 toe 150F\n11:00 toe 155F\n11:10..11:40/10m toe 154F"
        ),
        &[opened, "0d11:40 Overheating heart closed act"],
    );
}

#[test]
fn the_peak_is_the_hottest_of_all_spots_from_the_first_opening_reading_on() {
    let script = "09:55 toe 168F\n10:00 heart 161F\n10:05 toe 166F\n10:20 heart 162F\n10:30 lid 167F
        10:40..11:20/10m heart 150F\n10:40..11:20/10m toe 150F\n10:40..11:20/10m lid 150F";
    let found = play(Method::AeratedStatic, script);
    let opened = found.iter().find(|finding| finding.kind == Kind::Overheating).expect("it is hot");
    assert_eq!(opened.figures.read_spot, Some(SpotName::new("heart")));
    let peaks: Vec<(Change, String)> = found
        .iter()
        .filter(|finding| finding.kind == Kind::Overheating)
        .map(|finding| (finding.change, format!("{:.1}", finding.figures.worst.expect("a peak").to_f())))
        .collect();
    assert_eq!(peaks, [(Change::Opened, "166.0".into()), (Change::Closed, "167.0".into())]);
}

#[test]
fn readings_of_one_instant_are_the_hottest_of_them() {
    check(
        "10:00 heart 165F\n10:15 heart 158F\n10:15 hand heart 163F",
        &["0d10:15 Overheating heart opened act"],
    );
    check(
        "10:00 heart 165F\n10:15 hand heart 163F\n10:15 heart 158F\n10:20 heart 162F",
        &["0d10:15 Overheating heart opened act"],
    );
}

#[test]
fn the_cooler_of_two_readings_of_one_instant_does_not_break_what_the_hotter_has_begun() {
    check(
        "10:00 heart 165F\n10:05 hand heart 163F\n10:05 heart 158F\n10:15 heart 163F",
        &["0d10:15 Overheating heart opened act"],
    );
}

#[test]
fn a_late_peak_opens_nothing() {
    let pile = pile(Method::AeratedStatic);
    let mut watch = Watch::new(&pile, &Params::default());
    let mut found = Vec::new();
    for event in
        events("10:00 heart 150F\n13:00 heart 150F").iter().chain(&events("11:00..12:00/10m heart 165F"))
    {
        found.extend(watch.step(event));
    }
    assert!(found.iter().all(|finding| finding.kind != Kind::Overheating), "{found:?}");
}

#[test]
fn what_is_older_than_the_newest_of_its_spot_opens_nothing() {
    let mut watch = Watch::new(&pile(Method::AeratedStatic), &Params::default());
    let late = events("12:00..12:20/10m heart 165F");
    let found: Vec<Finding> = events("11:00 heart 150F\n12:30 heart 150F")
        .iter()
        .chain(&late)
        .flat_map(|event| watch.step(event))
        .collect();
    assert!(found.iter().all(|finding| finding.kind != Kind::Overheating), "{found:?}");
}

#[test]
fn used_up_it_is_over() {
    check(
        "10:00..10:20/10m heart 165F\n11:00 used\n11:10..11:40/10m heart 165F",
        &["0d10:20 Overheating heart opened act", "0d11:00 Overheating heart closed act"],
    );
}
