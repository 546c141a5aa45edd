//! Acknowledgements to the broker, each with the number of the connection on which its message came.
//!
//! A PUBACK that is sent on a later connection is a danger: if the broker has lost the session meanwhile, the same
//! packet id is another message, which would be acknowledged before it is on the card. So the number is compared
//! under the same lock under which it is raised.
//!
//! The library writes to the socket once for each acknowledgement that it is handed. So only the first of a commit goes
//! through its queue, which wakes the task that polls the connection; that task then writes the others at once, in
//! order, behind the first.

use std::collections::VecDeque;
use std::sync::{Arc, Mutex, PoisonError};

use rumqttc::{AsyncClient, Publish, QoS};
use tokio::sync::Notify;

use crate::recorder::Ack;

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
    settled: VecDeque<u16>,
    /// The first of them is on its way through the client's queue.
    is_called: bool,
}

// === impl Acks ===

impl Acks {
    pub(super) fn new(client: AsyncClient) -> Arc<Acks> {
        Arc::new(Acks { client, inner: Mutex::default(), bell: Notify::new(), failed: Notify::new() })
    }

    /// The acknowledgement of a message that came on the present connection.
    pub(super) fn expect(self: &Arc<Acks>, packet_id: u16) -> Ack {
        let connection = self.lock().connection;
        let acks = Arc::clone(self);
        Box::new(move |is_kept| acks.settle(connection, packet_id, is_kept))
    }

    fn settle(&self, connection: u64, packet_id: u16, is_kept: bool) {
        let mut inner = self.lock();
        if inner.connection != connection {
            return;
        }
        if is_kept {
            inner.settled.push_back(packet_id);
            if !self.call(&mut inner) {
                self.bell.notify_one();
            }
        } else {
            self.failed.notify_one();
        }
    }

    /// Wakes the task that polls with the first of what is settled. False if the client's queue has no room for it.
    fn call(&self, inner: &mut Inner) -> bool {
        let Some(first) = inner.settled.front().filter(|_| !inner.is_called) else { return true };
        let mut message = Publish::new("", QoS::AtLeastOnce, Vec::new());
        message.pkid = *first;
        if self.client.try_ack(&message).is_err() {
            return false;
        }
        inner.settled.pop_front();
        inner.is_called = true;
        true
    }

    /// Tries again what the client's queue had no room for; false if it still has none.
    pub(super) fn call_again(&self) -> bool {
        self.call(&mut self.lock())
    }

    /// The first has gone out: what is settled beside it, to be written behind it.
    pub(super) fn take(&self) -> VecDeque<u16> {
        let mut inner = self.lock();
        inner.is_called = false;
        std::mem::take(&mut inner.settled)
    }

    /// The connection has ended: no acknowledgement of its messages may be sent any more. Returns the next one's number.
    pub(super) fn next_connection(&self) -> u64 {
        let mut inner = self.lock();
        inner.connection += 1;
        inner.settled.clear();
        inner.is_called = false;
        inner.connection
    }

    fn lock(&self) -> std::sync::MutexGuard<'_, Inner> {
        self.inner.lock().unwrap_or_else(PoisonError::into_inner)
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
        let [old, present] = [acks.expect(1), acks.expect(2)];
        present(true);
        acks.next_connection();
        assert_eq!(empty(), 0);
        old(true);
        assert!(acks.lock().settled.is_empty() && !acks.lock().is_called);
        let late = acks.expect(3);
        for id in [4, 5, 6] {
            (acks.expect(id))(true);
        }
        // The first is in the client's queue, the others follow it in their order.
        assert_eq!(acks.take(), [5, 6]);
        // There is room for one in the queue, and the first is still there.
        (acks.expect(7))(true);
        assert!(!acks.call_again());
        assert_eq!(acks.lock().settled, [7]);
        empty();
        assert!(acks.call_again());
        assert!(acks.take().is_empty());
        acks.next_connection();
        late(true);
        assert!(acks.lock().settled.is_empty());
    }
}
