//! A real mosquitto, with a configuration of its own for each test.

use std::net::TcpListener as StdListener;
use std::path::PathBuf;
use std::process::{Child, Command as Process, Stdio};
use std::sync::atomic::AtomicU16;

use rumqttc::{AsyncClient, Event, MqttOptions};

use super::*;

/// A mosquitto of our own; it is killed when dropped.
pub(super) struct Mosquitto {
    pub(super) dir: tempfile::TempDir,
    pub(super) port: u16,
    process: Option<Child>,
}

/// A port that stays free while a broker restarts: below those that the system picks for the near end of connections,
/// and each process, which is each test, has 16 of its own.
pub(super) fn free_port() -> u16 {
    static NEXT: AtomicU16 = AtomicU16::new(0);
    let first = 12_000 + u16::try_from(std::process::id() % 500).unwrap() * 16;
    let mut ports = (0..16).map(|_| first + NEXT.fetch_add(1, Ordering::Relaxed) % 16);
    ports.find(|port| StdListener::bind(("127.0.0.1", *port)).is_ok()).unwrap()
}

// === impl Mosquitto ===

impl Mosquitto {
    pub(super) async fn start(more: &str) -> Mosquitto {
        let mut broker = Mosquitto::prepared(more);
        broker.up().await;
        broker
    }

    /// With its configuration written, in which DIR stands for its folder.
    pub(super) fn prepared(more: &str) -> Mosquitto {
        let broker = Mosquitto { dir: tempfile::tempdir().unwrap(), port: free_port(), process: None };
        let dir = broker.dir.path().display();
        let conf = format!(
            "listener {} 127.0.0.1\npersistence true\npersistence_location {dir}/\nautosave_interval 1\n\
             max_queued_messages 100000\nmax_inflight_messages 1000\nuser root\n{more}\n",
            broker.port
        );
        let dir = broker.dir.path().display().to_string();
        std::fs::write(broker.conf(), conf.replace("DIR", &dir)).unwrap();
        broker
    }

    fn conf(&self) -> PathBuf {
        self.dir.path().join("mosquitto.conf")
    }

    pub(super) async fn up(&mut self) {
        let log = std::fs::File::create(self.dir.path().join("log")).unwrap();
        let run =
            Process::new("mosquitto").arg("-c").arg(self.conf()).stdout(Stdio::null()).stderr(log).spawn();
        self.process = Some(run.expect("mosquitto is missing: apt-get install mosquitto"));
        let began = Instant::now();
        while TcpStream::connect(("127.0.0.1", self.port)).await.is_err() {
            let log = || std::fs::read_to_string(self.dir.path().join("log")).unwrap_or_default();
            assert!(began.elapsed() < Duration::from_secs(10), "mosquitto does not come up: {}", log());
            sleep(Duration::from_millis(20)).await;
        }
    }

    fn signal(&self, signal: &str) {
        let pid = self.process.as_ref().unwrap().id().to_string();
        assert!(Process::new("kill").args([signal, pid.as_str()]).status().unwrap().success());
    }

    /// Ends it and waits for it: SIGTERM saves its state, SIGKILL does not.
    pub(super) fn down(&mut self, signal: &str) {
        self.signal(signal);
        let _ = self.process.take().unwrap().wait();
    }

    pub(super) fn config(&self) -> BrokerConfig {
        broker_at(self.port)
    }

    /// Publishes numbered readings of k1 with times of their own, and waits for all acknowledgements.
    pub(super) async fn publish(&self, numbers: std::ops::Range<i32>) {
        let payloads = numbers.map(|n| {
            let at = *START + i64::from(n) * 1_000;
            (format!("{FARM}/k1"), format!(r#"{{"c":{n},"t":{at}}}"#))
        });
        self.publish_all(payloads.collect(), QoS::AtLeastOnce, false).await;
    }

    pub(super) async fn publish_all(&self, messages: Vec<(String, String)>, qos: QoS, retain: bool) {
        let mut options = MqttOptions::new("gate", "127.0.0.1", self.port);
        options.set_max_packet_size(16_000_000, 16_000_000);
        let (client, mut events) = AsyncClient::new(options, messages.len() + 1);
        let count = messages.len();
        for (topic, payload) in messages {
            client.try_publish(topic, qos, retain, payload).unwrap();
        }
        let (mut acked, mut sent) = (0, 0);
        while acked.max(if qos == QoS::AtMostOnce { sent } else { 0 }) < count {
            match timeout(Duration::from_secs(20), events.poll()).await.expect("published").unwrap() {
                Event::Incoming(Packet::PubAck(_)) => acked += 1,
                Event::Outgoing(rumqttc::Outgoing::Publish(_)) => sent += 1,
                _ => {}
            }
        }
    }
}

impl Drop for Mosquitto {
    fn drop(&mut self) {
        if let Some(process) = &mut self.process {
            let _ = process.kill();
            let _ = process.wait();
        }
    }
}
