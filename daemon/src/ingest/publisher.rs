//! What Heapward itself publishes, by all ways that there are.

use std::sync::Arc;

use bytes::Bytes;
use rumqttc::{AsyncClient, QoS};

use super::endpoint::Hub;
use crate::telling::publish::{Publish, Publishing};

/// Publishes to the subscribers of our endpoint, and through the outside broker if there is one.
#[derive(Clone)]
pub struct Publisher {
    hub: Arc<Hub>,
    broker: Option<AsyncClient>,
}

// === impl Publisher ===

impl Publisher {
    pub(super) fn new(hub: Arc<Hub>, broker: Option<AsyncClient>) -> Publisher {
        Publisher { hub, broker }
    }

    /// A state that later subscribers are to see too.
    pub fn state(&self, topic: &str, payload: impl Into<Bytes>) {
        self.hub.publish(topic, payload.into(), true);
    }
}

impl Publish for Publisher {
    fn publish<'a>(&'a self, topic: &'a str, payload: Vec<u8>) -> Publishing<'a> {
        Box::pin(async move {
            let payload = Bytes::from(payload);
            let heard = self.hub.publish(topic, payload.clone(), false);
            match &self.broker {
                Some(broker) => broker
                    .publish(topic, QoS::AtLeastOnce, false, payload)
                    .await
                    .map_err(|error| format!("the broker can't be told ({error})")),
                None if heard == 0 => Err(format!("no device has subscribed to `{topic}`")),
                None => Ok(()),
            }
        })
    }
}
