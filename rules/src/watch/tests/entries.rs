//! What entries of the log end, and what they leave alone.

use super::*;

/// What an open case of each rule is made of, and how it shows.
const OPEN: [(Kind, &str); 12] = [
    (Kind::OverheatingAhead, "0d00:00..0d10:00/10m heart 130F..155F"),
    (Kind::RunAtRisk, "0d01:00 toe 138F\n0d01:00 run toe 30h\n0d01:10..0d08:00/10m toe 137.8F..132F"),
    (Kind::SlowToHeat, "0d00:00..3d08:00/1h heart 60F..110F"),
    (Kind::Stalled, "0d00:00..3d08:00/1h heart 60F"),
    (
        Kind::SpotShort,
        "0d00:00..1d00:00/1h heart 60F..150F\n1d01:00..4d08:00/1h heart 150F\n4d00:00 qualified heart
         0d00:00..4d08:00/1h toe 100F",
    ),
    (Kind::FellOutEarly, "1d00:00 heart 140F\n1d00:00 run heart 10h\n1d00:10..1d05:00/10m heart 140F..128F"),
    (
        Kind::ReadyToMove,
        "0d00:00..1d00:00/1h heart 60F..150F\n1d01:00..15d00:00/1h heart 150F..131F\n4d06:00 met\n4d07:00 give-up toe
         4d07:00 give-up south-side\n15d01:00..22d00:00/1h heart 131F..120F",
    ),
    (Kind::Drying, "0d00:00..3d00:00/1h moisture heart 44"),
    (Kind::ProbePulledOut, "0d00:00..0d10:00/10m shed 15C\n0d00:00..0d10:00/10m heart 60C\n0d00:00..0d05:00/10m toe 45C\n0d05:10..0d10:00/10m toe 17C"),
    (Kind::ProbeMoved, "0d00:00..0d10:00/10m shed 15C\n0d00:00..0d05:00/10m toe 45C\n0d05:10..0d05:50/10m toe 16C\n0d06:00..0d07:00/10m toe 56C"),
    (Kind::WrongUnit, "0d01:00 heart 50C"),
    (Kind::BlowerOff, "0d00:00 blower shed 0\n0d07:00 tick"),
];

/// Findings of a kind after a script that opened one and what happens at the end, without those of the script.
fn after(kind: Kind, script: &str, ending: &str) -> Vec<String> {
    let last = events(script).iter().map(Event::at).max().expect("a script");
    let ending = format!("{} {ending}", shown(last + Span::minutes(1)));
    let found = play(Method::AeratedStatic, &format!("{script}\n{ending}"));
    let changes: Vec<&Finding> = found.iter().filter(|finding| finding.kind == kind).collect();
    let open =
        changes.iter().filter(|finding| finding.change == Change::Opened && finding.at <= last).count();
    assert!(open > 0, "{kind:?} does not open");
    changes.iter().filter(|f| f.at > last).map(|f| format!("{:?}", f.change)).collect()
}

#[test]
fn moving_to_curing_ends_what_belongs_to_the_active_phase() {
    for (kind, script) in OPEN {
        assert_eq!(after(kind, script, "curing"), ["Closed"], "{kind:?}");
    }
}

#[test]
fn fresh_material_ends_what_it_overtakes() {
    for (kind, script) in OPEN {
        let stays =
            [Kind::ProbePulledOut, Kind::ProbeMoved, Kind::WrongUnit, Kind::BlowerOff].contains(&kind);
        let expected: &[&str] = if stays { &[] } else { &["Closed"] };
        assert_eq!(after(kind, script, "material-added"), expected, "{kind:?}");
        assert_eq!(after(kind, script, "turned"), expected, "{kind:?}");
    }
}

#[test]
fn a_change_of_the_air_ends_nothing_and_watering_only_the_drying() {
    for (kind, script) in OPEN {
        assert_eq!(after(kind, script, "aeration"), [""; 0], "{kind:?}");
        let expected: &[&str] = if kind == Kind::Drying { &["Closed"] } else { &[] };
        assert_eq!(after(kind, script, "watered"), expected, "{kind:?}");
    }
}

