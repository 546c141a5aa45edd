//! `kill -9`, a hundred times, in a stream of 60,000 numbered messages through mosquitto while a pile is judged: what the
//! broker acknowledged is stored, nothing twice, and verdict and log are those of a daemon that nobody killed.

use std::collections::BTreeMap;

use heapward::model::time::{parse_rfc3339, rfc3339};
use heapward_rules::units::{At, Span};
use heapward_tests::broker::Broker;
use heapward_tests::daemon::{Daemon, now};
use heapward_tests::publisher::Publisher;
use heapward_tests::site::Site;
use heapward_tests::wait::wait_until;
use serde_json::{Value, json};

use super::kill::kill_again_and_again;

const MESSAGES: u64 = 60_000;
const PER_SECOND: u32 = 1_500;
const PROBES: u64 = 8;

fn config(broker: &Broker) -> String {
    let probe = |n: u64| {
        format!(
            "[[probe]]\nid = \"n{n}\"\ntopic = \"heap/n{n}\"\nevery = \"1m\"\nvalue = \"/c\"\nunit = \"C\"\n\
             time = \"/at\"\ntime_format = \"epoch_ms\"\n"
        )
    };
    let probes: String = (0..PROBES).map(probe).collect();
    format!("[broker]\nhost = \"127.0.0.1\"\nport = {}\n{probes}", broker.port)
}

/// When a number was read: each probe once a minute, for some five days. A number is told by its instant and probe.
fn at(base: At, number: u64) -> At {
    base + Span::minutes(i64::try_from(number / PROBES).unwrap())
        + Span(i64::try_from(number % PROBES).unwrap())
}

/// And again by its value: warm enough to qualify, but for two hours of the second day.
fn celsius(number: u64) -> String {
    let minute = number / PROBES;
    let whole = if (1_500..1_620).contains(&minute) { 50 } else { 57 };
    format!("{whole}.{:05}", number % 100_000)
}

fn begin_pile(site: &Site, built: At) {
    let spots: Vec<_> = (0..PROBES).map(|n| json!({ "name": format!("spot-{n}"), "zone": "core" })).collect();
    site.post(
        "/v1/piles",
        &json!({
            "pile": "2026-07", "method": "aerated-static", "material": "manure", "built": rfc3339(built),
            "standards": ["us-organic"], "spots": spots,
        }),
    );
    for n in 0..PROBES {
        let placement =
            json!({ "probe": format!("n{n}"), "spot": format!("spot-{n}"), "from": rfc3339(built) });
        site.post("/v1/piles/2026-07/placements", &placement);
    }
}

/// How often each number is stored. A reading with another value than its number has fails.
fn stored(site: &Site, base: At) -> BTreeMap<u64, u32> {
    let mut times = BTreeMap::new();
    let mut after = String::new();
    loop {
        let page = site.get(&format!("/v1/piles/2026-07/history?limit=10000{after}"));
        for reading in page["readings"].as_array().unwrap() {
            let since = (parse_rfc3339(reading["time"].as_str().unwrap()).unwrap() - base).0;
            let number =
                u64::try_from(since / 60_000).unwrap() * PROBES + u64::try_from(since % 60_000).unwrap();
            let wanted: f64 = celsius(number).parse().unwrap();
            assert!((reading["value"].as_f64().unwrap() - wanted).abs() < 1e-9, "{reading}");
            *times.entry(number).or_default() += 1;
        }
        match page["next"].as_str() {
            Some(next) => after = format!("&after={next}"),
            None => return times,
        }
    }
}

/// What was judged and written down: the verdicts, and the log without the instants at which it was written.
fn outcome(site: &Site) -> (Value, Vec<Value>) {
    let verdicts = site.get("/v1/piles/2026-07/verdicts");
    let log = site.get("/v1/piles/2026-07/entries?limit=500");
    let mut entries = log["items"].as_array().unwrap().clone();
    for entry in &mut entries {
        for of_writing in ["seq", "prev", "entered"] {
            entry.as_object_mut().unwrap().remove(of_writing);
        }
    }
    entries.sort_by_key(Value::to_string);
    (verdicts, entries)
}

fn publish_from(broker: &Broker, base: At, per_second: u32) -> Publisher {
    let message = move |number: u64| {
        let payload = format!(r#"{{"at":{},"c":{}}}"#, at(base, number).0, celsius(number));
        (format!("heap/n{}", number % PROBES), payload)
    };
    Publisher::start_some(broker.port, per_second, MESSAGES, Box::new(message))
}

/// Publishes all numbers while `meanwhile` is done to the daemon, and gives what came of it.
fn run(base: At, per_second: u32, meanwhile: impl FnOnce(&mut Daemon)) -> (Value, Vec<Value>) {
    let dir = tempfile::tempdir().unwrap();
    let broker = Broker::start(dir.path());
    let mut daemon = Daemon::start(dir.path(), &config(&broker));
    let site = daemon.site.clone();
    begin_pile(&site, base - Span::hours(1));
    let publisher = publish_from(&broker, base, per_second);
    meanwhile(&mut daemon);
    wait_until("all messages to be published", || publisher.acknowledged() >= MESSAGES);
    let acknowledged = publisher.finish();

    let mut times = BTreeMap::new();
    wait_until("everything that was acknowledged to be stored", || {
        times = stored(&site, base);
        acknowledged.iter().all(|number| times.contains_key(number))
    });
    let twice: Vec<&u64> = times.iter().filter(|(_, count)| **count > 1).map(|(number, _)| number).collect();
    assert!(twice.is_empty(), "{} numbers are stored twice, {:?} among them", twice.len(), twice.first());
    println!("{} messages acknowledged by the broker, {} stored", acknowledged.len(), times.len());
    let outcome = outcome(&site);
    assert_eq!(daemon.process().stop().code(), Some(0));
    outcome
}

#[test]
fn what_was_acknowledged_is_stored_once_through_a_hundred_kills() {
    let base = now() - Span::days(6);
    let (verdicts, entries) = run(base, PER_SECOND, kill_again_and_again);
    let unkilled = run(base, 4 * PER_SECOND, |_| {});
    assert_eq!(verdicts, unkilled.0);
    assert_eq!(entries, unkilled.1);
    let events: Vec<&str> = entries.iter().filter_map(|entry| entry["event"].as_str()).collect();
    println!("in both logs: {events:?}");
    assert!(events.contains(&"run-broken") && events.contains(&"run-qualified"));
}
