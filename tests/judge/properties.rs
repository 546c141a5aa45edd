//! What must hold for any set of readings and entries: order, repetition, lateness, batches and restarts change
//! nothing; more evidence never proves less; degrees Fahrenheit in are degrees Celsius in; a gap never qualifies.
//!
//! `HEAPWARD_CASES` sets the number of cases of each property (the default makes 10,000 of them together).

use std::collections::BTreeMap;

use heapward::standards;
use heapward_rules::ids::{PileId, ProbeId, SpotName, StandardId};
use heapward_rules::judge::{History, Judge, Sample, Sources, Taken};
use heapward_rules::log::{LogEntry, LogEvent};
use heapward_rules::pile::{Agreement, Material, Method, Pile, Placement, Settings, Spot, Zone};
use heapward_rules::reading::{Reading, Source, Unit};
use heapward_rules::standard::Standard;
use heapward_rules::units::{At, Celsius, Span};
use heapward_rules::verdict::{Judgement, Status};
use proptest::prelude::*;
use proptest::test_runner::Config;

const BUILT: At = At(1_777_651_200_000);
const STANDARDS: [&str; 5] = ["us-organic", "us-organic-5021", "us-produce", "eu-cmc3", "us-biosolids"];
const MINUTE: i64 = 60_000;

/// A pile, what was read and what was done, in any order.
#[derive(Clone, Debug)]
struct Scene {
    pile: Pile,
    readings: Vec<Reading>,
    log: Vec<LogEntry>,
}

fn cases() -> Config {
    let cases = std::env::var("HEAPWARD_CASES").ok().and_then(|text| text.parse().ok()).unwrap_or(1_450);
    Config { failure_persistence: None, ..Config::with_cases(cases) }
}

fn spot(index: usize) -> SpotName {
    SpotName::new(["heart", "south-side", "toe", "shed"][index % 4])
}

fn instant(quarters: i64) -> At {
    BUILT + Span::minutes(15 * quarters)
}

fn value() -> impl Strategy<Value = f64> {
    prop_oneof![
        8 => (110_i32..=140).prop_map(|half| f64::from(half) / 2.0),
        2 => (60_i32..=170).prop_map(|half| f64::from(half) / 2.0),
        1 => prop::sample::select(vec![55.0, 54.5, 76.5, 77.0, 85.0, -127.0, 20.0, 72.0, 120.0]),
    ]
}

fn reading() -> impl Strategy<Value = Reading> {
    // Mostly a few hours apart, so that three days are a few dozen readings; sometimes the same instant.
    let source = prop_oneof![
        5 => (0_usize..4).prop_map(|probe| Source::Probe(ProbeId::new(format!("k{probe}")))),
        1 => (0_usize..3).prop_map(|index| Source::Hand(spot(index))),
    ];
    (source, -8_i64..480, value()).prop_map(|(source, quarters, value)| Reading {
        at: instant(quarters),
        source,
        value,
        unit: Unit::Celsius,
    })
}

/// A probe that reads steadily, so that something can qualify.
fn steady() -> impl Strategy<Value = Vec<Reading>> {
    (0_usize..4, 0_i64..60, 20_i64..200, 1_i64..18, 108_i32..150).prop_map(
        |(probe, start, count, step, half)| {
            let source = Source::Probe(ProbeId::new(format!("k{probe}")));
            (0..count)
                .map(|n| Reading {
                    at: instant(start + n * step),
                    source: source.clone(),
                    value: f64::from(half) / 2.0 + f64::from(i32::try_from(n % 5).unwrap()) * 0.5,
                    unit: Unit::Celsius,
                })
                .collect()
        },
    )
}

fn entry() -> impl Strategy<Value = LogEntry> {
    let event = prop_oneof![
        3 => Just(LogEvent::Turned),
        1 => Just(LogEvent::MaterialAdded),
        2 => (0_usize..3).prop_map(|index| LogEvent::SpotGivenUp { spot: spot(index), reason: "bent".to_owned() }),
        1 => Just(LogEvent::Other),
    ];
    (event, -4_i64..480).prop_map(|(event, quarters)| LogEntry { at: instant(quarters), event })
}