#[test]
fn giving_a_spot_up_ends_what_was_said_of_it() {
    for (kind, script) in OPEN {
        let own = [Kind::RunAtRisk, Kind::SpotShort].contains(&kind);
        let expected: &[&str] = if own { &["Closed"] } else { &[] };
        assert_eq!(after(kind, script, "give-up toe"), expected, "{kind:?}");
        let own = kind == Kind::FellOutEarly;
        let expected: &[&str] = if own { &["Closed"] } else { &[] };
        assert_eq!(after(kind, script, "give-up heart"), expected, "{kind:?}");
    }
}

#[test]
fn what_the_judge_says_ends_what_it_overtakes() {
    let ended = |kind, ending| {
        let (_, script) = OPEN.into_iter().find(|(of, _)| *of == kind).expect("a script");
        after(kind, script, ending)
    };
    assert_eq!(ended(Kind::SlowToHeat, "met"), ["Closed"]);
    assert_eq!(ended(Kind::SlowToHeat, "unmet"), [""; 0]);
    assert_eq!(ended(Kind::Stalled, "met"), ["Closed"]);
    assert_eq!(ended(Kind::SpotShort, "qualified toe"), ["Closed"]);
    assert_eq!(ended(Kind::FellOutEarly, "qualified heart"), ["Closed"]);
    assert_eq!(ended(Kind::FellOutEarly, "qualified toe"), [""; 0]);
    assert_eq!(ended(Kind::RunAtRisk, "broken toe"), ["Closed"]);
    assert_eq!(ended(Kind::WrongUnit, "confirmed heart"), ["Closed"]);
}

#[test]
fn another_cycle_of_the_blower_is_learnt_anew() {
    // Two minutes in half an hour, then two minutes in three hours: known, two hours are too long; unknown, six.
    let cycle =
        "0d00:00..1d00:00/30m blower shed 1\n0d00:02..1d00:00/30m blower shed 0\n1d00:02 blower shed 0\n";
    let off = [Kind::BlowerOff];
    check(&off, &format!("{cycle} 1d03:00 tick"), &["1d02:02 BlowerOff pile opened act"]);
    for entry in ["aeration", "turned", "material-added"] {
        check(&off, &format!("{cycle} 1d01:00 {entry}\n1d06:00 tick"), &[]);
        check(
            &off,
            &format!("{cycle} 1d01:00 {entry}\n1d07:00 tick"),
            &["1d06:02 BlowerOff pile opened act"],
        );
    }
    check(&off, &format!("{cycle} 1d01:00 watered\n1d03:00 tick"), &["1d02:02 BlowerOff pile opened act"]);
}

#[test]
fn a_turned_windrow_goes_on_heating() {
    let script = "0d00:00..3d08:00/1h heart 60F\n3d09:00 turned\n3d12:00 tick";
    let found = play(Method::Windrow, script);
    assert!(found.iter().all(|finding| finding.change != Change::Closed), "{found:?}");
}

#[test]
fn of_a_used_pile_nothing_is_remembered() {
    let mut watch = Watch::new(&pile(Method::AeratedStatic), &Params::default());
    let script = "0d00:00..9d00:00/1h heart 165F\n0d00:00..9d00:00/1h moisture heart 40\n9d01:00 used";
    let found: Vec<Finding> = events(script).iter().flat_map(|event| watch.step(event)).collect();
    assert!(found.iter().any(|finding| finding.change == Change::Closed), "{found:?}");
    assert_eq!((watch.rules.len(), watch.open.len()), (0, 0));
    assert!(events("9d02:00 heart 170F\n9d03:00 tick").iter().all(|event| watch.step(event).is_empty()));
    assert_eq!(watch.next_deadline(), None);
}
