//! Random piles with their readings and entries, for the properties.

use heapward::standards;
use heapward_rules::ids::{PileId, ProbeId, SpotName, StandardId};
use heapward_rules::judge::Judge;
use heapward_rules::log::{LogEntry, LogEvent};
use heapward_rules::pile::{Agreement, Material, Method, Pile, Placement, Settings, Spot, Zone};
use heapward_rules::reading::{Reading, Source, Unit};
use heapward_rules::standard::Standard;
use heapward_rules::units::{At, Span};
use heapward_rules::verdict::Judgement;
use proptest::prelude::*;
use proptest::test_runner::Config;

pub(crate) const BUILT: At = At(1_777_651_200_000);
pub(crate) const STANDARDS: [&str; 7] = [
    "us-organic",
    "us-organic-5021",
    "us-produce",
    "eu-cmc3",
    "us-biosolids",
    "us-california",
    "canada-ccme",
];
/// Cases of a property where `HEAPWARD_CASES` says nothing: all together are more than 10,000.
const CASES: u32 = 1_450;

/// A pile, what was read and what was done, in any order.
#[derive(Clone, Debug)]
pub(crate) struct Scene {
    pub(crate) pile: Pile,
    pub(crate) readings: Vec<Reading>,
    pub(crate) log: Vec<LogEntry>,
}

pub(crate) fn cases() -> Config {
    cases_of(CASES)
}

pub(crate) fn cases_of(default: u32) -> Config {
    let cases = std::env::var("HEAPWARD_CASES").ok().and_then(|text| text.parse().ok()).unwrap_or(default);
    Config { failure_persistence: None, ..Config::with_cases(cases) }
}

pub(crate) fn spot(index: usize) -> SpotName {
    SpotName::new(["heart", "south-side", "toe", "shed"][index % 4])
}

pub(crate) fn probe(index: usize) -> ProbeId {
    ProbeId::new(format!("k{index}"))
}

pub(crate) fn instant(quarters: i64) -> At {
    BUILT + Span::minutes(15 * quarters)
}

pub(crate) fn value() -> impl Strategy<Value = f64> {
    prop_oneof![
        8 => (110_i32..=140).prop_map(|half| f64::from(half) / 2.0),
        2 => (60_i32..=170).prop_map(|half| f64::from(half) / 2.0),
        1 => prop::sample::select(vec![55.0, 54.5, 76.5, 77.0, 85.0, -127.0, 20.0, 72.0, 120.0]),
    ]
}

