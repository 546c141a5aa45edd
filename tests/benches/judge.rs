//! How fast the judge is, and how much memory it keeps: `cargo bench -p heapward-tests --bench judge`.
//!
//! One pile-season: 6 spots, one reading a minute, 60 days (518,400 readings), two standards, on one core. The goals
//! are 150 ms for the season, 5 ms for a reading that comes 30 days late, 256 kB for a live pile. Memory is the
//! growth of the resident set over 200 copies. Ends with a line of JSON.
#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "a bench that cannot go on stops with the place"
)]

use std::hint::black_box;
use std::time::Instant;

use heapward::standards;
use heapward_rules::ids::{PileId, ProbeId, SpotName, StandardId};
use heapward_rules::judge::{History, Judge, Sample, Sources, Taken};
use heapward_rules::pile::{Material, Method, Pile, Placement, Settings, Spot, Zone};
use heapward_rules::reading::{Source, Unit};
use heapward_rules::standard::Standard;
use heapward_rules::units::{At, Span};

const BUILT: At = At(1_777_651_200_000);
const DAYS: i64 = 60;
const SPOTS: usize = 6;
const COPIES: usize = 200;
const ROUNDS: usize = 9;

struct Season(Vec<Sample>);

impl History for Season {
    fn samples(&self, _: &mut Sources, from: At, to: At) -> Vec<Sample> {
        let begin = self.0.partition_point(|sample| sample.at < from);
        let end = self.0.partition_point(|sample| sample.at < to);
        self.0[begin..end].to_vec()
    }
}

fn main() {
    let standards = chosen();
    let mut judge = Judge::new(pile(), standards.clone(), &[]);
    let season = Season(samples(judge.sources()));
    let count = season.0.len();

    let season_ms = median((0..ROUNDS).map(|_| {
        let started = Instant::now();
        let mut judge = Judge::new(pile(), standards.clone(), &[]);
        for sample in &season.0 {
            judge.take(*sample);
        }
        black_box(judge.judgement());
        millis(started)
    }));

    for sample in &season.0 {
        judge.take(*sample);
    }
    let (late_ms, verdict_ms) = late(&judge, season);
    let live_kb = resident_kb(&judge);
    println!("{count} readings judged in {season_ms:.1} ms (goal 150)");
    println!(
        "a reading 30 days late amended in {late_ms:.2} ms (goal 5), of it the verdict {verdict_ms:.2} ms"
    );
    println!("a live pile keeps {live_kb:.0} kB (goal 256)");
    println!(
        "{{\"bench\":\"judge\",\"readings\":{count},\"season_ms\":{season_ms:.1},\"late_ms\":{late_ms:.3},\"verdict_ms\":{verdict_ms:.3},\"live_kb\":{live_kb:.0}}}"
    );
}

/// A late reading in the middle of the season: commit, judge again, verdict.
fn late(judge: &Judge, season: Season) -> (f64, f64) {
    let at = BUILT + Span::days(DAYS / 2) + Span::hours(13) + Span(500);
    let missing = Sample { at, ..season.0[0] };
    let mut with_late = season.0.clone();
    with_late.insert(with_late.partition_point(|sample| sample.at < at), missing);
    let with_late = Season(with_late);
    let mut verdicts = Vec::new();
    let amended = median((0..ROUNDS).map(|_| {
        let mut judge = judge.clone();
        let started = Instant::now();
        assert_eq!(judge.take(missing), Taken::Late);
        judge.rejudge(at, at, &with_late);
        let judged = Instant::now();
        black_box(judge.judgement());
        verdicts.push(millis(judged));
        millis(started)
    }));
    drop(season);
    (amended, median(verdicts.into_iter()))
}

fn resident_kb(judge: &Judge) -> f64 {
    let before = statm_kb();
    let copies: Vec<Judge> = (0..COPIES).map(|_| judge.clone()).collect();
    let after = statm_kb();
    drop(black_box(copies));
    (after - before) / f64::from(u32::try_from(COPIES).unwrap())
}

fn statm_kb() -> f64 {
    let text = std::fs::read_to_string("/proc/self/statm").unwrap();
    text.split(' ').nth(1).unwrap().parse::<f64>().unwrap() * 4.096
}

fn chosen() -> Vec<Standard> {
    let known = standards::built_in().unwrap();
    ["us-organic", "us-organic-5021"].iter().map(|id| known[&StandardId::new(*id)].clone()).collect()
}

fn name(index: usize) -> SpotName {
    SpotName::new(format!("spot-{index}"))
}

fn pile() -> Pile {
    let zones = [Zone::Core, Zone::Core, Zone::Middle, Zone::Outer, Zone::Outer, Zone::Base];
    let spots = zones.iter().enumerate();
    Pile {
        id: PileId::new("2026-01"),
        method: Method::AeratedStatic,
        material: Material::Manure,
        built: BUILT,
        initial_cn: Some(30.0),
        standards: Vec::new(),
        spots: spots
            .map(|(index, zone)| Spot { name: name(index), zone: *zone, depth_in: None, watched_only: false })
            .collect(),
        placements: (0..SPOTS)
            .map(|index| Placement {
                probe: ProbeId::new(format!("k{index}")),
                spot: name(index),
                from: BUILT,
                until: None,
                every: Span::minutes(1),
                offset_c: 0.0,
            })
            .collect(),
        settings: Settings::default(),
    }
}

/// A climb, a plateau with blower ripple and noise, a slow fall; steps of 0.0625 °C.
fn samples(sources: &mut Sources) -> Vec<Sample> {
    let ids: Vec<_> =
        (0..SPOTS).map(|i| sources.number(&Source::Probe(ProbeId::new(format!("k{i}")))).unwrap()).collect();
    let mut samples = Vec::new();
    let mut noise = 0x9e37_79b9_7f4a_7c15_u64;
    for minute in 0..DAYS * 1_440 {
        for (index, source) in ids.iter().enumerate() {
            noise ^= noise << 13;
            noise ^= noise >> 7;
            noise ^= noise << 17;
            let days = f64::from(i32::try_from(minute).unwrap()) / 1_440.0;
            let climb = (days * 24.0).min(45.0) - f64::from(i32::try_from(index).unwrap()) * 1.5;
            let fall = (days - 25.0).max(0.0) * 0.9;
            let jitter = f64::from(u32::try_from(noise % 7).unwrap()) * 0.0625;
            let value = ((18.0 + climb - fall + jitter) * 16.0).round() / 16.0;
            let at = BUILT + Span::minutes(minute) + Span(i64::try_from(index).unwrap() * 1_700);
            samples.push(Sample { at, source: *source, value, unit: Unit::Celsius });
        }
    }
    samples
}

fn millis(since: Instant) -> f64 {
    since.elapsed().as_secs_f64() * 1_000.0
}

fn median(figures: impl Iterator<Item = f64>) -> f64 {
    let mut figures: Vec<f64> = figures.collect();
    figures.sort_by(f64::total_cmp);
    figures[figures.len() / 2]
}
