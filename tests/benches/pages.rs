//! How fast pages and answers of the API are served from a store of 4.2 million readings.
//!
//! A pile with a year of readings, one a minute from each of six spots, and a second one with two more. A daemon in this
//! process, on loopback, one request a connection as browsers send them. The questions to the store are those of a
//! daemon at work: nothing is kept from one request to the next but what the daemon itself keeps.
//! `cargo bench -p heapward-tests --bench pages` prints a line for each address, and at its end one line of JSON with
//! the slowest of the pages and of the API. Goals: a page in 50 ms (median) and 120 kB, an answer of the API in 300 ms
//! (p99). `HEAPWARD_BENCH_DAYS` (365) and `HEAPWARD_BENCH_REQUESTS` (200) change the size.

#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    clippy::cast_precision_loss,
    reason = "a measurement that cannot go on stops with the place"
)]

use std::io::{Read, Write};
use std::net::{SocketAddr, TcpStream};
use std::ops::Range;
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

/// Spots of the pile that is looked at, and of the one beside it: a probe in each, `k0` and on.
const SPOTS: [(&str, &str); 8] = [
    ("core-north", "core"),
    ("core-south", "core"),
    ("middle", "middle"),
    ("outer-north", "outer"),
    ("outer-south", "outer"),
    ("base", "base"),
    ("core", "core"),
    ("outer", "outer"),
];
const OF_FIRST: usize = 6;
/// 2026-05-01T15:00:00Z.
const BUILT: At = At(1_777_647_600_000);

fn from_environment(name: &str, otherwise: i64) -> i64 {
    std::env::var(name).ok().and_then(|text| text.parse().ok()).unwrap_or(otherwise)
}

/// What asking for one address came to.
struct Measured {
    median_ms: f64,
    p99_ms: f64,
    bytes: usize,
}

/// Asked for by people; the rest by scripts.
const PAGES: [&str; 7] = [
    "/piles/2026-01?range=all",
    "/piles/2026-01?range=30d",
    "/piles/2026-01?range=7d",
    "/piles/2026-01?range=6h",
    "/piles/2026-02?range=all",
    "/",
    "/probes",
];
const ANSWERS: [&str; 8] = [
    "/v1/piles",
    "/v1/piles/2026-01/readings",
    "/v1/piles/2026-01/history?step=6h",
    "/v1/piles/2026-01/history?step=24h",
    "/v1/piles/2026-01/history?from=2000-01-01T00:00:00Z&to=2100-01-01T00:00:00Z&step=1ms",
    "/v1/piles/2026-01/history?from=2026-06-01T00:00:00Z&format=csv",
    "/v1/piles/2026-01/history?from=2026-06-01T00:00:00Z&to=2026-06-08T00:00:00Z&step=5m",
    "/v1/piles/2026-01/history?step=1h&spot=base&format=sheet",
];

fn main() {
    let days = from_environment("HEAPWARD_BENCH_DAYS", 365);
    let requests = from_environment("HEAPWARD_BENCH_REQUESTS", 200);
    let dir = tempfile::tempdir().unwrap();
    let end = BUILT + Span::days(days);
    let readings = fill(dir.path(), end);
    let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build().unwrap();
    let begun = Instant::now();
    let (daemon, at) = runtime.block_on(start(dir.path(), end));
    let started = begun.elapsed().as_secs_f64();
    println!("{readings} readings, opened and judged in {started:.1} s");
    let pages = PAGES.map(|target| measure(at, target, requests));
    let answers = ANSWERS.map(|target| measure(at, target, requests));
    runtime.block_on(daemon.stop());
    let most = |measured: &[Measured], of: fn(&Measured) -> f64| measured.iter().map(of).fold(0.0, f64::max);
    let year = &pages[0];
    println!(
        "{{\"bench\":\"pages\",\"readings\":{readings},\"started_s\":{started:.1},\"year_median_ms\":{:.1},\
         \"year_p99_ms\":{:.1},\"year_bytes\":{},\"page_median_ms\":{:.1},\"page_p99_ms\":{:.1},\"page_bytes\":{:.0},\
         \"api_median_ms\":{:.1},\"api_p99_ms\":{:.1}}}",
        year.median_ms,
        year.p99_ms,
        year.bytes,
        most(&pages, |one| one.median_ms),
        most(&pages, |one| one.p99_ms),
        most(&pages, |one| one.bytes as f64),
        most(&answers, |one| one.median_ms),
        most(&answers, |one| one.p99_ms),
    );
}

