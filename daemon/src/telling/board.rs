//! How each channel does.

use std::collections::BTreeMap;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, RwLock};

use heapward_rules::units::At;

use crate::model::message::{Delivery, OutboxMessage};

/// How each channel does, for pages, summary and heartbeat. In memory only.
#[derive(Clone, Debug, Default)]
pub struct Board {
    channels: Arc<RwLock<BTreeMap<String, ChannelState>>>,
    sent: Arc<AtomicU64>,
    given_up: Arc<AtomicU64>,
}

#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct ChannelState {
    pub last_sent: Option<At>,
    /// Since when it has failed without a success between.
    pub failing_since: Option<At>,
    pub reason: Option<String>,
}

// === impl Board ===

impl Board {
    pub fn states(&self) -> BTreeMap<String, ChannelState> {
        self.channels.read().map(|channels| channels.clone()).unwrap_or_default()
    }

    /// Messages sent and given up since the start; one that stands for several is one.
    pub fn counts(&self) -> (u64, u64) {
        (self.sent.load(Ordering::Relaxed), self.given_up.load(Ordering::Relaxed))
    }

    pub(super) fn count(&self, sent: u64, given_up: u64) {
        self.sent.fetch_add(sent, Ordering::Relaxed);
        self.given_up.fetch_add(given_up, Ordering::Relaxed);
    }

    /// Takes over from the outbox when each channel worked last: the board itself does not outlive a restart.
    pub fn remember(&self, messages: &[OutboxMessage]) {
        let Ok(mut channels) = self.channels.write() else { return };
        for message in messages {
            if let Delivery::Sent { at_ms } = message.delivery {
                let state = channels.entry(message.channel.clone()).or_default();
                state.last_sent = state.last_sent.max(Some(At(at_ms)));
            }
        }
    }

    pub(super) fn note(&self, channel: &str, now: At, failed: Option<String>) {
        let Ok(mut channels) = self.channels.write() else { return };
        let state = channels.entry(channel.to_owned()).or_default();
        if let Some(reason) = failed {
            state.failing_since.get_or_insert(now);
            state.reason = Some(reason);
        } else {
            *state = ChannelState { last_sent: Some(now), ..ChannelState::default() };
        }
    }
}
