//! How fast pages are served of a pile with a year of readings, one a minute from each of six spots.
//!
//! A daemon in this process, on loopback, one request a connection as browsers send them. The questions to the store are
//! those of a daemon at work: nothing is kept from one request to the next but what the daemon itself keeps.
//! `cargo bench -p heapward-tests --bench pages` prints one line of JSON for each address.
//! `HEAPWARD_BENCH_DAYS` (365) and `HEAPWARD_BENCH_REQUESTS` (60) change the size.

#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    clippy::cast_precision_loss,
    reason = "a measurement that cannot go on stops with the place"
)]

use std::io::{Read, Write};
use std::net::{SocketAddr, TcpStream};
use std::path::Path;
use std::sync::Arc;
use std::time::{Duration, Instant};

use heapward::clock::ManualClock;
use heapward::config::read::read;
use heapward::model::entry::{Event, NewEntry};
use heapward::model::pile::{PileRecord, PlacementRecord, SettingsRecord, SpotRecord};
use heapward::model::reading::SeriesKey;
use heapward::run::{Daemon, Parts};
use heapward::store::{NewReading, SeriesId, Store, StoreOptions};
use heapward_rules::ids::ProbeId;
use heapward_rules::reading::{Quantity, Unit};
use heapward_rules::units::{At, Span};
use heapward_tests::daemon::config_text;
use heapward_tests::process::free_port;

const SPOTS: [(&str, &str); 6] = [
    ("core-north", "core"),
    ("core-south", "core"),
    ("middle", "middle"),
    ("outer-north", "outer"),
    ("outer-south", "outer"),
    ("base", "base"),
];
/// 2026-05-01T15:00:00Z.
const BUILT: At = At(1_777_647_600_000);

fn from_environment(name: &str, otherwise: i64) -> i64 {
    std::env::var(name).ok().and_then(|text| text.parse().ok()).unwrap_or(otherwise)
}

fn main() {
    let days = from_environment("HEAPWARD_BENCH_DAYS", 365);
    let requests = from_environment("HEAPWARD_BENCH_REQUESTS", 60);
    let dir = tempfile::tempdir().unwrap();
    let end = BUILT + Span::days(days);
    fill(dir.path(), end);
    let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build().unwrap();
    let begun = Instant::now();
    let (daemon, at) = runtime.block_on(start(dir.path(), end));
    println!("{{\"started_and_judged_s\":{:.1}}}", begun.elapsed().as_secs_f64());
    for target in [
        "/piles/2026-01?range=all",
        "/piles/2026-01?range=30d",
        "/piles/2026-01?range=7d",
        "/piles/2026-01?range=6h",
        "/",
        "/v1/piles/2026-01/history?step=6h",
        "/v1/piles/2026-01/history?from=2000-01-01T00:00:00Z&to=2100-01-01T00:00:00Z&step=1ms",
    ] {
        measure(at, target, requests);
    }
    runtime.block_on(daemon.stop());
}

/// A pile that heats up, is hot for three weeks and cools for the rest of the year, with the ripple of its blower.
fn fill(dir: &Path, end: At) {
    let options = StoreOptions::new(dir.join("records"), chrono_tz::America::New_York);
    let (mut store, _) = Store::open(&options).unwrap();
    let key = |n: usize| SeriesKey {
        probe: ProbeId::new(format!("k{n}")),
        quantity: Quantity::Temperature,
        unit: Unit::Fahrenheit,
    };
    let series: Vec<SeriesId> = (0..SPOTS.len()).map(|n| store.series(&key(n)).unwrap()).collect();
    let pile = pile();
    let event = NewEntry {
        pile: Some(pile.id.clone()),
        at_ms: BUILT.0,
        entered_ms: BUILT.0,
        by: "OM".to_owned(),
        note: String::new(),
        corrects: None,
        event: Event::Built,
    };
    store.transact(|tx| tx.put_pile(&pile).and_then(|()| tx.append_entry(event))).unwrap();
    let mut day = BUILT;
    while day < end {
        let minutes = (0..1_440).map(|n| day + Span::minutes(n));
        let readings: Vec<NewReading> = minutes
            .flat_map(|at| {
                series.iter().enumerate().map(move |(n, series)| NewReading {
                    series: *series,
                    at,
                    value: fahrenheit(at, n),
                })
            })
            .collect();
        store.append(&readings).unwrap();
        day = day + Span::days(1);
        while store.seal(day).unwrap().more {}
    }
}

