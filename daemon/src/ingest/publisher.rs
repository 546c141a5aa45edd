//! What Heapward itself publishes, by all ways that there are.

use std::sync::Arc;

use bytes::Bytes;

use super::endpoint::Hub;
use crate::telling::publish::{Publish, Publishing};

/// Publishes to the subscribers of our endpoint.
#[derive(Clone)]
pub struct Publisher {
    hub: Arc<Hub>,
}

// === impl Publisher ===

impl Publisher {
    pub(super) fn new(hub: Arc<Hub>) -> Publisher {
        Publisher { hub }
    }

    /// A state that later subscribers are to see too.
    pub fn state(&self, topic: &str, payload: impl Into<Bytes>) {
        self.hub.publish(topic, payload.into(), true);
    }
}

impl Publish for Publisher {
    fn publish<'a>(&'a self, topic: &'a str, payload: Vec<u8>) -> Publishing<'a> {
        Box::pin(async move {
            match self.hub.publish(topic, payload.into(), false) {
                0 => Err(format!("no device has subscribed to `{topic}`")),
                _ => Ok(()),
            }
        })
    }
}
