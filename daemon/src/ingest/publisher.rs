//! What Heapward itself publishes, by all ways that there are.

use std::sync::Arc;

use bytes::Bytes;
use tokio::sync::{mpsc, oneshot};
use tokio::time::timeout;

use super::broker::Outgoing;
use super::endpoint::Hub;
use crate::limits::BROKER_OUTGOING_WAIT;
use crate::telling::publish::{Publish, Publishing};

/// Publishes to the broker and to the subscribers of our endpoint.
#[derive(Clone)]
pub struct Publisher {
    hub: Arc<Hub>,
    broker: Option<mpsc::Sender<Outgoing>>,
}

// === impl Publisher ===

impl Publisher {
    pub(super) fn new(hub: Arc<Hub>, broker: Option<mpsc::Sender<Outgoing>>) -> Publisher {
        Publisher { hub, broker }
    }

    /// A state that later subscribers are to see too. Newer states follow, so that a lost one does no harm.
    pub fn state(&self, topic: &str, payload: impl Into<Bytes>) {
        let payload = payload.into();
        self.hub.publish(topic, payload.clone(), true);
        if let Some(broker) = &self.broker {
            let (done, _) = oneshot::channel();
            let _ = broker.try_send(Outgoing { topic: topic.to_owned(), payload, retain: true, done });
        }
    }

    /// To the broker, until it has acknowledged the message.
    async fn to_broker(broker: &mpsc::Sender<Outgoing>, topic: &str, payload: Bytes) -> Result<(), String> {
        let (done, arrived) = oneshot::channel();
        let letter = Outgoing { topic: topic.to_owned(), payload, retain: false, done };
        let sent = async { broker.send(letter).await.is_ok() && arrived.await.is_ok() };
        match timeout(BROKER_OUTGOING_WAIT, sent).await {
            Ok(true) => Ok(()),
            Ok(false) => Err("the MQTT broker is not connected".to_owned()),
            Err(_) => Err("the MQTT broker does not acknowledge".to_owned()),
        }
    }
}

impl Publish for Publisher {
    fn publish<'a>(&'a self, topic: &'a str, payload: Vec<u8>) -> Publishing<'a> {
        Box::pin(async move {
            let payload = Bytes::from(payload);
            let listeners = self.hub.publish(topic, payload.clone(), false);
            match &self.broker {
                Some(broker) => Self::to_broker(broker, topic, payload).await,
                None if listeners == 0 => Err(format!("no device has subscribed to `{topic}`")),
                None => Ok(()),
            }
        })
    }
}
