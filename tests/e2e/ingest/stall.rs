//! A card whose every sync takes five seconds: clients of the endpoint get their answers to pings, pages theirs, the
//! connection to an outside broker stands, and nothing is lost.

use std::io::{Read as _, Write as _};
use std::net::TcpStream;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use heapward_tests::broker::Broker;
use heapward_tests::daemon::Daemon;
use heapward_tests::process::free_port;
use heapward_tests::publisher::Publisher;
use heapward_tests::repository;
use heapward_tests::wait::wait_until;

use super::numbered::{PROBES, beginning, check, message, probes, stored};
use super::repeater::{Plan, Repeater};

/// What a ping or a page may take.
const ANSWER_MAX: Duration = Duration::from_secs(1);
/// Several syncs one after the other.
const STALL: Duration = Duration::from_secs(21);
/// More than one and a half times the daemon's keep-alive of 30 s, after which a broker gives up a silent client.
const STALL_BROKER: Duration = Duration::from_secs(50);
const PAGES: [&str; 5] = ["/", "/healthz", "/metrics", "/v1/probes", "/v1/piles"];

/// A daemon on a card that can be made slow.
struct Farm {
    dir: tempfile::TempDir,
    daemon: Daemon,
}

/// The library that makes syncs slow.
fn library(dir: &Path) -> PathBuf {
    let library = dir.join("stall.so");
    let source = repository().join("tests/e2e/ingest/stall.c");
    let status = Command::new("cc").args(["-shared", "-fPIC", "-o"]).arg(&library).arg(source).status();
    assert!(
        status.expect("cc is missing: apt-get install gcc libc6-dev").success(),
        "stall.c does not compile"
    );
    library
}

// === impl Farm ===

impl Farm {
    fn start(rest: &str) -> Farm {
        let dir = tempfile::tempdir().unwrap();
        let environment =
            vec![("LD_PRELOAD", library(dir.path())), ("STALL_FILE", dir.path().join("stalled"))];
        let daemon = Daemon::start_in(dir.path(), rest, environment);
        Farm { dir, daemon }
    }

    fn stall(&self) {
        std::fs::write(self.dir.path().join("stalled"), "").unwrap();
    }

    fn recover(&self) {
        std::fs::remove_file(self.dir.path().join("stalled")).unwrap();
    }

    /// Asks for pages until it is told to stop; the slowest answer and how many there were.
    fn read_pages(&self, stop: &AtomicBool) -> (Duration, usize) {
        let (mut slowest, mut count) = (Duration::ZERO, 0);
        while !stop.load(Ordering::Relaxed) {
            for page in PAGES {
                let begun = Instant::now();
                let answer = self.daemon.site.try_get(page).unwrap();
                slowest = slowest.max(begun.elapsed());
                assert!([200, 503].contains(&answer.status), "{page}: {} {}", answer.status, answer.text);
                count += 1;
            }
            std::thread::sleep(Duration::from_millis(100));
        }
        (slowest, count)
    }

    /// Stops the daemon; every acknowledged reading is there once.
    fn finish(mut self, acknowledged: &[u64]) {
        assert!(self.daemon.process().stop().success());
        check(acknowledged, &stored(self.dir.path()));
    }
}

/// A client that only pings, four times a second, with a keep-alive of two seconds: the slowest answer and how many.
fn ping(port: u16, stop: &AtomicBool) -> (Duration, usize) {
    let mut stream = TcpStream::connect(("127.0.0.1", port)).unwrap();
    stream.set_read_timeout(Some(Duration::from_secs(30))).unwrap();
    // CONNECT: MQTT 3.1.1, clean session, keep-alive 2 s, client id `ping`.
    stream.write_all(b"\x10\x10\x00\x04MQTT\x04\x02\x00\x02\x00\x04ping").unwrap();
    let mut connected = [0; 4];
    stream.read_exact(&mut connected).unwrap();
    assert_eq!(connected, [0x20, 2, 0, 0]);
    let (mut slowest, mut count) = (Duration::ZERO, 0);
    while !stop.load(Ordering::Relaxed) {
        let begun = Instant::now();
        stream.write_all(&[0xc0, 0]).unwrap();
        let mut answer = [0; 2];
        stream.read_exact(&mut answer).unwrap();
        assert_eq!(answer, [0xd0, 0]);
        slowest = slowest.max(begun.elapsed());
        count += 1;
        std::thread::sleep(Duration::from_millis(250));
    }
    (slowest, count)
}