fn pile() -> impl Strategy<Value = Pile> {
    let method = prop::sample::select(vec![Method::AeratedStatic, Method::Windrow, Method::InVessel]);
    let agreement = prop::sample::select(vec![Agreement::Each, Agreement::Each, Agreement::Together]);
    let placement = (0_usize..4, 0_usize..4, -8_i64..200, prop::option::of(1_i64..400), 1_i64..200);
    let placements = prop::collection::vec(placement, 1..6);
    (method, agreement, placements, 1_usize..4, 0_i32..3).prop_map(
        |(method, agreement, raw, spots, guard)| {
            let placements = raw.into_iter().map(|(probe, at, from, until, every)| Placement {
                probe: ProbeId::new(format!("k{probe}")),
                spot: spot(at),
                from: instant(from),
                until: until.map(|more| instant(from + more)),
                every: Span::minutes(every),
                offset_c: if probe == 1 { -0.5 } else { 0.0 },
            });
            let zones = [Zone::Core, Zone::Outer, Zone::Base, Zone::Ambient];
            let spots = (0..=spots).map(|index| {
                let index = if index == spots { 3 } else { index };
                Spot { name: spot(index), zone: zones[index], depth_in: None, watched_only: false }
            });
            Pile {
                id: PileId::new("2026-07"),
                method,
                material: Material::Manure,
                built: BUILT,
                initial_cn: Some(29.0),
                standards: STANDARDS.iter().map(|id| StandardId::new(*id)).collect(),
                spots: spots.collect(),
                placements: placements.collect(),
                settings: Settings { agreement, guard_c: f64::from(guard) * 0.25, ..Settings::default() },
            }
        },
    )
}

fn scene() -> impl Strategy<Value = Scene> {
    let readings = prop::collection::vec(reading(), 0..60);
    let series = prop::collection::vec(steady(), 0..4);
    let log = prop::collection::vec(entry(), 0..7);
    (pile(), readings, series, log).prop_map(|(pile, mut readings, series, log)| {
        readings.extend(series.into_iter().flatten());
        readings.retain(|reading| match &reading.source {
            Source::Hand(name) => pile.spots.iter().any(|spot| spot.name == *name),
            Source::Probe(_) => true,
        });
        Scene { pile, readings, log }
    })
}

fn standards() -> Vec<Standard> {
    let known = standards::built_in().unwrap();
    STANDARDS.iter().map(|id| known[&StandardId::new(*id)].clone()).collect()
}

fn judge_set(scene: &Scene) -> Judgement {
    Judge::of_set(scene.pile.clone(), standards(), &scene.log, &scene.readings).judgement()
}

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
        let mut judge = Judge::new(scene.pile.clone(), standards(), &scene.log);
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
        let mut judge = Judge::new(scene.pile.clone(), standards(), &scene.log);
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
        let mut judge = Judge::new(scene.pile.clone(), standards(), &scene.log);
        stream(&mut judge, &mut kept, before, 7);
        let mut again = Judge::new(scene.pile.clone(), standards(), &[]);
        again.set_pile(scene.pile.clone(), standards(), &scene.log, &kept);
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
        let mut judge = Judge::new(scene.pile.clone(), standards(), &[]);
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

    #[test]
    fn a_gap_in_every_three_days_never_qualifies(start in 0_i64..40, gap_ms in 1_i64..4_000_000, days in 3_i64..12) {
        let pile = Pile {
            id: PileId::new("2026-08"),
            method: Method::AeratedStatic,
            material: Material::Manure,
            built: BUILT,
            initial_cn: Some(30.0),
            standards: Vec::new(),
            spots: vec![Spot { name: spot(0), zone: Zone::Core, depth_in: None, watched_only: false }],
            placements: vec![Placement {
                probe: ProbeId::new("k0"),
                spot: spot(0),
                from: BUILT,
                until: None,
                every: Span::minutes(30),
                offset_c: 0.0,
            }],
            settings: Settings::default(),
        };
        let mut at = instant(start) + Span::hours(1);
        let mut readings = Vec::new();
        for n in 0..days * 48 {
            readings.push(Reading { at, source: Source::Probe(ProbeId::new("k0")), value: 60.0, unit: Unit::Celsius });
            let is_gap = n % 140 == 139;
            at = at + if is_gap { Span::hours(4) + Span(gap_ms) } else { Span::minutes(30) };
        }
        let judgement = Judge::of_set(pile, standards(), &[], &readings).judgement();
        let qualified = |status| matches!(status, Status::Qualified | Status::TemperatureMet);
        // 140 readings at 30 min are 69.5 h: no stretch between two gaps is long enough.
        prop_assert!(judgement.verdicts.iter().all(|verdict| !qualified(verdict.status)));
    }
}

fn shuffle<T>(items: &mut [T], seed: u64) {
    let mut state = seed | 1;
    for index in (1..items.len()).rev() {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        let other = usize::try_from(state % (index as u64 + 1)).unwrap();
        items.swap(index, other);
    }
}

#[test]
fn the_tolerance_of_a_bound_is_a_millionth_of_a_degree() {
    assert!(!Celsius(55.0 - 0.5e-6).is_below(Celsius(55.0)));
    assert!(Celsius(55.0 - 2e-6).is_below(Celsius(55.0)));
}
