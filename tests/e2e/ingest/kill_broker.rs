//! `kill -9`, a hundred times, in a stream of numbered messages through mosquitto while a pile is judged: what the broker
//! acknowledged is stored, and nothing twice.

use std::collections::BTreeMap;

use heapward::model::time::{parse_rfc3339, rfc3339};
use heapward_rules::units::{At, Span};
use heapward_tests::broker::Broker;
use heapward_tests::daemon::{Daemon, now};
use heapward_tests::publisher::Publisher;
use heapward_tests::site::Site;
use heapward_tests::wait::wait_until;
use serde_json::json;

use super::kill::kill_again_and_again;

/// About 60,000 messages over all kills.
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

/// A number is told by the millisecond of its reading, and again by its value.
fn celsius(number: u64) -> String {
    format!("{}.{:03}", number % 50_000 / 1_000, number % 1_000)
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
            let at = parse_rfc3339(reading["time"].as_str().unwrap()).unwrap();
            let number = u64::try_from((at - base).0).unwrap();
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

#[test]
fn what_was_acknowledged_is_stored_once_through_a_hundred_kills() {
    let dir = tempfile::tempdir().unwrap();
    let broker = Broker::start(dir.path());
    let mut daemon = Daemon::start(dir.path(), &config(&broker));
    let site = daemon.site.clone();
    let base = now() - Span::minutes(10);
    begin_pile(&site, base - Span::hours(1));

    let message = move |number: u64| {
        let at = base.0 + i64::try_from(number).unwrap();
        (format!("heap/n{}", number % PROBES), format!(r#"{{"at":{at},"c":{}}}"#, celsius(number)))
    };
    let publisher = Publisher::start(broker.port, PER_SECOND, Box::new(message));
    kill_again_and_again(&mut daemon);
    let acknowledged = publisher.finish();
    assert!(acknowledged.len() > 40_000, "only {} messages came through", acknowledged.len());

    let mut times = BTreeMap::new();
    wait_until("everything that was acknowledged to be stored", || {
        times = stored(&site, base);
        acknowledged.iter().all(|number| times.contains_key(number))
    });
    let twice: Vec<&u64> = times.iter().filter(|(_, count)| **count > 1).map(|(number, _)| number).collect();
    assert!(twice.is_empty(), "{} numbers are stored twice, {:?} among them", twice.len(), twice.first());
    println!("{} messages acknowledged by the broker, {} stored", acknowledged.len(), times.len());
    assert_eq!(daemon.process().stop().code(), Some(0));
}
