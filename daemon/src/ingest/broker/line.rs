//! The way to the broker: address, login and, if wanted, TLS.

use std::io;
use std::sync::Arc;

use rumqttc::{MqttOptions, Transport};

use super::relay::{Relay, Target};
use super::tls::Tls;
use crate::clock::SharedClock;
use crate::config::{BrokerConfig, Secret};
use crate::ingest::status::Board;
use crate::limits::{BROKER_KEEP_ALIVE, BROKER_PACKET_BYTES_MAX};

/// A broker's configuration with its certificates read.
#[derive(Clone)]
pub(in crate::ingest) struct Line {
    config: BrokerConfig,
    tls: Option<Tls>,
}

// === impl Line ===

impl Line {
    /// Reads the certificates. The error names what is wrong.
    pub(in crate::ingest) fn new(config: BrokerConfig) -> Result<Line, String> {
        let tls = config.tls.as_ref().map(|tls| Tls::load(tls, &config.host)).transpose()?;
        Ok(Line { config, tls })
    }

    pub(in crate::ingest) fn address(&self) -> String {
        format!("{}:{}", self.config.host, self.config.port)
    }

    pub(in crate::ingest) fn client_id(&self) -> &str {
        &self.config.client_id
    }

    pub(in crate::ingest) fn has_tls(&self) -> bool {
        self.tls.is_some()
    }

    /// What every connection to this broker has in common.
    pub(in crate::ingest) fn options(&self, client_id: &str) -> MqttOptions {
        let mut options = MqttOptions::new(client_id, &self.config.host, self.config.port);
        options.set_keep_alive(BROKER_KEEP_ALIVE);
        options.set_max_packet_size(BROKER_PACKET_BYTES_MAX, BROKER_PACKET_BYTES_MAX);
        if let Some(user) = &self.config.user {
            let password = self.config.password.as_ref().map(Secret::reveal).unwrap_or_default();
            options.set_credentials(user, password);
        }
        options
    }

    /// A relay that leads to this broker.
    pub(in crate::ingest) fn relay(&self, board: Arc<Board>, clock: SharedClock) -> io::Result<Relay> {
        let (host, port) = (self.config.host.clone(), self.config.port);
        Relay::start(Target { host, port, tls: self.tls.clone(), board, clock })
    }

    /// Options of the same connection through a relay.
    pub(in crate::ingest) fn through(options: &MqttOptions, relay: &Relay) -> MqttOptions {
        let path = relay.path().to_string_lossy().into_owned();
        let mut through = MqttOptions::new(options.client_id(), path, 0);
        through
            .set_transport(Transport::Unix)
            .set_keep_alive(options.keep_alive())
            .set_max_packet_size(options.max_packet_size(), options.max_packet_size())
            .set_clean_session(options.clean_session())
            .set_manual_acks(options.manual_acks());
        if let Some(login) = options.credentials() {
            through.set_credentials(login.username, login.password);
        }
        if let Some(will) = options.last_will() {
            through.set_last_will(will);
        }
        through
    }
}
