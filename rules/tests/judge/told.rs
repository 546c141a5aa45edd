//! What the judge tells of each reading (`Judge::decided`) is what becomes of it.

use std::collections::{BTreeMap, BTreeSet};

use heapward_rules::judge::{Decided, SourceId};
use heapward_rules::reading::{Reading, Source, reported_c};
use heapward_rules::units::At;
use heapward_rules::verdict::Class;

use crate::cases::{shuffle, stream};
use crate::fixture::{CASES, Case, Kept};

#[test]
fn each_reading_is_told_once_decided() {
    for case in CASES.iter() {
        let mut judge = case.judge();
        judge.listen();
        let mut told = Vec::new();
        for reading in case.in_order() {
            let sample = judge.sources().sample(&reading).unwrap();
            judge.take(sample);
        }
        told.extend(judge.decided());
        assert_eq!(judge.decided(), [], "{}: told twice", case.name);
        check(case, &told, true);
    }
}

#[test]
fn nothing_is_told_to_nobody() {
    for case in CASES.iter() {
        assert_eq!(case.of_set().decided(), [], "{}", case.name);
    }
}

#[test]
fn what_is_told_bit_by_bit_is_the_same() {
    for case in CASES.iter() {
        let readings = case.in_order();
        let mut judge = case.judge();
        judge.listen();
        let mut told = Vec::new();
        for of_instant in readings.chunk_by(|a, b| a.at == b.at) {
            for reading in of_instant {
                let sample = judge.sources().sample(reading).unwrap();
                judge.take(sample);
            }
            told.extend(judge.decided());
            assert_eq!(judge.newest(), of_instant.first().map(|reading| reading.at), "{}", case.name);
        }
        check(case, &told, true);
        assert_eq!(judge.judgement(), case.of_set().judgement(), "{}", case.name);
    }
}

/// Late readings let whole days be told again, so what became of a reading may have been told before its last word:
/// as held when its day is judged again, though the next day that decided on it is not; or as counting before it met
/// another value of its instant, for a conflict is not told.
#[test]
fn after_late_readings_everything_was_told() {
    for case in CASES.iter() {
        let mut arrivals = case.readings.clone();
        shuffle(&mut arrivals, 9);
        let mut judge = case.judge();
        judge.listen();
        stream(&mut judge, &mut Kept::default(), &arrivals, 25);
        check(case, &judge.decided(), false);
    }
}

/// Every reading that has a spot was told as what it is; with `in_order` that is the last word on it.
fn check(case: &Case, told: &[Decided], in_order: bool) {
    let mut judge = case.judge();
    let mut by_reading: BTreeMap<(At, SourceId), Vec<&Decided>> = BTreeMap::new();
    for decided in told {
        by_reading.entry((decided.at, decided.source)).or_default().push(decided);
    }
    let (mut expected, mut conflicts) = (BTreeMap::new(), BTreeSet::new());
    for (reading, class) in case.readings.iter().zip(&case.classes) {
        let source = judge.sources().number(&reading.source).unwrap();
        let placed = spot_of(case, reading).filter(|_| !matches!(class, Class::Conflict | Class::Unplaced));
        if *class == Class::Conflict {
            conflicts.insert((reading.at, source));
        }
        if let Some((spot, offset_c)) = placed {
            let value = reported_c(reading.value, reading.unit).unwrap().0 + offset_c;
            expected.insert((reading.at, source), (spot, *class, value));
        }
    }
    for (key, (spot, class, value)) in &expected {
        let told = by_reading.get(key).unwrap_or_else(|| panic!("{}: {key:?} was not told", case.name));
        let is_it = |told: &&Decided| {
            (told.spot, told.class) == (*spot, *class) && (told.value.0 - value).abs() < 1e-9
        };
        let found = if in_order { told.last().is_some_and(is_it) } else { told.iter().any(is_it) };
        assert!(found, "{}: {key:?} is {class:?} of {value} at {spot}, told {told:?}", case.name);
        let words: Vec<Class> = told.iter().map(|told| told.class).collect();
        let is_short = words.len() == 1 || (words.len() == 2 && words[0] == Class::Held);
        assert!(is_short || !in_order, "{}: {key:?} was told {words:?}", case.name);
    }
    let unknown = by_reading.keys().filter(|key| !expected.contains_key(key) && !conflicts.contains(key));
    assert_eq!(unknown.count(), 0, "{}: told of what has no spot", case.name);
    assert!(!in_order || by_reading.len() == expected.len(), "{}: told of a conflict", case.name);
}

/// The spot at which a reading was taken, and the calibration of its probe there.
fn spot_of(case: &Case, reading: &Reading) -> Option<(usize, f64)> {
    let index =
        |name: &heapward_rules::ids::SpotName| case.pile.spots.iter().position(|spot| spot.name == *name);
    let probe = match &reading.source {
        Source::Hand(name) => return Some((index(name)?, 0.0)),
        Source::Probe(probe) => probe,
    };
    let placements = &case.pile.placements;
    let placement = placements
        .iter()
        .filter(|placement| placement.probe == *probe && placement.from <= reading.at)
        .max_by_key(|placement| placement.from)?;
    let ended = placements.iter().any(|other| {
        (other.probe == placement.probe || other.spot == placement.spot)
            && placement.from < other.from
            && other.from <= reading.at
    });
    let gone = placement.until.is_some_and(|until| until <= reading.at);
    (!ended && !gone).then_some((index(&placement.spot)?, placement.offset_c))
}
