//! The numbers that a judge gives to the sources of readings.

use heapward_rules::ids::{ProbeId, SpotName};
use heapward_rules::reading::{Reading, Source, Unit};
use heapward_rules::units::At;

use crate::fixture::CASES;

#[test]
fn a_source_has_one_number_and_the_number_one_source() {
    for case in CASES.iter() {
        let mut judge = case.judge();
        let mut sources: Vec<Source> =
            case.pile.spots.iter().map(|spot| Source::Hand(spot.name.clone())).collect();
        let placed = case.pile.placements.iter().map(|placement| placement.probe.clone());
        sources.extend(placed.map(Source::Probe));
        sources.extend(["k98", "k99"].map(|probe| Source::Probe(ProbeId::new(probe))));
        for source in &sources {
            let number = judge.sources().number(source).unwrap();
            assert_eq!(judge.sources().number(source), Some(number), "{}", case.name);
            assert_eq!(judge.source_of(number).as_ref(), Some(source), "{}", case.name);
        }
        let nowhere = Source::Hand(SpotName::new("nowhere"));
        assert_eq!(judge.sources().number(&nowhere), None);
    }
}

#[test]
fn a_number_of_another_pile_may_have_no_source() {
    let largest = CASES.iter().max_by_key(|case| case.pile.spots.len()).unwrap();
    let smallest =
        CASES.iter().min_by_key(|case| (case.pile.placements.len(), case.pile.spots.len())).unwrap();
    let last = largest.pile.spots.last().unwrap().name.clone();
    let number = largest.judge().sources().number(&Source::Hand(last)).unwrap();
    assert_eq!(smallest.judge().source_of(number), None);
}

#[test]
fn only_temperatures_are_samples() {
    let case = &CASES[0];
    let mut judge = case.judge();
    let reading = |unit| Reading {
        at: At(1_777_593_600_000),
        source: Source::Probe(ProbeId::new("k1")),
        value: 60.5,
        unit,
    };
    let sample = judge.sources().sample(&reading(Unit::Fahrenheit)).unwrap();
    assert_eq!((sample.at, sample.value, sample.unit), (At(1_777_593_600_000), 60.5, Unit::Fahrenheit));
    assert_eq!(judge.source_of(sample.source), Some(Source::Probe(ProbeId::new("k1"))));
    assert_eq!(judge.sources().sample(&reading(Unit::Percent)), None);
}

#[test]
fn a_judge_knows_its_pile_and_its_standards() {
    for case in CASES.iter() {
        let judge = case.judge();
        assert_eq!((judge.pile(), judge.standards()), (&case.pile, case.standards.as_slice()));
    }
}
