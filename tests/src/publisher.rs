//! Publishes numbered messages at a rate and knows which of them the other side has acknowledged.

use std::collections::BTreeMap;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use rumqttc::{Event, Incoming, MqttOptions, Outgoing, QoS};

/// A client on a thread of its own.
pub struct Publisher {
    stop: Arc<AtomicBool>,
    acknowledged: Arc<AtomicU64>,
    thread: JoinHandle<Vec<u64>>,
}

/// What is published: topic and payload of a number.
pub type Numbered = Box<dyn Fn(u64) -> (String, String) + Send>;

const IN_FLIGHT_MAX: u16 = 500;

// === impl Publisher ===

impl Publisher {
    /// Publishes number 0, 1, 2, ... with `QoS` 1, `per_second` of them.
    pub fn start(port: u16, per_second: u32, message: Numbered) -> Publisher {
        Publisher::start_some(port, per_second, u64::MAX, message)
    }

    /// Publishes the numbers below `count`.
    pub fn start_some(port: u16, per_second: u32, count: u64, message: Numbered) -> Publisher {
        let stop = Arc::new(AtomicBool::new(false));
        let acknowledged = Arc::new(AtomicU64::new(0));
        let (stops, counts) = (Arc::clone(&stop), Arc::clone(&acknowledged));
        let thread = std::thread::spawn(move || {
            let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
            let stream = Stream { per_second, count, message };
            runtime.block_on(publish(port, stream, &stops, &counts))
        });
        Publisher { stop, acknowledged, thread }
    }

    /// How many are acknowledged so far.
    pub fn acknowledged(&self) -> u64 {
        self.acknowledged.load(Ordering::Relaxed)
    }

    /// Stops publishing, waits for the last acknowledgements, and tells the numbers that were acknowledged.
    pub fn finish(self) -> Vec<u64> {
        self.stop.store(true, Ordering::Relaxed);
        self.thread.join().unwrap()
    }
}

/// What is published, how often, and up to which number.
struct Stream {
    per_second: u32,
    count: u64,
    message: Numbered,
}

async fn publish(port: u16, stream: Stream, stop: &Arc<AtomicBool>, count: &AtomicU64) -> Vec<u64> {
    let mut options = MqttOptions::new(format!("publisher-{}", std::process::id()), "127.0.0.1", port);
    options.set_inflight(IN_FLIGHT_MAX).set_keep_alive(Duration::from_secs(5));
    let (client, mut events) = rumqttc::AsyncClient::new(options, 10);
    let producer = tokio::spawn(produce(client, stream, Arc::clone(stop)));
    // Packets go out in the order in which they were handed in; each gets its id when it does.
    let mut sent = 0_u64;
    let mut waiting: BTreeMap<u16, u64> = BTreeMap::new();
    let mut acknowledged = Vec::new();
    // While nothing is published a ping is an event, every 5 s.
    while !(producer.is_finished() && waiting.is_empty()) {
        let event = events.poll().await;
        match event.unwrap_or_else(|error| panic!("the publisher lost its broker: {error}")) {
            Event::Outgoing(Outgoing::Publish(id)) => {
                waiting.insert(id, sent);
                sent += 1;
            }
            Event::Incoming(Incoming::PubAck(ack)) => {
                acknowledged.extend(waiting.remove(&ack.pkid));
                count.fetch_add(1, Ordering::Relaxed);
            }
            _ => {}
        }
    }
    // The last ones may have been handed in, and not sent, when the producer ended: they count as never published.
    acknowledged
}

async fn produce(client: rumqttc::AsyncClient, stream: Stream, stop: Arc<AtomicBool>) {
    let Stream { per_second, count, message } = stream;
    let start = Instant::now();
    let mut tick = tokio::time::interval(Duration::from_millis(1));
    let mut number = 0_u64;
    while !stop.load(Ordering::Relaxed) {
        tick.tick().await;
        let due = u64::try_from(start.elapsed().as_millis()).unwrap() * u64::from(per_second) / 1_000;
        while number < due.min(count) {
            let (topic, payload) = message(number);
            client.publish(topic, QoS::AtLeastOnce, false, payload).await.unwrap();
            number += 1;
        }
    }
}
