//! A flood through a real broker: the known probes' readings are all stored, soon, and memory stays small.
//!
//! A broker sends us only what a probe's filter asks for. So here a probe asks for far too much, with a wildcard: the
//! messages on its 100,000 topics hold nothing that it could read. `HEAPWARD_FLOOD_MESSAGES` (200000) come in 40 seconds;
//! `tests/soak floods` sends ten on each topic.

use std::collections::BTreeMap;
use std::io::Write;
use std::net::TcpStream;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use heapward_tests::broker::Broker;
use heapward_tests::daemon::Daemon;
use heapward_tests::site::Site;
use heapward_tests::wait::wait_until;

use super::flood::{DELAY_P99_MAX, MEMORY_MIB_MAX, count, guest, peak_memory_mib, publish};
use super::numbered::{PROBES, beginning, check, message, probes, stored};
use super::repeater::{Plan, Repeater};

const LASTS_MILLIS: u64 = 40_000;

/// When each number was published.
type Sent = Arc<Mutex<BTreeMap<u64, Instant>>>;

/// The newest number that is stored, by probe.
fn newest(site: &Site) -> BTreeMap<u64, u64> {
    let list = site.get("/v1/probes");
    let of = |item: &serde_json::Value| {
        let probe = item["probe"].as_str()?.strip_prefix('k')?.parse().ok()?;
        Some((probe, item["value"].as_f64()?.to_string().parse().ok()?))
    };
    list["items"].as_array().unwrap().iter().filter_map(of).collect()
}

/// Asks the daemon again and again which numbers are stored, until all are that were sent before `is_over`; how long
/// each took from its publishing until it was seen, but for the time of the question.
fn watch(site: &Site, sent: &Sent, is_over: &AtomicBool) -> Vec<Duration> {
    let (mut delays, mut next) = (Vec::new(), (0..PROBES).collect::<Vec<u64>>());
    let end = Duration::from_millis(LASTS_MILLIS * 3);
    let began = Instant::now();
    loop {
        let last_turn = is_over.load(Ordering::Relaxed);
        let asked = Instant::now();
        let newest = newest(site);
        let sent = sent.lock().unwrap();
        for (probe, newest) in newest {
            let next = &mut next[usize::try_from(probe).unwrap()];
            while *next <= newest {
                delays.push(asked.saturating_duration_since(sent[&*next]));
                *next += PROBES;
            }
        }
        if last_turn && next.iter().all(|next| !sent.contains_key(next)) {
            return delays;
        }
        drop(sent);
        assert!(began.elapsed() < end, "not all is stored: {next:?}");
        std::thread::sleep(Duration::from_millis(50));
    }
}

/// Messages that hold nothing, each topic in turn, spread over the time.
fn roar(port: u16) {
    let mut stream = guest(port, "noise");
    let (began, count) = (Instant::now(), count());
    for n in 0..count {
        if n % 100 == 0 {
            let due = Duration::from_millis(LASTS_MILLIS * n / count);
            std::thread::sleep(due.saturating_sub(began.elapsed()));
        }
        send(&mut stream, n);
    }
}

fn send(stream: &mut TcpStream, n: u64) {
    stream.write_all(&publish(format!("noise/{}/value", n % 100_000), b"{\"x\":1234567}")).unwrap();
}

#[test]
fn a_hundred_thousand_topics_through_a_broker_take_little_memory_and_no_time_of_the_known() {
    let dir = tempfile::tempdir().unwrap();
    let broker = Broker::start(dir.path());
    let greedy = "[[probe]]\nid = \"greedy\"\ntopic = \"noise/+/value\"\nevery = \"1m\"\nvalue = \"/c\"\nunit = \"C\"\n";
    let way = format!("[broker]\nhost = \"127.0.0.1\"\nport = {}\n{}{greedy}", broker.port, probes());
    let mut daemon = Daemon::start(dir.path(), &way);
    wait_until("the daemon to be connected", || {
        daemon.site.text("/metrics").contains("heapward_ingest_connected 1")
    });
    // The subscription follows the connection.
    std::thread::sleep(Duration::from_millis(500));

    let (beginning, sent) = (beginning(), Sent::default());
    let noting = Arc::clone(&sent);
    let known = Repeater::start(Plan {
        port: broker.port,
        client_id: "gate".to_owned(),
        count: u64::MAX,
        per_second: u32::try_from(PROBES).unwrap() * 10,
        message: Box::new(move |number| {
            noting.lock().unwrap().entry(number).or_insert_with(Instant::now);
            message(beginning, number)
        }),
    });
    let (site, is_over) = (daemon.site.clone(), Arc::new(AtomicBool::new(false)));
    let (watched, over) = (Arc::clone(&sent), Arc::clone(&is_over));
    let watching = std::thread::spawn(move || watch(&site, &watched, &over));
    std::thread::sleep(Duration::from_secs(1));
    roar(broker.port);
    let known = known.stop();
    is_over.store(true, Ordering::Relaxed);
    let mut delays = watching.join().unwrap();

    delays.sort_unstable();
    let p99 = delays[delays.len() * 99 / 100];
    let peak = peak_memory_mib(daemon.process().id());
    let refused = daemon.site.text("/metrics");
    println!("{} known readings, p99 {p99:?}, peak {peak} MiB", delays.len());
    assert!(p99 < DELAY_P99_MAX, "{p99:?}");
    assert!(peak < MEMORY_MIB_MAX, "{peak} MiB");
    assert!(messages(&refused) >= count(), "the flood came: {refused}");
    assert!(daemon.process().stop().success());
    check(&known.acknowledged, &stored(dir.path()));
}

fn messages(metrics: &str) -> u64 {
    let line = metrics.lines().find(|line| line.starts_with("heapward_messages_total")).unwrap();
    line.rsplit(' ').next().unwrap().parse::<f64>().unwrap().round().to_string().parse().unwrap()
}