/// Piles that heat up, are hot for three weeks and cool for the rest of the year, with the ripple of their blowers. Says
/// how many readings there are.
fn fill(dir: &Path, end: At) -> usize {
    let options = StoreOptions::new(dir.join("records"), chrono_tz::America::New_York);
    let (mut store, _) = Store::open(&options).unwrap();
    let key = |n: usize| SeriesKey {
        probe: ProbeId::new(format!("k{n}")),
        quantity: Quantity::Temperature,
        unit: Unit::Fahrenheit,
    };
    let series: Vec<SeriesId> = (0..SPOTS.len()).map(|n| store.series(&key(n)).unwrap()).collect();
    for pile in [pile("2026-01", 0..OF_FIRST), pile("2026-02", OF_FIRST..SPOTS.len())] {
        let built = NewEntry {
            pile: Some(pile.id.clone()),
            at_ms: BUILT.0,
            entered_ms: BUILT.0,
            by: "OM".to_owned(),
            note: String::new(),
            corrects: None,
            event: Event::Built,
        };
        store.transact(|tx| tx.put_pile(&pile).and_then(|()| tx.append_entry(built))).unwrap();
    }
    let (mut day, mut count) = (BUILT, 0);
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
        count += readings.len();
        day = day + Span::days(1);
        while store.seal(day).unwrap().more {}
    }
    count
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

fn pile(id: &str, probes: Range<usize>) -> PileRecord {
    let spot = |(name, zone): &(&str, &str)| SpotRecord {
        name: (*name).to_owned(),
        zone: (*zone).to_owned(),
        depth_in: Some(18.0),
        watched_only: false,
    };
    let placement = |n: usize| PlacementRecord {
        probe: format!("k{n}"),
        spot: SPOTS[n].0.to_owned(),
        from_ms: BUILT.0,
        until_ms: None,
        every_ms: 60_000,
        offset_c: 0.0,
    };
    PileRecord {
        recipe: None,
        id: id.to_owned(),
        bay: Some("1".to_owned()),
        method: "aerated-static".to_owned(),
        material: "manure".to_owned(),
        built_ms: BUILT.0,
        initial_cn: Some(30.0),
        standards: vec!["us-organic".to_owned()],
        spots: SPOTS[probes.clone()].iter().map(spot).collect(),
        placements: probes.map(placement).collect(),
        settings: SettingsRecord::default(),
    }
}

async fn start(dir: &Path, now: At) -> (Daemon, SocketAddr) {
    // Nobody listens there: the pages are asked, no message comes in.
    let broker = format!("[broker]\nhost = \"127.0.0.1\"\nport = {}\n", free_port());
    let probe = |n| {
        format!(
            "[[probe]]\nid = \"k{n}\"\ntopic = \"barn/k{n}\"\nvalue = \"\"\nevery = \"1m\"\nunit = \"F\"\n"
        )
    };
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

fn measure(at: SocketAddr, target: &'static str, requests: i64) -> Measured {
    let (_, bytes) = get(at, target, "");
    let (_, packed) = get(at, target, "Accept-Encoding: gzip\r\n");
    let mut times: Vec<Duration> = (0..requests).map(|_| get(at, target, "").0).collect();
    times.sort_unstable();
    let ms = |n: usize| times[n.min(times.len() - 1)].as_secs_f64() * 1_000.0;
    let (median_ms, p99_ms) = (ms(times.len() / 2), ms(times.len() * 99 / 100));
    println!("{target}: median {median_ms:.1} ms, p99 {p99_ms:.1} ms, {bytes} bytes, {packed} packed");
    Measured { median_ms, p99_ms, bytes }
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
