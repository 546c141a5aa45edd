//! Five years of a farm: eighty piles in two bays, six probes, a reading of each every five minutes. Any pile's page
//! comes within a second, and nothing of the oldest is gone.

use std::path::Path;
use std::time::{Duration, Instant};

use heapward::model::entry::{Event, NewEntry};
use heapward::model::pile::{PileRecord, PlacementRecord, SettingsRecord, SpotRecord};
use heapward::model::reading::SeriesKey;
use heapward::model::time::rfc3339;
use heapward::store::{NewReading, SeriesId, Store, StoreOptions};
use heapward_rules::ids::ProbeId;
use heapward_rules::reading::{Quantity, Unit};
use heapward_rules::units::{At, Span};
use heapward_tests::daemon::{Daemon, now};
use heapward_tests::process::free_port;

const PILES_OF_A_BAY: i64 = 40;
/// Of a pile in its bay: forty of them are five years.
const STAY: Span = Span::hours(1_095);
const EVERY: Span = Span::minutes(5);
const SPOTS: [(&str, &str); 3] = [("core", "core"), ("outer", "outer"), ("base", "base")];

fn entry(pile: &str, at: At, event: Event) -> NewEntry {
    NewEntry {
        pile: Some(pile.to_owned()),
        at_ms: at.0,
        entered_ms: at.0,
        by: "OM".to_owned(),
        note: String::new(),
        corrects: None,
        event,
    }
}

/// The n-th pile of a bay.
fn pile(bay: usize, n: i64, begin: At) -> PileRecord {
    let from = begin + Span(STAY.0 * n);
    PileRecord {
        id: format!("{bay}-{n:02}"),
        bay: Some(bay.to_string()),
        method: "aerated-static".to_owned(),
        material: "manure".to_owned(),
        built_ms: from.0,
        initial_cn: Some(30.0),
        recipe: None,
        standards: vec!["us-organic".to_owned(), "us-produce".to_owned()],
        spots: SPOTS
            .iter()
            .map(|(name, zone)| SpotRecord {
                name: (*name).to_owned(),
                zone: (*zone).to_owned(),
                depth_in: Some(18.0),
                watched_only: false,
            })
            .collect(),
        placements: (0..SPOTS.len())
            .map(|spot| PlacementRecord {
                probe: format!("k{}", bay * SPOTS.len() + spot),
                spot: SPOTS[spot].0.to_owned(),
                from_ms: from.0,
                until_ms: (n + 1 < PILES_OF_A_BAY).then_some((from + STAY).0),
                every_ms: EVERY.0,
                offset_c: 0.0,
            })
            .collect(),
        settings: SettingsRecord::default(),
    }
}

/// A week of heat, and a slow fall; with the ripple of the blower, to the sixteenth of a degree as common probes say it.
#[expect(clippy::cast_precision_loss, reason = "a probe's number")]
fn celsius(hours: f64, probe: usize) -> f64 {
    let climb = 1.0 - (-hours / 20.0).exp();
    let fade = (-(hours - 300.0).max(0.0) / 600.0).exp();
    let c = 16.0 + (47.0 - probe as f64) * climb * fade + 0.7 * (hours * 9.0 + probe as f64).sin();
    (c * 16.0).round() / 16.0
}

/// How many readings there are.
fn fill(dir: &Path, begin: At, end: At) -> usize {
    let options = StoreOptions::new(dir.join("records"), chrono_tz::UTC);
    let mut store = Store::open(&options).unwrap().0;
    for (bay, n) in (0..2).flat_map(|bay| (0..PILES_OF_A_BAY).map(move |n| (bay, n))) {
        let pile = pile(bay, n, begin);
        let mut entries = vec![entry(&pile.id, At(pile.built_ms), Event::Built)];
        if n + 1 < PILES_OF_A_BAY {
            let used = Event::Used {
                bed: "north-4".to_owned(),
                cubic_yards: Some(4.0),
                crop: None,
                touches_soil: None,
                harvest: None,
            };
            let gone = At(pile.built_ms) + STAY;
            entries.push(entry(&pile.id, gone - Span::hours(300), Event::MovedToCuring));
            entries.push(entry(&pile.id, gone, used));
        }
        let written = store.transact(|tx| {
            tx.put_pile(&pile)?;
            entries.iter().try_for_each(|entry| tx.append_entry(entry.clone()).map(|_| ()))
        });
        written.unwrap();
    }
    let series: Vec<SeriesId> = (0..2 * SPOTS.len())
        .map(|n| {
            let probe = ProbeId::new(format!("k{n}"));
            store.series(&SeriesKey { probe, quantity: Quantity::Temperature, unit: Unit::Celsius }).unwrap()
        })
        .collect();
    let (mut next, mut count) = (begin, 0);
    while next < end {
        let mut rows = Vec::new();
        for at in (0..2_000).map(|n| next + Span(EVERY.0 * n)).filter(|at| *at < end) {
            let hours = Span((at - begin).0 % STAY.0).as_hours();
            rows.extend(series.iter().enumerate().map(|(n, series)| NewReading {
                series: *series,
                at,
                value: celsius(hours, n),
            }));
        }
        store.append(&rows).unwrap();
        count += rows.len();
        next = next + Span(EVERY.0 * 2_000);
        while store.seal(next).unwrap().more {}
    }
    count
}

#[test]
fn a_page_of_any_pile_comes_within_a_second_and_the_oldest_readings_are_all_there() {
    let memory = Path::new("/dev/shm");
    let dir = if memory.is_dir() { tempfile::tempdir_in(memory) } else { tempfile::tempdir() }.unwrap();
    // To the five minutes, and the newest piles stand.
    let end = At(now().0 / EVERY.0 * EVERY.0);
    let begin = end - Span(STAY.0 * PILES_OF_A_BAY) + Span::days(10);
    let (filling, count) = (Instant::now(), fill(dir.path(), begin, end));
    assert!(count > 3_100_000, "{count} readings are no five years");
    println!("filled with {count} readings in {:?}", filling.elapsed());
    let starting = Instant::now();
    let daemon = Daemon::start(dir.path(), &format!("[endpoint]\nlisten = \"127.0.0.1:{}\"\n", free_port()));
    println!("started in {:?}", starting.elapsed());

    let mut slowest = Duration::ZERO;
    for (bay, n) in (0..2).flat_map(|bay| (0..PILES_OF_A_BAY).map(move |n| (bay, n))) {
        for range in ["", "?range=all"] {
            let path = format!("/piles/{bay}-{n:02}{range}");
            let asked = Instant::now();
            let page = daemon.site.text(&path);
            let took = asked.elapsed();
            slowest = slowest.max(took);
            assert!(took < Duration::from_secs(1), "{path} took {took:?}");
            let proven = page.contains("qualified") && page.contains("<svg");
            assert!(proven, "{path} shows no verdict or no chart");
        }
    }
    println!("the slowest page took {slowest:?}");

    // Nothing prunes: of the first day of all each reading of the pile's probes is still given.
    let day = format!("from={}&to={}", rfc3339(begin), rfc3339(begin + Span::days(1)));
    let history = daemon.site.text(&format!("/v1/piles/0-00/history?{day}&step=5m&format=csv"));
    let rows = history.lines().count() - 1;
    assert_eq!(rows, 3 * 288, "{}", history.lines().take(5).collect::<Vec<_>>().join("\n"));
}
