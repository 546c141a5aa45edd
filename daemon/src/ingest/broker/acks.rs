//! Acknowledgements to the broker, each with the number of the connection on which its message came.
//!
//! A PUBACK that is sent on a later connection is a danger: if the broker has lost the session meanwhile, the same
//! packet id is another message, which would be acknowledged before it is on the card. So the number is compared
//! under the same lock under which it is raised.

use std::sync::{Arc, Mutex, PoisonError};

use rumqttc::{AsyncClient, ClientError, Publish, QoS};
use tokio::sync::Notify;

use crate::recorder::Ack;

#[derive(Default)]
pub(super) struct Acks {
    inner: Mutex<Inner>,
    /// Something is to be acknowledged.
    pub(super) bell: Notify,
    /// A message of the present connection could not be kept: the broker is to deliver it again.
    pub(super) failed: Notify,
}

#[derive(Default)]
struct Inner {
    connection: u64,
    /// Connection and packet id of messages that are on the card. At most what the broker has in flight.
    settled: Vec<(u64, u16)>,
}

// === impl Acks ===

impl Acks {
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
            inner.settled.push((connection, packet_id));
            self.bell.notify_one();
        } else {
            self.failed.notify_one();
        }
    }

    /// The connection has ended: no acknowledgement of its messages may be sent any more. Returns the next one's number.
    pub(super) fn next_connection(&self) -> u64 {
        let mut inner = self.lock();
        inner.connection += 1;
        inner.settled.clear();
        inner.connection
    }

    /// Hands the acknowledgements of the present connection to the client. Those for which its queue has no room stay;
    /// false then.
    pub(super) fn send(&self, client: &AsyncClient) -> bool {
        let mut inner = self.lock();
        let connection = inner.connection;
        let mut sent = 0;
        for (of_connection, packet_id) in &inner.settled {
            if *of_connection == connection {
                let mut message = Publish::new("", QoS::AtLeastOnce, Vec::new());
                message.pkid = *packet_id;
                if matches!(client.try_ack(&message), Err(ClientError::TryRequest(_))) {
                    break;
                }
            }
            sent += 1;
        }
        inner.settled.drain(..sent);
        inner.settled.is_empty()
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
        let acks = Arc::new(Acks::default());
        let (client, mut events) = AsyncClient::new(MqttOptions::new("x", "127.0.0.1", 1), 2);
        let mut queued = || {
            // What `clean` leaves is what was queued, acknowledgements excepted; so count by filling the queue.
            events.clean();
            events.pending.drain(..).filter(|request| matches!(request, Request::PubAck(_))).count()
        };
        let [old, present] = [acks.expect(1), acks.expect(2)];
        present(true);
        acks.next_connection();
        old(true);
        assert!(acks.send(&client));
        assert_eq!(queued(), 0);
        let late = acks.expect(3);
        for id in [4, 5, 6] {
            (acks.expect(id))(true);
        }
        // Room for two; the third goes when there is room again.
        assert!(!acks.send(&client));
        queued();
        assert!(acks.send(&client));
        acks.next_connection();
        late(true);
        assert!(acks.lock().settled.is_empty());
    }
}
