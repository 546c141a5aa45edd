//! What goes to the broker: subscriptions, messages of our own, acknowledgements that found no room. The task that polls the connection
//! must never wait for the client's queue (it is the one that empties it), so all of this has a task of its own.

use std::collections::{BTreeMap, VecDeque};
use std::sync::{Arc, Mutex, PoisonError};

use bytes::Bytes;
use rumqttc::{AsyncClient, QoS, SubscribeFilter};
use tokio::sync::{mpsc, oneshot, watch};
use tokio::time::{Duration, sleep};

use super::acks::Acks;
use crate::ingest::router::Router;

/// A message of our own for the broker.
pub(in crate::ingest) struct Outgoing {
    pub(in crate::ingest) topic: String,
    pub(in crate::ingest) payload: Bytes,
    pub(in crate::ingest) retain: bool,
    /// Answered when the broker has acknowledged it; dropped if the connection ends before.
    pub(in crate::ingest) done: oneshot::Sender<()>,
}

/// Our own messages on their way. The client gives them their packet ids in the order in which they were handed in.
#[derive(Default)]
pub(super) struct Letters(Mutex<Inner>);

#[derive(Default)]
struct Inner {
    is_connected: bool,
    without_id: VecDeque<oneshot::Sender<()>>,
    by_id: BTreeMap<u16, oneshot::Sender<()>>,
}

pub(super) struct Speaker {
    pub(super) client: AsyncClient,
    pub(super) acks: Arc<Acks>,
    pub(super) letters: Arc<Letters>,
    pub(super) router: watch::Receiver<Arc<Router>>,
    pub(super) outgoing: mpsc::Receiver<Outgoing>,
}

// === impl Speaker ===

impl Speaker {
    /// Runs until it is dropped.
    pub(super) async fn run(mut self) {
        let mut subscribed: Vec<String> = self.router.borrow_and_update().filters().to_vec();
        loop {
            tokio::select! {
                () = self.acks.bell.notified() => {
                    while !self.acks.call_again() {
                        sleep(Duration::from_millis(1)).await;
                    }
                }
                Ok(()) = self.router.changed() => {
                    let wanted = self.router.borrow_and_update().filters().to_vec();
                    for left in subscribed.iter().filter(|known| !wanted.contains(known)) {
                        // Without room in the queue the former subscription stays until the next connection; what it
                        // brings is shown as unassigned.
                        let _ = self.client.try_unsubscribe(left);
                    }
                    subscribe(&self.client, &wanted);
                    subscribed = wanted;
                }
                Some(letter) = self.outgoing.recv() => self.letters.hand_in(&self.client, letter),
                else => return,
            }
        }
    }
}

/// Asks for all of it; the answer is looked at where it comes in. A queue without room means a connection that is
/// about to break, and the next one asks again.
pub(super) fn subscribe(client: &AsyncClient, filters: &[String]) {
    if !filters.is_empty() {
        let wanted = filters.iter().map(|filter| SubscribeFilter::new(filter.clone(), QoS::AtLeastOnce));
        let _ = client.try_subscribe_many(wanted);
    }
}

// === impl Letters ===

impl Letters {
    fn hand_in(&self, client: &AsyncClient, letter: Outgoing) {
        let mut inner = self.lock();
        let Outgoing { topic, payload, retain, done } = letter;
        if inner.is_connected && client.try_publish(topic, QoS::AtLeastOnce, retain, payload).is_ok() {
            inner.without_id.push_back(done);
        }
    }

    pub(super) fn connected(&self) {
        self.lock().is_connected = true;
    }

    /// The connection has ended: nobody will be told any more that a message arrived.
    pub(super) fn disconnected(&self) {
        *self.lock() = Inner::default();
    }

    pub(super) fn sent(&self, packet_id: u16) {
        let mut inner = self.lock();
        if let Some(done) = inner.without_id.pop_front() {
            inner.by_id.insert(packet_id, done);
        }
    }

    pub(super) fn acknowledged(&self, packet_id: u16) {
        if let Some(done) = self.lock().by_id.remove(&packet_id) {
            let _ = done.send(());
        }
    }

    fn lock(&self) -> std::sync::MutexGuard<'_, Inner> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}
