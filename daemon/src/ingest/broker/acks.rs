//! Acknowledgements to the broker, each with the number of the connection on which its message came.
//!
//! A PUBACK that is sent on a later connection is a danger: if the broker has lost the session meanwhile, the same
//! packet id is another message, which would be acknowledged before it is on the card. So the number is compared
//! under the same lock under which it is raised.
//!
//! The library writes to the socket once for each acknowledgement that it is handed, and wakes up for it. So a commit
//! hands all of its acknowledgements over here in one piece. While the task that polls the connection is awake, it
//! writes what has come together with one call. While it is asleep in the library, the first goes through the library's
//! queue, which wakes it, and the others follow behind the first.

use std::sync::{Arc, Mutex, PoisonError};

use rumqttc::{AsyncClient, Publish, QoS};
use tokio::sync::Notify;

use crate::recorder::{Ack, Settle};

pub(super) struct Acks {
    client: AsyncClient,
    inner: Mutex<Inner>,
    /// Something is to be acknowledged, and the client's queue had no room.
    pub(super) bell: Notify,
    /// A message of the present connection could not be kept: the broker is to deliver it again.
    pub(super) failed: Notify,
}

#[derive(Default)]
struct Inner {
    connection: u64,
    /// Packet ids of messages of the present connection that are on the card. At most what the broker has in flight.
    settled: Vec<u16>,
    poller: Poller,
}

/// The task that polls the connection.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
enum Poller {
    /// In the library, until something comes.
    #[default]
    Asleep,
    /// The first acknowledgement is on its way through the client's queue; nothing may go out before it.
    Called,
    /// It looks at what is settled before it sleeps again.
    Awake,
}

// === impl Acks ===

impl Acks {
    pub(super) fn new(client: AsyncClient) -> Arc<Acks> {
        Arc::new(Acks { client, inner: Mutex::default(), bell: Notify::new(), failed: Notify::new() })
    }

    /// The acknowledgement of a message that came on the present connection, whose number this is.
    pub(super) fn expect(self: &Arc<Acks>, connection: u64, packet_id: u16) -> Ack {
        Ack::Number(Arc::clone(self) as Arc<dyn Settle>, connection << 16 | u64::from(packet_id))
    }

    /// Wakes the task that polls with the first of what is settled. False if the client's queue has no room for it.
    fn call(&self, inner: &mut Inner) -> bool {
        let Some(first) = inner.settled.first().filter(|_| inner.poller == Poller::Asleep) else {
            return true;
        };
        let mut message = Publish::new("", QoS::AtLeastOnce, Vec::new());
        message.pkid = *first;
        if self.client.try_ack(&message).is_err() {
            return false;
        }
        inner.settled.remove(0);
        inner.poller = Poller::Called;
        true
    }

    /// Tries again what the client's queue had no room for; false if it still has none.
    pub(super) fn call_again(&self) -> bool {
        self.call(&mut self.lock())
    }

    /// The library has given something: from now on the task looks for itself.
    pub(super) fn wake(&self) {
        let mut inner = self.lock();
        if inner.poller == Poller::Asleep {
            inner.poller = Poller::Awake;
        }
    }

    /// The first has gone out; the others may follow.
    pub(super) fn answered(&self) {
        self.lock().poller = Poller::Awake;
    }

    /// What is settled and to be written now. If that is nothing and `then_asleep`, the task has to be called again.
    pub(super) fn take(&self, then_asleep: bool) -> Vec<u16> {
        let mut inner = self.lock();
        if inner.poller != Poller::Awake {
            return Vec::new();
        }
        if then_asleep && inner.settled.is_empty() {
            inner.poller = Poller::Asleep;
        }
        std::mem::take(&mut inner.settled)
    }

    /// The connection has ended: no acknowledgement of its messages may be sent any more. Returns the next one's number.
    pub(super) fn next_connection(&self) -> u64 {
        let mut inner = self.lock();
        *inner = Inner { connection: inner.connection + 1, ..Inner::default() };
        inner.connection
    }

    fn lock(&self) -> std::sync::MutexGuard<'_, Inner> {
        self.inner.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Settle for Acks {
    fn settle(&self, numbers: &[u64], is_kept: bool) {
        let mut inner = self.lock();
        let present = inner.connection;
        let packet_ids = numbers.iter().filter(|number| **number >> 16 == present);
        let packet_ids = packet_ids.filter_map(|number| u16::try_from(number & 0xffff).ok());
        if is_kept {
            inner.settled.extend(packet_ids);
            if !self.call(&mut inner) {
                self.bell.notify_one();
            }
        } else if packet_ids.count() > 0 {
            self.failed.notify_one();
        }
    }
}

#[cfg(test)]
mod tests {
    use rumqttc::{MqttOptions, Request};

    use super::*;

    #[test]
    fn an_acknowledgement_of_an_ended_connection_is_never_sent() {
        let (client, mut events) = AsyncClient::new(MqttOptions::new("x", "127.0.0.1", 1), 1);
        let acks = Acks::new(client.clone());
        // What `clean` leaves is what was queued, acknowledgements excepted.
        let mut empty = || {
            events.clean();
            events.pending.drain(..).filter(|request| matches!(request, Request::PubAck(_))).count()
        };
        let [old, present] = [acks.expect(0, 1), acks.expect(0, 2)];
        present.settle(true);
        assert_eq!(acks.next_connection(), 1);
        assert_eq!(empty(), 0);
        old.settle(true);
        assert!(acks.lock().settled.is_empty() && acks.lock().poller == Poller::Asleep);
        let late = acks.expect(1, 3);
        acks.next_connection();
        acks.wake();
        Ack::settle_all([late, acks.expect(2, 4)], true);
        assert_eq!(acks.take(false), [4]);
    }

    #[test]
    fn acknowledgements_go_out_in_their_order_and_wake_the_task_once() {
        let (client, events) = AsyncClient::new(MqttOptions::new("x", "127.0.0.1", 1), 1);
        let acks = Acks::new(client.clone());
        let commit = |ids: &[u16]| Ack::settle_all(ids.iter().map(|id| acks.expect(0, *id)), true);
        // Asleep: the first goes through the queue, and nothing may pass it.
        commit(&[4, 5]);
        commit(&[6]);
        acks.wake();
        assert!(acks.take(true).is_empty());
        acks.answered();
        assert_eq!(acks.take(true), [5, 6]);
        // Awake until it finds nothing more: nothing goes through the queue, which is still full.
        commit(&[7]);
        assert_eq!(acks.take(true), [7]);
        assert!(acks.take(false).is_empty());
        commit(&[8]);
        assert_eq!(acks.take(true), [8]);
        assert!(acks.take(true).is_empty());
        // Asleep again, and there is no room in the queue.
        commit(&[9, 10]);
        assert!(!acks.call_again());
        assert_eq!(acks.lock().settled, [9, 10]);
        drop(events);
    }

    #[test]
    fn what_could_not_be_kept_ends_the_connection_it_came_on() {
        let (client, _events) = AsyncClient::new(MqttOptions::new("x", "127.0.0.1", 1), 1);
        let acks = Acks::new(client);
        let failed = |acks: &Acks| {
            let mut failed = std::pin::pin!(acks.failed.notified());
            failed.as_mut().enable()
        };
        acks.next_connection();
        acks.expect(0, 1).settle(false);
        assert!(!failed(&acks));
        acks.expect(1, 1).settle(false);
        assert!(failed(&acks));
    }
}
