//! A message in the outbox: written with its incident in one transaction, then sent, and never forgotten.

use serde::{Deserialize, Serialize};

/// What became of a message so far.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(tag = "state", rename_all = "kebab-case")]
pub enum Delivery {
    /// Not before this instant (quiet hours, back-off).
    Waiting {
        due_ms: i64,
    },
    Sent {
        at_ms: i64,
    },
    /// Merged into another message.
    Superseded {
        by: String,
    },
    /// Given up, with the reason in words.
    Failed {
        at_ms: i64,
        reason: String,
    },
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct OutboxMessage {
    /// Stable over restarts: hash of incident, step, channel and contact. Mail carries it as its Message-ID, an HTTP
    /// request as its idempotency header.
    pub id: String,
    /// Name of the channel in the configuration.
    pub channel: String,
    /// Name of the contact in the configuration.
    pub contact: String,
    pub incident: Option<String>,
    /// `note`, `act`, `urgent` or `danger`.
    pub level: String,
    pub created_ms: i64,
    /// When the thing happened that it tells.
    pub about_ms: i64,
    pub subject: String,
    pub text: String,
    /// HTML body of a mail, where there is one.
    #[serde(default)]
    pub html: Option<String>,
    /// Images of the HTML body: content id and PNG bytes in base64.
    #[serde(default)]
    pub images: Vec<(String, String)>,
    pub tries: u32,
    pub delivery: Delivery,
}

// === impl OutboxMessage ===

impl OutboxMessage {
    /// With what became of it. The pictures of a mail, a hundred kilobytes each day, are kept only while it may have to be
    /// sent again: they are drawn from readings, which stay.
    #[must_use]
    pub fn with(self, delivery: Delivery) -> OutboxMessage {
        let images = if matches!(delivery, Delivery::Waiting { .. }) { self.images } else { Vec::new() };
        OutboxMessage { images, delivery, ..self }
    }
}