#[test]
fn a_stalled_card_holds_up_neither_pings_nor_pages_and_loses_nothing() {
    let port = free_port();
    let farm = Farm::start(&format!("[endpoint]\nlisten = \"127.0.0.1:{port}\"\n{}", probes()));
    let beginning = beginning();
    let repeater = Repeater::start(Plan {
        port,
        client_id: "gate".to_owned(),
        count: u64::MAX,
        per_second: u32::try_from(PROBES).unwrap(),
        message: Box::new(move |number| message(beginning, number)),
    });
    wait_until("readings", || repeater.acknowledged() > PROBES);
    let stop = AtomicBool::new(false);
    let (pings, pages) = std::thread::scope(|scope| {
        let pings = scope.spawn(|| ping(port, &stop));
        let pages = scope.spawn(|| farm.read_pages(&stop));
        farm.stall();
        std::thread::sleep(STALL);
        farm.recover();
        stop.store(true, Ordering::Relaxed);
        (pings.join().unwrap(), pages.join().unwrap())
    });
    let outcome = repeater.stop();
    let longest = outcome.delays.iter().max().copied().unwrap_or_default();
    println!(
        "slowest ping {pings:?}, slowest page {pages:?}, longest wait for an acknowledgement {longest:?}"
    );
    assert!(longest >= Duration::from_secs(5), "the card never stalled");
    assert_eq!(outcome.connections, 1, "the client was thrown out");
    assert!(pings.1 >= 40 && pings.0 < ANSWER_MAX, "{pings:?}");
    assert!(pages.1 >= 40 && pages.0 < ANSWER_MAX, "{pages:?}");
    farm.finish(&outcome.acknowledged);
}

#[test]
fn a_stalled_card_does_not_cost_the_connection_to_a_broker() {
    let place = tempfile::tempdir().unwrap();
    let broker = Broker::start(place.path());
    let farm = Farm::start(&format!("[broker]\nhost = \"127.0.0.1\"\nport = {}\n{}", broker.port, probes()));
    let metric = |name: &str| {
        let metrics = farm.daemon.site.text("/metrics");
        let line = metrics.lines().find(|line| line.starts_with(name)).unwrap_or_else(|| panic!("{metrics}"));
        line.rsplit(' ').next().unwrap().parse::<u64>().unwrap()
    };
    wait_until("the daemon to be connected", || metric("heapward_ingest_connected") == 1);
    let beginning = beginning();
    let publisher = Publisher::start(
        broker.port,
        u32::try_from(PROBES).unwrap(),
        Box::new(move |number| message(beginning, number)),
    );
    wait_until("readings", || metric("heapward_readings_total") > PROBES);
    farm.stall();
    let stalled = Instant::now();
    while stalled.elapsed() < STALL_BROKER {
        assert_eq!(metric("heapward_ingest_connected"), 1, "after {:?}", stalled.elapsed());
        std::thread::sleep(Duration::from_millis(500));
    }
    farm.recover();
    // What the broker has acknowledged to the publisher it has or the daemon has.
    let sent = publisher.finish();
    wait_until("all readings", || metric("heapward_readings_total") >= sent.len() as u64);
    let mut farm = farm;
    let log = farm.daemon.process().log();
    let lines: Vec<&str> = log.lines().filter(|line| line.contains("MQTT broker")).collect();
    assert!(lines.len() <= 1, "connected once and for good: {lines:?}");
    farm.finish(&sent);
}
