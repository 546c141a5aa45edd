//! The client against a real mosquitto, and against a broker written by hand that loses its session.

use std::sync::Mutex;
use std::sync::atomic::{AtomicBool, Ordering};

use heapward_rules::ids::ProbeId;
use heapward_rules::reading::{Quantity, Unit};
use heapward_rules::units::{At, Span};
use rumqttc::mqttbytes::QoS;
use rumqttc::mqttbytes::v4::Packet;
use tokio::net::TcpStream;
use tokio::sync::oneshot;
use tokio::time::{Instant, timeout};

use self::mosquitto::{Mosquitto, free_port};
use crate::clock::{Clock as _, SystemClock};
use crate::config::{self, BrokerConfig, ProbeConfig, TimeFormat};
use crate::ingest::status::BrokerStatus;
use crate::ingest::{Ingest, IngestHandle, Parts, start};
use crate::recorder::{Ack, Command, Handle};

use super::*;

mod by_hand;
mod connections;
mod deliveries;
mod hard;
mod mosquitto;
mod stream;
mod tls;

const FARM: &str = "quillback";

/// Ingest with a broker, and a recorder that keeps every reading.
struct Barn {
    ingest: IngestHandle,
    kept: Arc<Mutex<Vec<(String, f64, At)>>>,
    commits: Arc<AtomicBool>,
    acks: Arc<Mutex<Vec<Ack>>>,
    stop: oneshot::Sender<()>,
    at_work: Ingest,
}

/// The way to a broker on this machine.
fn broker_at(port: u16) -> BrokerConfig {
    BrokerConfig {
        host: "127.0.0.1".to_owned(),
        port,
        tls: None,
        client_id: "heapward-test".to_owned(),
        user: None,
        password: None,
    }
}

// === impl Barn ===

/// All readings of these tests are dated from here on: a day before the test.
static START: std::sync::LazyLock<i64> =
    std::sync::LazyLock::new(|| (SystemClock::new(true).now() - Span::days(1)).0);

fn probes() -> Vec<ProbeConfig> {
    let probe = |id: &str, timed: bool| ProbeConfig {
        id: ProbeId::new(id),
        quantity: Quantity::Temperature,
        topic: format!("{FARM}/{id}"),
        every: Span::minutes(1),
        mapping: config::Mapping {
            value: if timed { "/c".to_owned() } else { String::new() },
            unit: Some(Unit::Celsius),
            time: timed.then(|| "/t".to_owned()),
            time_format: TimeFormat::EpochMillis,
            ..config::Mapping::default()
        },
    };
    vec![probe("k1", true), probe("k2", false)]
}

fn barn(config: BrokerConfig) -> Barn {
    let (recorder, mut commands) = Handle::new(4_096);
    let (kept, acks) = (Arc::<Mutex<Vec<_>>>::default(), Arc::<Mutex<Vec<Ack>>>::default());
    let commits = Arc::new(AtomicBool::new(true));
    let (keeping, piling, committing) = (Arc::clone(&kept), Arc::clone(&acks), Arc::clone(&commits));
    tokio::spawn(async move {
        while let Some(command) = commands.recv().await {
            if let Command::Readings { readings, acks } = command {
                keeping.lock().unwrap().extend(readings.iter().map(|r| (r.probe.to_string(), r.value, r.at)));
                if committing.load(Ordering::SeqCst) {
                    Ack::settle_all(acks, true);
                } else {
                    piling.lock().unwrap().extend(acks);
                }
            }
        }
    });
    let (stop, stopped) = oneshot::channel();
    let clock = Arc::new(SystemClock::new(true));
    let parts = Parts {
        clock,
        recorder,
        probes: probes(),
        newest: At::MIN,
        endpoint: None,
        sessions: None,
        broker: Some(config),
    };
    let at_work = start(parts, async move { drop(stopped.await) }).unwrap();
    Barn { ingest: at_work.handle(), kept, commits, acks, stop, at_work }
}

impl Barn {
    fn status(&self) -> BrokerStatus {
        self.ingest.status().broker.unwrap()
    }

    /// The different values kept, in order.
    fn values(&self) -> Vec<i32> {
        let mut values: Vec<i32> = self
            .kept
            .lock()
            .unwrap()
            .iter()
            .map(|(_, value, _)| value.to_string().parse().unwrap())
            .collect();
        values.sort_unstable();
        values.dedup();
        values
    }

    fn trouble(&self) -> String {
        self.status().trouble.unwrap_or_default()
    }

    async fn stop(self) {
        self.stop.send(()).unwrap();
        timeout(Duration::from_secs(5), self.at_work.finished()).await.expect("stopped");
    }
}

async fn until(what: &str, mut is_so: impl FnMut() -> bool) {
    let began = Instant::now();
    while !is_so() {
        assert!(began.elapsed() < Duration::from_secs(20), "{what}");
        sleep(Duration::from_millis(10)).await;
    }
}
