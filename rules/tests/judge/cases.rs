//! Every case, judged as a set and as a stream in several orders of arrival, comes out as expected.

use heapward_rules::judge::{Judge, Sample, Taken};
use heapward_rules::reading::Reading;
use heapward_rules::units::At;
use heapward_rules::verdict::Judgement;

use crate::answer::difference;
use crate::fixture::{CASES, Case, Kept};

#[test]
fn every_set_is_judged_as_expected() {
    assert!(CASES.len() >= 60, "only {} cases in the fixture", CASES.len());
    check_each("set", |case| case.of_set().judgement());
}

#[test]
fn readings_that_come_in_order_are_judged_as_expected() {
    check_each("in order", |case| {
        let mut judge = case.judge();
        let mut newest = None;
        for reading in case.in_order() {
            assert_eq!(judge.newest(), newest, "{}", case.name);
            let sample = judge.sources().sample(&reading).unwrap();
            assert_eq!(judge.take(sample), Taken::InOrder, "{}", case.name);
            newest = Some(reading.at);
        }
        assert_eq!(judge.newest(), newest);
        judge.judgement()
    });
}

#[test]
fn readings_that_come_late_are_judged_as_expected() {
    for (seed, batch) in [(1, 12), (2, 60)] {
        check_each(&format!("shuffled {seed} in batches of {batch}"), |case| {
            let mut arrivals = case.readings.clone();
            arrivals.extend(case.readings.iter().step_by(7).cloned());
            shuffle(&mut arrivals, seed);
            let mut judge = case.judge();
            stream(&mut judge, &mut Kept::default(), &arrivals, batch);
            judge.judgement()
        });
    }
}

#[test]
fn a_stream_with_a_few_late_readings_is_judged_as_expected() {
    for (every, by) in [(9, 1), (11, 25)] {
        check_each(&format!("every {every}. reading late by {by}"), |case| {
            let mut arrivals = case.in_order();
            for index in (0..arrivals.len().saturating_sub(by)).step_by(every) {
                let late = arrivals.remove(index);
                arrivals.insert(index + by, late);
            }
            let mut judge = case.judge();
            stream(&mut judge, &mut Kept::default(), &arrivals, 1);
            judge.judgement()
        });
    }
}

#[test]
fn a_log_that_comes_late_is_judged_as_expected() {
    check_each("late log", |case| {
        let readings = case.in_order();
        let (before, after) = readings.split_at(readings.len() * 3 / 4);
        let mut judge = Judge::new(case.pile.clone(), case.standards.clone(), &[]);
        let mut kept = Kept::default();
        stream(&mut judge, &mut kept, before, 1);
        for known in 1..=case.log.len() {
            judge.set_log(&case.log[..known], &kept);
        }
        stream(&mut judge, &mut kept, after, 1);
        judge.judgement()
    });
}

#[test]
fn entries_that_are_withdrawn_leave_no_trace() {
    check_each("withdrawn entries", |case| {
        // The entries of another case, as if they had been written to the wrong pile.
        let built = case.pile.built;
        let wrong = CASES.iter().find(|other| other.log.len() > 4).unwrap();
        let moved = wrong.log.iter().map(|entry| {
            let mut entry = entry.clone();
            entry.at = built + (entry.at - wrong.pile.built);
            entry
        });
        let moved: Vec<_> = moved.collect();
        let kept = Kept::of(&case.readings);
        let mut judge = Judge::of_set(case.pile.clone(), case.standards.clone(), &moved, &case.readings);
        judge.set_log(&case.log, &kept);
        judge.judgement()
    });
}

#[test]
fn a_pile_that_is_corrected_is_judged_as_expected() {
    check_each("other facts first", |case| {
        let mut facts = case.pile.clone();
        facts.placements.clear();
        facts.built = At(0);
        facts.settings.guard_c = 3.0;
        let mut judge = Judge::of_set(facts, Vec::new(), &[], &case.readings);
        judge.set_pile(case.pile.clone(), case.standards.clone(), &case.log, &Kept::of(&case.readings));
        judge.judgement()
    });
}

/// Judges every case in some way; all of it must be as expected, and as the set in every figure.
fn check_each(how: &str, judge: impl Fn(&Case) -> Judgement) {
    for case in CASES.iter() {
        let judgement = judge(case);
        if let Some(difference) = difference(&case.pile, &judgement, &case.expected) {
            panic!("{} ({how}): {difference}", case.name);
        }
        assert_eq!(judgement, case.of_set().judgement(), "{} ({how})", case.name);
    }
}

/// Feeds readings as they arrive, in batches; what is late is judged again from there.
pub(crate) fn stream(judge: &mut Judge, kept: &mut Kept, arrivals: &[Reading], batch: usize) {
    for batch in arrivals.chunks(batch) {
        kept.keep(batch);
        let mut late: Vec<Sample> = Vec::new();
        for reading in batch {
            let sample = judge.sources().sample(reading).unwrap();
            if judge.take(sample) == Taken::Late {
                late.push(sample);
            }
        }
        let instants = late.iter().map(|sample| sample.at);
        if let (Some(first), Some(last)) = (instants.clone().min(), instants.max()) {
            judge.rejudge(first, last, kept);
        }
    }
}

/// The same order for the same seed (xorshift).
pub(crate) fn shuffle<T>(items: &mut [T], seed: u64) {
    let mut state = seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) | 1;
    for index in (1..items.len()).rev() {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        let other = usize::try_from(state % (index as u64 + 1)).unwrap();
        items.swap(index, other);
    }
}
