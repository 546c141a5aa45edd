//! What must hold for any set of readings and entries: order, repetition, lateness, batches and restarts change
//! nothing; more evidence never proves less; degrees Fahrenheit in are degrees Celsius in. That a gap never qualifies
//! is tried in `gaps`, that the daemon, a replay and files say the same in `three_ways`.
//!
//! `HEAPWARD_CASES` sets the number of cases of each property (the default makes 10,000 of them together).

use std::collections::BTreeMap;

use heapward_rules::judge::{History, Judge, Sample, Sources, Taken};
use heapward_rules::reading::{Reading, Source, Unit};
use heapward_rules::units::{At, Celsius, Span};
use proptest::prelude::*;

use super::scene::{cases, instant, judge_set, scene, shuffle, spot, standards_of};

const MINUTE: i64 = 60_000;

/// What has arrived so far, as the store would keep it.
#[derive(Default)]
struct Kept(BTreeMap<At, Vec<Reading>>);

impl Kept {
    fn keep(&mut self, readings: &[Reading]) {
        for reading in readings {
            self.0.entry(reading.at).or_default().push(reading.clone());
        }
    }
}

impl History for Kept {
    fn samples(&self, sources: &mut Sources, from: At, to: At) -> Vec<Sample> {
        self.0
            .range(from..to)
            .flat_map(|(_, readings)| readings)
            .filter_map(|reading| sources.sample(reading))
            .collect()
    }
}

/// Feeds readings as they arrive, in batches; what is late is judged again from there.
fn stream(judge: &mut Judge, kept: &mut Kept, arrivals: &[Reading], batch: usize) {
    for batch in arrivals.chunks(batch.max(1)) {
        kept.keep(batch);
        let mut late: Option<(At, At)> = None;
        for reading in batch {
            let sample = judge.sources().sample(reading).unwrap();
            if judge.take(sample) == Taken::Late {
                late =
                    Some(late.map_or((sample.at, sample.at), |(a, b)| (a.min(sample.at), b.max(sample.at))));
            }
        }
        if let Some((first, last)) = late {
            judge.rejudge(first, last, kept);
        }
    }
}

