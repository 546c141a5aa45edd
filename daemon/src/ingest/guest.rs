//! A short visit to a broker beside the daemon's own connection: nothing is kept for us when we leave.

use std::sync::Arc;

use rumqttc::{AsyncClient, Event, EventLoop, Packet, QoS};
use tokio::time::timeout;

use super::broker::{Line, Relay, sentence};
use super::status::Board;
use crate::clock::SharedClock;
use crate::config::BrokerConfig;
use crate::limits::{BROKER_CONNECT_SECONDS_MAX, BROKER_OUTGOING_WAIT};
use crate::telling::publish::{Publish, Publishing};

/// A connection with a client id of its own.
pub(super) struct Guest {
    pub(super) client: AsyncClient,
    pub(super) address: String,
    events: EventLoop,
    relay: Option<Relay>,
}

/// Publishes each message over a connection of its own, for who tries the channels while no daemon runs.
pub struct Visitor {
    broker: BrokerConfig,
    clock: SharedClock,
}

// === impl Guest ===

impl Guest {
    /// Connects with the first [`Guest::poll`]; `purpose` is part of the client id.
    pub(super) fn new(config: BrokerConfig, clock: SharedClock, purpose: &str) -> Result<Guest, String> {
        let line = Line::new(config)?;
        let address = line.address();
        let mut options = line.options(&format!("{}-{purpose}-{}", line.client_id(), std::process::id()));
        let relay = line.has_tls().then(|| line.relay(Arc::new(Board::default()), clock)).transpose();
        let relay = relay
            .map_err(|error| format!("no relay for TLS can be made in the temporary folder ({error})"))?;
        if let Some(relay) = &relay {
            options = Line::through(&options, relay);
        }
        let (client, mut events) = AsyncClient::new(options, 16);
        events.network_options.set_connection_timeout(BROKER_CONNECT_SECONDS_MAX);
        Ok(Guest { client, address, events, relay })
    }

    /// The next event; the error says what is wrong with the broker.
    pub(super) async fn poll(&mut self) -> Result<Event, String> {
        let event = self.events.poll().await;
        event.map_err(|error| {
            self.relay
                .as_ref()
                .and_then(Relay::take_trouble)
                .unwrap_or_else(|| sentence(&error, &self.address))
        })
    }

    /// Until the broker has acknowledged the message.
    async fn publish(&mut self, topic: &str, payload: Vec<u8>) -> Result<(), String> {
        let mut letter = Some(payload);
        loop {
            match self.poll().await? {
                Event::Incoming(Packet::ConnAck(_)) => {
                    if let Some(payload) = letter.take() {
                        let sent = self.client.try_publish(topic, QoS::AtLeastOnce, false, payload);
                        sent.map_err(|error| format!("the message can't be published: {error}"))?;
                    }
                }
                Event::Incoming(Packet::PubAck(_)) => {
                    let _ = self.client.try_disconnect();
                    // What says goodbye is the next poll; that the broker hangs up is what was asked for.
                    let _ = timeout(BROKER_OUTGOING_WAIT, self.poll()).await;
                    return Ok(());
                }
                _ => {}
            }
        }
    }
}

// === impl Visitor ===

impl Visitor {
    pub fn new(broker: BrokerConfig, clock: SharedClock) -> Visitor {
        Visitor { broker, clock }
    }
}

impl Publish for Visitor {
    fn publish<'a>(&'a self, topic: &'a str, payload: Vec<u8>) -> Publishing<'a> {
        Box::pin(async move {
            let mut guest = Guest::new(self.broker.clone(), Arc::clone(&self.clock), "test")?;
            let published = timeout(BROKER_OUTGOING_WAIT, guest.publish(topic, payload)).await;
            published.unwrap_or_else(|_| Err(format!("{} does not answer", guest.address)))
        })
    }
}