/// To the sixteenth of a degree Celsius, as common probes say it.
fn fahrenheit(at: At, spot: usize) -> f64 {
    let hours = (at - BUILT).as_hours();
    let climb = 1.0 - (-hours / 30.0).exp();
    let fade = (-(hours - 500.0).max(0.0) / 900.0).exp();
    let daily = (hours / 24.0 * std::f64::consts::TAU).sin();
    let ripple = (hours * 3.0 * std::f64::consts::TAU + spot as f64).sin();
    let c = 18.0 + (44.0 - 2.5 * spot as f64) * climb * fade + 1.5 * daily + 0.7 * ripple;
    ((c * 16.0).round() / 16.0).mul_add(1.8, 32.0)
}

fn pile() -> PileRecord {
    let spot = |(name, zone): (&str, &str)| SpotRecord {
        name: name.to_owned(),
        zone: zone.to_owned(),
        depth_in: Some(18.0),
        watched_only: false,
    };
    let placement = |(n, (spot, _)): (usize, &(&str, &str))| PlacementRecord {
        probe: format!("k{n}"),
        spot: (*spot).to_owned(),
        from_ms: BUILT.0,
        until_ms: None,
        every_ms: 60_000,
        offset_c: 0.0,
    };
    PileRecord {
        recipe: None,
        id: "2026-01".to_owned(),
        bay: Some("1".to_owned()),
        method: "aerated-static".to_owned(),
        material: "manure".to_owned(),
        built_ms: BUILT.0,
        initial_cn: Some(30.0),
        standards: vec!["us-organic".to_owned()],
        spots: SPOTS.map(spot).into(),
        placements: SPOTS.iter().enumerate().map(placement).collect(),
        settings: SettingsRecord::default(),
    }
}

async fn start(dir: &Path, now: At) -> (Daemon, SocketAddr) {
    // Nobody listens there: the pages are asked, no message comes in.
    let broker = format!("[broker]\nhost = \"127.0.0.1\"\nport = {}\n", free_port());
    let probe =
        |n| format!("[[probe]]\nid = \"k{n}\"\ntopic = \"barn/k{n}\"\nevery = \"1m\"\nunit = \"F\"\n");
    let probes: String = (0..SPOTS.len()).map(probe).collect();
    let config =
        read("bench", &config_text(dir, free_port(), &format!("{broker}{probes}")), dir, None).unwrap();
    let http = tokio::net::TcpListener::bind(config.http.listen).await.unwrap();
    let at = http.local_addr().unwrap();
    let parts = Parts {
        config,
        standards: heapward::standards::load(None).unwrap(),
        clock: Arc::new(ManualClock::new(now)),
        http,
        endpoint: None,
        terminal: || Box::new(std::io::stderr()),
    };
    (Daemon::start(parts).await.unwrap(), at)
}

fn measure(at: SocketAddr, target: &str, requests: i64) {
    let (_, plain) = get(at, target, "");
    let (_, packed) = get(at, target, "Accept-Encoding: gzip\r\n");
    let mut times: Vec<Duration> = (0..requests).map(|_| get(at, target, "").0).collect();
    times.sort_unstable();
    let ms = |n: usize| times[n.min(times.len() - 1)].as_secs_f64() * 1_000.0;
    println!(
        "{{\"target\":\"{target}\",\"median_ms\":{:.1},\"p99_ms\":{:.1},\"bytes\":{plain},\"bytes_gzip\":{packed}}}",
        ms(times.len() / 2),
        ms(times.len() * 99 / 100),
    );
}

/// Time from the connection to the last byte, and the bytes of the body.
fn get(at: SocketAddr, target: &str, headers: &str) -> (Duration, usize) {
    let begun = Instant::now();
    let mut stream = TcpStream::connect(at).unwrap();
    write!(stream, "GET {target} HTTP/1.1\r\nHost: {at}\r\n{headers}\r\n").unwrap();
    let mut answer = Vec::new();
    stream.read_to_end(&mut answer).unwrap();
    let took = begun.elapsed();
    assert!(answer.starts_with(b"HTTP/1.1 200"), "{target}: {}", String::from_utf8_lossy(&answer[..200]));
    let head = answer.windows(4).position(|four| four == b"\r\n\r\n").unwrap() + 4;
    (took, answer.len() - head)
}
