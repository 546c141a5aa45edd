//! What Heapward itself publishes, to clients of the endpoint that have subscribed: a lamp, a siren, a display.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, PoisonError};

use bytes::Bytes;
use rumqttc::mqttbytes::QoS;
use rumqttc::mqttbytes::v4::Publish;
use tokio::sync::mpsc;

use crate::ingest::router::matches;
use crate::limits::{MQTT_OUTGOING_MAX, MQTT_RETAINED_MAX};

#[derive(Debug, Default)]
pub struct Hub(Mutex<Inner>);

#[derive(Debug, Default)]
struct Inner {
    /// The newest message of each topic that is to be kept for who comes later.
    retained: BTreeMap<String, Bytes>,
    subscribers: BTreeMap<u64, Subscriber>,
}

#[derive(Debug)]
struct Subscriber {
    filters: Vec<String>,
    messages: mpsc::Sender<Arc<Publish>>,
}

// === impl Hub ===

impl Hub {
    /// Sends a message to all who have subscribed to its topic; how many there were. One that does not keep up with
    /// reading misses it.
    pub fn publish(&self, topic: &str, payload: Bytes, retain: bool) -> usize {
        let mut inner = self.lock();
        if retain && (inner.retained.len() < MQTT_RETAINED_MAX || inner.retained.contains_key(topic)) {
            inner.retained.insert(topic.to_owned(), payload.clone());
        }
        let message = Arc::new(Publish::from_bytes(topic, QoS::AtMostOnce, payload));
        let meant = |subscriber: &&Subscriber| subscriber.filters.iter().any(|filter| matches(filter, topic));
        let sent = |subscriber: &&Subscriber| subscriber.messages.try_send(Arc::clone(&message)).is_ok();
        inner.subscribers.values().filter(meant).filter(sent).count()
    }

    /// A place for what a connection subscribes to.
    pub(super) fn enter(&self, number: u64) -> mpsc::Receiver<Arc<Publish>> {
        let (messages, receiver) = mpsc::channel(MQTT_OUTGOING_MAX);
        self.lock().subscribers.insert(number, Subscriber { filters: Vec::new(), messages });
        receiver
    }

    pub(super) fn leave(&self, number: u64) {
        self.lock().subscribers.remove(&number);
    }

    /// Adds a filter; the kept messages that it matches come back. `None` if the connection has too many.
    pub(super) fn subscribe(&self, number: u64, filter: &str, filters_max: usize) -> Option<Vec<Publish>> {
        let mut inner = self.lock();
        let subscriber = inner.subscribers.get_mut(&number)?;
        if !subscriber.filters.iter().any(|known| known == filter) {
            if subscriber.filters.len() >= filters_max {
                return None;
            }
            subscriber.filters.push(filter.to_owned());
        }
        let kept = inner.retained.iter().filter(|(topic, _)| matches(filter, topic));
        let message = |(topic, payload): (&String, &Bytes)| {
            let mut message = Publish::from_bytes(topic, QoS::AtMostOnce, payload.clone());
            message.retain = true;
            message
        };
        Some(kept.map(message).collect())
    }

    pub(super) fn filters(&self, number: u64) -> Vec<String> {
        self.lock().subscribers.get(&number).map(|subscriber| subscriber.filters.clone()).unwrap_or_default()
    }

    pub(super) fn unsubscribe(&self, number: u64, filter: &str) {
        if let Some(subscriber) = self.lock().subscribers.get_mut(&number) {
            subscriber.filters.retain(|known| known != filter);
        }
    }

    fn lock(&self) -> std::sync::MutexGuard<'_, Inner> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}
