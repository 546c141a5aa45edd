//! The outside broker stuck, and gone with all it knew: how soon that is noticed, what it costs, and that afterwards
//! everything comes in again.

use std::time::{Duration, Instant};

use heapward_rules::units::At;
use heapward_tests::broker::Broker;
use heapward_tests::daemon::Daemon;
use heapward_tests::publisher::Publisher;
use heapward_tests::wait::wait_until;

use super::numbered::{beginning, check, message, probes, stored};

/// Twice the keep-alive of half a minute, and 5 s.
const NOTICED_MAX: Duration = Duration::from_secs(65);
/// Of one processor, while the broker is away.
const PROCESSOR_MAX: f64 = 0.01;
const LINES_MAX: usize = 20;
/// From the connection until readings come in again.
const READINGS_AGAIN_MAX: Duration = Duration::from_secs(5);

struct Farm {
    dir: tempfile::TempDir,
    broker: Broker,
    daemon: Daemon,
    beginning: At,
    published: Vec<u64>,
}

impl Farm {
    fn new() -> Farm {
        let dir = tempfile::tempdir().unwrap();
        let broker = Broker::start(dir.path());
        let rest = format!("[broker]\nhost = \"127.0.0.1\"\nport = {}\n{}", broker.port, probes());
        let daemon = Daemon::start(dir.path(), &rest);
        let farm = Farm { dir, broker, daemon, beginning: beginning(), published: Vec::new() };
        wait_until("the daemon to be connected", || farm.is_connected());
        farm
    }

    fn metric(&self, name: &str) -> u64 {
        let metrics = self.daemon.site.text("/metrics");
        let line = metrics.lines().find(|line| line.starts_with(name)).unwrap_or_else(|| panic!("{metrics}"));
        line.rsplit(' ').next().unwrap().parse().unwrap()
    }

    fn is_connected(&self) -> bool {
        self.metric("heapward_ingest_connected") == 1
    }

    /// A second of numbered readings, and waits until all are taken in.
    fn publish(&mut self) {
        self.publish_unheard();
        wait_until("the readings", || self.metric("heapward_readings_total") >= self.published.len() as u64);
    }

    /// A second of numbered readings that the broker has taken; how many.
    fn publish_unheard(&mut self) -> u64 {
        let (first, beginning) = (self.published.len() as u64, self.beginning);
        let publisher =
            Publisher::start(self.broker.port, 500, Box::new(move |n| message(beginning, first + n)));
        std::thread::sleep(Duration::from_secs(1));
        let acknowledged = publisher.finish();
        self.published.extend(acknowledged.iter().map(|n| first + n));
        acknowledged.len() as u64
    }

    fn processor_seconds(&mut self) -> f64 {
        let stat = std::fs::read_to_string(format!("/proc/{}/stat", self.daemon.process().id())).unwrap();
        let after_name = stat.rsplit(')').next().unwrap();
        let ticks = after_name.split_whitespace().skip(11).take(2).map(|text| text.parse::<f64>().unwrap());
        // Linux counts hundredths of a second for everybody.
        ticks.sum::<f64>() / 100.0
    }

    /// How much of a processor the daemon takes in a while.
    fn processor_during(&mut self, span: Duration) -> f64 {
        let before = self.processor_seconds();
        std::thread::sleep(span);
        (self.processor_seconds() - before) / span.as_secs_f64()
    }

    fn finish(mut self) {
        let log = self.daemon.process().log();
        let lines: Vec<&str> = log.lines().filter(|line| line.contains("MQTT broker")).collect();
        println!("{} lines:\n{}", lines.len(), lines.join("\n"));
        assert!(lines.len() <= LINES_MAX);
        assert!(self.daemon.process().stop().success());
        check(&self.published, &stored(self.dir.path()));
    }
}

#[test]
fn a_broker_that_is_stuck_is_noticed_within_twice_the_keep_alive() {
    let mut farm = Farm::new();
    farm.publish();
    farm.broker.process().signal("STOP");
    let began = Instant::now();
    let idle = farm.processor_during(Duration::from_secs(20));
    while farm.is_connected() {
        assert!(began.elapsed() < NOTICED_MAX, "not noticed");
        std::thread::sleep(Duration::from_millis(500));
    }
    println!("noticed after {:?}, {:.2} % of a processor", began.elapsed(), idle * 100.0);
    assert!(idle < PROCESSOR_MAX, "{idle}");
    assert!(farm.daemon.process().log().contains("does not answer any more, though the connection stands"));
    farm.broker.process().signal("CONT");
    wait_until("the daemon to be connected", || farm.is_connected());
    farm.publish();
    farm.finish();
}

#[test]
fn a_broker_that_was_killed_and_lost_everything_is_subscribed_to_again() {
    let mut farm = Farm::new();
    farm.publish();
    farm.broker.process().kill();
    let away = Duration::from_secs(8);
    let busy = farm.processor_during(away);
    assert!(!farm.is_connected());
    let state = farm.dir.path().join("broker/mosquitto.db");
    if state.exists() {
        std::fs::remove_file(state).unwrap();
    }
    farm.broker.start_again();
    let back = Instant::now();
    wait_until("the daemon to be connected", || farm.is_connected());
    // It knocks after pauses of 1, 2, 4 and 8 s, a fifth more at most.
    let knocked = back.elapsed();
    println!("connected again after {knocked:?}, {:.2} % of a processor while it was away", busy * 100.0);
    assert!(knocked < Duration::from_millis(9_600) + Duration::from_secs(1));
    assert!(busy < PROCESSOR_MAX, "{busy}");
    let connected = Instant::now();
    farm.publish();
    let again = connected.elapsed();
    println!("readings of the new session after {again:?}, of which a second is for publishing");
    assert!(again < READINGS_AGAIN_MAX, "{again:?}");
    farm.finish();
}

/// It saves what waits once a second here, by our packaged configuration every half minute: a power cut costs so much.
#[test]
fn a_broker_that_is_killed_while_we_are_away_gives_what_it_had_saved() {
    let mut farm = Farm::new();
    farm.publish();
    assert!(farm.daemon.process().stop().success());
    let waiting = farm.publish_unheard() + farm.publish_unheard() + farm.publish_unheard();
    assert!(waiting >= 1_000, "{waiting}");
    std::thread::sleep(Duration::from_secs(3));
    farm.broker.process().kill();
    farm.broker.start_again();
    farm.daemon.start_again();
    farm.daemon.wait();
    wait_until("what had waited", || farm.metric("heapward_readings_total") >= waiting);
    println!("{waiting} readings waited at the broker");
    farm.finish();
}
