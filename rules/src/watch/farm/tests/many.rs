//! A farm with a thousand probes: a look at all of them costs some walks over them, never one for each of them.

use super::*;

const PROBES: usize = 1_000;
/// So many walks a look may take.
const WALKS_MAX: usize = 12;

fn name(n: usize) -> String {
    format!("k{n:04}")
}

/// A hundred piles with ten probes each, two in each of five zones, all with an open run.
fn large() -> Farm {
    let mut farm = Farm::new(SilenceParams::default());
    let zones = [Zone::Core, Zone::Outer, Zone::Base, Zone::Cover, Zone::Ambient];
    for p in 0..PROBES / 10 {
        let names: Vec<String> = (0..10).map(|n| name(p * 10 + n)).collect();
        let spots: Vec<String> = (0..10).map(|n| format!("s{n}")).collect();
        let probes: Vec<(&str, &str, Zone, i64)> =
            (0..10).map(|n| (names[n].as_str(), spots[n].as_str(), zones[n / 2], 1)).collect();
        let id = format!("2026-{p:03}");
        farm.set_pile(&pile(&id, &probes), &[]);
        run_is_open(&mut farm, &id, "s0");
    }
    farm
}

/// Some probes speak every minute, each at a second of its own; the walks that took, and what was found.
fn minutes(
    farm: &mut Farm,
    minutes: std::ops::Range<i64>,
    speaks: impl Fn(usize) -> bool,
) -> (usize, Vec<FarmFinding>) {
    farm.walks.set(0);
    let mut found = Vec::new();
    for minute in minutes {
        for n in (0..PROBES).filter(|n| speaks(*n)) {
            let at = At(0) + Span::minutes(minute) + Span(i64::try_from(n).expect("small") * 60);
            let probe = ProbeId::new(name(n).as_str());
            found.extend(farm.came_in(&probe, at, at));
        }
    }
    (farm.walks.get(), found)
}

fn opened(found: &[FarmFinding]) -> usize {
    found.iter().filter(|found| found.finding.change == Change::Opened).count()
}

#[test]
fn many_silent_probes_cost_a_reading_no_walk() {
    let mut farm = large();
    minutes(&mut farm, 0..5, |_| true);
    let is_well = |n: usize| n % 10 >= 4;
    let (walks, found) = minutes(&mut farm, 5..25, is_well);
    assert_eq!(opened(&found), 400);
    // One look at the limit of each silent probe, and those at the beginning.
    assert!(walks <= 2_000 * WALKS_MAX, "{walks}");
    let (walks, found) = minutes(&mut farm, 25..55, is_well);
    assert_eq!(found, []);
    // 18,000 readings, while 400 probes are silent and nothing begins or ends.
    assert!(walks <= 100 * WALKS_MAX, "{walks}");
}

#[test]
fn looks_at_many_deadlines_take_some_walks_each() {
    let mut farm = large();
    minutes(&mut farm, 0..5, |_| true);
    minutes(&mut farm, 5..30, |n| n % 10 == 9);
    farm.walks.set(0);
    // After two hours every second one of the hearts, whose neighbour is silent too, is worth a text.
    let found = farm.tick(clock("02:10"));
    let looks = 3 * PROBES;
    assert!(farm.walks.get() <= looks * WALKS_MAX, "{}", farm.walks.get());
    let worsened = found.iter().filter(|found| found.finding.change == Change::Worsened).count();
    assert_eq!(worsened, 100);
}
