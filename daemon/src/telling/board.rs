//! How each channel does.

use std::collections::BTreeMap;
use std::sync::{Arc, RwLock};

use heapward_rules::units::At;

use crate::model::message::{Delivery, OutboxMessage};

/// How each channel does, for pages, summary and heartbeat. In memory only.
#[derive(Clone, Debug, Default)]
pub struct Board {
    channels: Arc<RwLock<BTreeMap<String, ChannelState>>>,
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
