//! What a late reading costs: the days from its own on until one ends as before, not the whole season.

use std::cell::RefCell;

use heapward_rules::ids::{PileId, ProbeId, SpotName};
use heapward_rules::judge::{History, Judge, Sample, Sources, Taken};
use heapward_rules::log::{LogEntry, LogEvent};
use heapward_rules::pile::{Material, Method, Pile, Placement, Settings, Spot, Zone};
use heapward_rules::reading::{Reading, Source, Unit};
use heapward_rules::standard::Standard;
use heapward_rules::units::{At, Span};

use crate::fixture::{CASES, Kept};

const DAY_0: At = At(1_777_593_600_000);
const DAYS: i64 = 20;

/// A history that writes down which days it was asked for.
struct Asked {
    kept: Kept,
    days: RefCell<Vec<i64>>,
}

impl History for Asked {
    fn samples(&self, sources: &mut Sources, from: At, to: At) -> Vec<Sample> {
        let samples = self.kept.samples(sources, from, to);
        self.days.borrow_mut().extend(samples.iter().map(|sample| day(sample.at)));
        samples
    }
}

#[test]
fn a_late_reading_costs_its_day() {
    let (mut judge, mut asked) = season();
    let late = reading(DAY_0 + Span::days(4) + Span::minutes(90), 61.0);
    assert_eq!(amend(&mut judge, &mut asked, &[late]), [4]);
}

#[test]
fn a_gateway_that_comes_back_costs_the_days_of_its_readings() {
    let (mut judge, mut asked) = season();
    let late: Vec<Reading> =
        (4..7).map(|day| reading(DAY_0 + Span::days(day) + Span::minutes(90), 61.0)).collect();
    assert_eq!(amend(&mut judge, &mut asked, &late), [4, 5, 6]);
}

#[test]
fn a_late_reading_that_changes_the_next_day_costs_it_too() {
    let (mut judge, mut asked) = season();
    // The last of its day, so the newest counting reading before the next.
    let late = reading(DAY_0 + Span::days(4) + Span::minutes(23 * 60 + 45), 61.0);
    assert_eq!(amend(&mut judge, &mut asked, &[late]), [4, 5]);
}

#[test]
fn a_late_reading_of_today_costs_today() {
    let (mut judge, mut asked) = season();
    let late = reading(DAY_0 + Span::days(DAYS - 1) + Span::minutes(90), 61.0);
    assert_eq!(amend(&mut judge, &mut asked, &[late]), [DAYS - 1]);
}

#[test]
fn an_entry_that_comes_late_costs_the_days_since() {
    let (mut judge, asked) = season();
    let turned = LogEntry { at: DAY_0 + Span::days(15) + Span::hours(9), event: LogEvent::Turned };
    judge.set_log(std::slice::from_ref(&turned), &asked);
    assert_eq!(asked.days(), [15, 16, 17, 18, 19]);
    judge.set_log(&[turned], &asked);
    assert!(asked.days().is_empty(), "the same log again changes nothing");
}

#[test]
fn an_entry_after_the_newest_reading_costs_nothing() {
    let (mut judge, asked) = season();
    let turned = LogEntry { at: DAY_0 + Span::days(DAYS) + Span::hours(9), event: LogEvent::Turned };
    judge.set_log(&[turned], &asked);
    assert!(asked.days().is_empty());
}

/// Lets readings come late; the days that are judged again. The judgement must be that of the set.
fn amend(judge: &mut Judge, asked: &mut Asked, late: &[Reading]) -> Vec<i64> {
    asked.kept.keep(late);
    for reading in late {
        let sample = judge.sources().sample(reading).unwrap();
        assert_eq!(judge.take(sample), Taken::Late);
    }
    judge.rejudge(late.first().unwrap().at, late.last().unwrap().at, asked);
    let days = asked.days();
    let mut all = steady();
    all.extend_from_slice(late);
    assert_eq!(judge.judgement(), Judge::of_set(pile(), standards(), &[], &all).judgement());
    // Nothing was lost on the way: the stream goes on after its newest reading.
    let next = DAY_0 + Span::days(DAYS);
    assert_eq!(judge.newest(), Some(next - Span::minutes(30)));
    let sample = judge.sources().sample(&reading(next, 60.0)).unwrap();
    assert_eq!(judge.take(sample), Taken::InOrder);
    days
}

// === impl Asked ===

impl Asked {
    /// The days asked for since the last call, each once.
    fn days(&self) -> Vec<i64> {
        let mut days = self.days.take();
        days.dedup();
        days
    }
}

fn season() -> (Judge, Asked) {
    let mut judge = Judge::new(pile(), standards(), &[]);
    for reading in steady() {
        let sample = judge.sources().sample(&reading).unwrap();
        assert_eq!(judge.take(sample), Taken::InOrder);
    }
    (judge, Asked { kept: Kept::of(&steady()), days: RefCell::default() })
}

/// A reading every half hour.
fn steady() -> Vec<Reading> {
    (0..DAYS * 48).map(|half_hour| reading(DAY_0 + Span::minutes(30 * half_hour), 60.0)).collect()
}

fn reading(at: At, value: f64) -> Reading {
    Reading { at, source: Source::Probe(ProbeId::new("k1")), value, unit: Unit::Celsius }
}

fn day(at: At) -> i64 {
    (at - DAY_0).0.div_euclid(Span::days(1).0)
}

fn standards() -> Vec<Standard> {
    CASES.iter().max_by_key(|case| case.standards.len()).unwrap().standards.clone()
}

fn pile() -> Pile {
    let heart = SpotName::new("heart");
    Pile {
        id: PileId::new("2026-07"),
        method: Method::AeratedStatic,
        material: Material::Manure,
        built: DAY_0 - Span::days(1),
        initial_cn: None,
        standards: Vec::new(),
        spots: vec![Spot { name: heart.clone(), zone: Zone::Core, depth_in: None, watched_only: false }],
        placements: vec![Placement {
            probe: ProbeId::new("k1"),
            spot: heart,
            from: DAY_0 - Span::days(1),
            until: None,
            every: Span::minutes(30),
            offset_c: 0.0,
        }],
        settings: Settings::default(),
    }
}