proptest! {
    #![proptest_config(cases())]

    #[test]
    fn order_and_batches_and_repetition_change_nothing(
        scene in scene(),
        order in any::<u64>(),
        batch in 1_usize..40,
        repeated in 0_usize..20,
    ) {
        let expected = judge_set(&scene);
        let mut arrivals = scene.readings.clone();
        arrivals.extend(scene.readings.iter().take(repeated).cloned());
        shuffle(&mut arrivals, order);
        let mut judge = Judge::new(scene.pile.clone(), standards_of(&scene.pile), &scene.log);
        stream(&mut judge, &mut Kept::default(), &arrivals, batch);
        prop_assert_eq!(judge.judgement(), expected);
    }

    #[test]
    fn a_stream_with_a_few_late_readings_is_the_set(scene in scene(), every in 2_usize..9, by in 1_usize..60) {
        let expected = judge_set(&scene);
        let mut arrivals = scene.readings.clone();
        arrivals.sort_by_key(|reading| reading.at);
        let mut index = 0;
        while index + by < arrivals.len() {
            let late = arrivals.remove(index);
            arrivals.insert(index + by, late);
            index += every;
        }
        let mut judge = Judge::new(scene.pile.clone(), standards_of(&scene.pile), &scene.log);
        stream(&mut judge, &mut Kept::default(), &arrivals, 1);
        prop_assert_eq!(judge.judgement(), expected);
    }

    #[test]
    fn a_restart_at_any_point_changes_nothing(scene in scene(), cut in any::<prop::sample::Index>(), order in any::<u64>()) {
        let expected = judge_set(&scene);
        let mut arrivals = scene.readings.clone();
        shuffle(&mut arrivals, order);
        let (before, after) = arrivals.split_at(cut.index(arrivals.len() + 1));
        let mut kept = Kept::default();
        let mut judge = Judge::new(scene.pile.clone(), standards_of(&scene.pile), &scene.log);
        stream(&mut judge, &mut kept, before, 7);
        let mut again = Judge::new(scene.pile.clone(), standards_of(&scene.pile), &[]);
        again.set_pile(scene.pile.clone(), standards_of(&scene.pile), &scene.log, &kept);
        stream(&mut again, &mut kept, after, 7);
        prop_assert_eq!(again.judgement(), expected);
    }

    #[test]
    fn entries_that_come_late_change_nothing(scene in scene(), order in any::<u64>(), split in any::<prop::sample::Index>()) {
        let expected = judge_set(&scene);
        let mut log = scene.log.clone();
        shuffle(&mut log, order);
        let mut arrivals = scene.readings.clone();
        arrivals.sort_by_key(|reading| reading.at);
        let (before, after) = arrivals.split_at(split.index(arrivals.len() + 1));
        let mut kept = Kept::default();
        let mut judge = Judge::new(scene.pile.clone(), standards_of(&scene.pile), &[]);
        stream(&mut judge, &mut kept, before, 11);
        for known in 1..=log.len() {
            judge.set_log(&log[..known], &kept);
        }
        stream(&mut judge, &mut kept, after, 11);
        prop_assert_eq!(judge.judgement(), expected);
    }

    #[test]
    fn fahrenheit_in_is_celsius_in(scene in scene()) {
        let expected = judge_set(&scene);
        let mut other = scene.clone();
        for reading in &mut other.readings {
            // Halves of a degree C are whole tenths of a degree F: exact in decimal.
            reading.value = (reading.value * 18.0 + 320.0).round() / 10.0;
            reading.unit = Unit::Fahrenheit;
        }
        let judged = judge_set(&other);
        prop_assert_eq!(judged.verdicts, expected.verdicts);
        prop_assert_eq!(judged.counts, expected.counts);
        for (f, c) in judged.overheating.iter().zip(&expected.overheating) {
            prop_assert_eq!((f.opened, f.closed, &f.spot), (c.opened, c.closed, &c.spot));
            prop_assert!((f.peak.0 - c.peak.0).abs() < 1e-9);
        }
    }

    #[test]
    fn a_reading_in_range_never_proves_less(scene in scene(), quarter in 0_i64..480, at in 0_usize..3) {
        let hand = Reading {
            at: instant(quarter) + Span(MINUTE),
            source: Source::Hand(spot(at)),
            value: 72.0,
            unit: Unit::Celsius,
        };
        prop_assume!(scene.pile.spots.iter().any(|known| known.name == spot(at)));
        let mut scene = scene;
        // A hand reading that may be less old than a probe's begins an allowance later (5.2 rule 4).
        let settings = &mut scene.pile.settings;
        settings.hand_gap = settings.hand_gap.max(settings.max_gap);
        let mut more = scene.clone();
        more.readings.push(hand);
        let (less, more) = (judge_set(&scene), judge_set(&more));
        for (less, more) in less.verdicts.iter().zip(&more.verdicts) {
            // With several profiles another one may be shown; only the one-profile standards compare run by run.
            if less.standard.as_str() == "eu-cmc3" {
                continue;
            }
            for (less, more) in less.spots.iter().zip(&more.spots) {
                let counted = |run: &Option<heapward_rules::verdict::Run>| run.map_or(Span::ZERO, |run| run.counted);
                prop_assert!(counted(&more.longest_run) >= counted(&less.longest_run));
                prop_assert!(less.qualified_at.is_none() || more.qualified_at.is_some_and(|at| Some(at) <= less.qualified_at));
            }
        }
    }
}

#[test]
fn the_tolerance_of_a_bound_is_a_millionth_of_a_degree() {
    assert!(!Celsius(55.0 - 0.5e-6).is_below(Celsius(55.0)));
    assert!(Celsius(55.0 - 2e-6).is_below(Celsius(55.0)));
}