fn reading() -> impl Strategy<Value = Reading> {
    // Mostly a few hours apart, so that three days are a few dozen readings; sometimes the same instant.
    let source = prop_oneof![
        5 => (0_usize..4).prop_map(|index| Source::Probe(probe(index))),
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
        |(index, start, count, step, half)| {
            let source = Source::Probe(probe(index));
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

pub(crate) fn entry() -> impl Strategy<Value = LogEntry> {
    let event = prop_oneof![
        3 => Just(LogEvent::Turned),
        1 => Just(LogEvent::MaterialAdded),
        2 => (0_usize..3).prop_map(|index| LogEvent::SpotGivenUp { spot: spot(index), reason: "bent".to_owned() }),
        1 => Just(LogEvent::Other),
    ];
    (event, -4_i64..480).prop_map(|(event, quarters)| LogEntry { at: instant(quarters), event })
}

/// Placements as a file may name them: no two of a probe, or at a spot, begin at one instant.
fn placements() -> impl Strategy<Value = Vec<Placement>> {
    let placement = (0_usize..4, 0_usize..4, -8_i64..200, prop::option::of(1_i64..400), 1_i64..200);
    prop::collection::vec(placement, 1..6).prop_map(|raw| {
        let mut placements: Vec<Placement> = Vec::new();
        for (index, at, from, until, every) in raw {
            let (probe, spot, from) = (probe(index), spot(at), instant(from));
            let collides =
                |other: &Placement| other.from == from && (other.probe == probe || other.spot == spot);
            if !placements.iter().any(collides) {
                let until = until.map(|more| from + Span::minutes(15 * more));
                let offset_c = if index == 1 { -0.5 } else { 0.0 };
                placements.push(Placement {
                    probe,
                    spot,
                    from,
                    until,
                    every: Span::minutes(every),
                    offset_c,
                });
            }
        }
        placements
    })
}

pub(crate) fn settings() -> impl Strategy<Value = Settings> {
    let agreement = prop::sample::select(vec![Agreement::Each, Agreement::Each, Agreement::Together]);
    // Each setting is mostly its default.
    let hours = |default: i64, others: [i64; 2]| {
        prop_oneof![4 => Just(default), 1 => prop::sample::select(others.to_vec())].prop_map(Span::hours)
    };
    let settle =
        prop_oneof![4 => Just(30_i64), 1 => prop::sample::select(vec![0, 120])].prop_map(Span::minutes);
    (agreement, 0_i32..3, hours(4, [1, 7]), hours(26, [3, 48]), hours(24, [6, 40]), settle).prop_map(
        |(agreement, guard, max_gap, hand_gap, turn_allowance, settle)| Settings {
            agreement,
            guard_c: f64::from(guard) * 0.25,
            max_gap,
            hand_gap,
            turn_allowance,
            settle,
            ..Settings::default()
        },
    )
}

pub(crate) fn method() -> impl Strategy<Value = Method> {
    prop::sample::select(vec![Method::AeratedStatic, Method::Windrow, Method::InVessel])
}

fn pile() -> impl Strategy<Value = Pile> {
    let chosen = prop::sample::subsequence(STANDARDS.to_vec(), 1..=STANDARDS.len()).prop_shuffle();
    (method(), settings(), placements(), 1_usize..4, 0_usize..9, chosen).prop_map(
        |(method, settings, mut placements, spots, watched_only, chosen)| {
            let zones = [Zone::Core, Zone::Outer, Zone::Base, Zone::Ambient];
            let spots: Vec<Spot> = (0..=spots)
                .map(|index| {
                    let index = if index == spots { 3 } else { index };
                    Spot {
                        name: spot(index),
                        zone: zones[index],
                        depth_in: None,
                        watched_only: index == watched_only,
                    }
                })
                .collect();
            placements.retain(|placement| spots.iter().any(|spot| spot.name == placement.spot));
            Pile {
                id: PileId::new("2026-07"),
                method,
                material: Material::Manure,
                built: BUILT,
                initial_cn: Some(29.0),
                standards: chosen.into_iter().map(StandardId::new).collect(),
                spots,
                placements,
                settings,
            }
        },
    )
}

/// Each spot with a probe that was in from the beginning and reads hot for days: such a pile comes through, unless
/// something else happens to it.
fn promising(pile: &mut Pile, days: &[(i64, i64, i32)]) -> Vec<Reading> {
    pile.placements.retain(|placement| placement.from > BUILT);
    let mut readings = Vec::new();
    for (index, (step, hours, half)) in (0..pile.spots.len()).zip(days) {
        pile.placements.push(Placement {
            probe: probe(index),
            spot: pile.spots[index].name.clone(),
            from: BUILT,
            until: None,
            every: Span::minutes(15 * step),
            offset_c: 0.0,
        });
        readings.extend((1..=hours * 4 / step).map(|n| Reading {
            at: instant(4 + n * step),
            source: Source::Probe(probe(index)),
            value: f64::from(half + i32::try_from(n % 7).unwrap()) / 2.0,
            unit: Unit::Celsius,
        }));
    }
    readings
}

pub(crate) fn scene() -> impl Strategy<Value = Scene> {
    let readings = prop_oneof![
        1 => prop::collection::vec(reading(), 0..60),
        2 => prop::collection::vec(reading(), 0..4),
    ];
    let series = prop::collection::vec(steady(), 0..4);
    let log =
        prop_oneof![1 => prop::collection::vec(entry(), 0..7), 1 => prop::collection::vec(entry(), 0..2)];
    let days = prop::collection::vec((1_i64..13, 76_i64..150, 112_i32..136), 4);
    (pile(), readings, series, log, days, any::<bool>()).prop_map(
        |(mut pile, mut readings, series, mut log, days, is_promising)| {
            if is_promising {
                readings.extend(promising(&mut pile, &days));
            } else {
                readings.extend(series.into_iter().flatten());
            }
            let known = |name: &SpotName| pile.spots.iter().any(|spot| spot.name == *name);
            readings.retain(|reading| match &reading.source {
                Source::Hand(name) => known(name),
                Source::Probe(_) => true,
            });
            log.retain(|entry| match &entry.event {
                LogEvent::SpotGivenUp { spot, .. } => known(spot),
                _ => true,
            });
            Scene { pile, readings, log }
        },
    )
}

/// The standards of a pile, in its order.
pub(crate) fn standards_of(pile: &Pile) -> Vec<Standard> {
    let known = standards::built_in().unwrap();
    pile.standards.iter().map(|id| known[id].clone()).collect()
}

pub(crate) fn judge_set(scene: &Scene) -> Judgement {
    let standards = standards_of(&scene.pile);
    Judge::of_set(scene.pile.clone(), standards, &scene.log, &scene.readings).judgement()
}

pub(crate) fn shuffle<T>(items: &mut [T], seed: u64) {
    let mut state = seed | 1;
    for index in (1..items.len()).rev() {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        let other = usize::try_from(state % (index as u64 + 1)).unwrap();
        items.swap(index, other);
    }
}
