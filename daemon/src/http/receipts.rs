//! Who was told of an incident, by which channel, and what became of it: the outbox messages of its tellings.

use std::collections::BTreeMap;

use crate::model::incident::{Incident, Telling};
use crate::model::message::{Delivery, OutboxMessage};
use crate::store::{Reader, StoreError};

/// Messages by id.
#[derive(Clone, Debug, Default)]
pub(super) struct Receipts(BTreeMap<String, OutboxMessage>);

// === impl Receipts ===

impl Receipts {
    /// The messages of some incidents.
    pub(super) fn of(reader: &Reader, incidents: &[Incident]) -> Result<Receipts, StoreError> {
        let mut messages = BTreeMap::new();
        let tellings = incidents.iter().flat_map(|incident| &incident.tellings);
        for id in tellings.flat_map(|telling| &telling.messages) {
            let Some(message) = reader.message(id)? else { continue };
            if let Delivery::Superseded { by } = &message.delivery
                && let Some(other) = reader.message(by)?
            {
                messages.insert(by.clone(), other);
            }
            messages.insert(id.clone(), message);
        }
        Ok(Receipts(messages))
    }

    pub(super) fn of_telling<'a>(&'a self, telling: &'a Telling) -> impl Iterator<Item = &'a OutboxMessage> {
        telling.messages.iter().filter_map(|id| self.0.get(id))
    }

    /// When it went out, by itself or in another message; `None` while it waits and when it was given up.
    pub(super) fn sent_ms(&self, message: &OutboxMessage) -> Option<i64> {
        match &message.delivery {
            Delivery::Sent { at_ms } => Some(*at_ms),
            Delivery::Superseded { by } => match self.0.get(by)?.delivery {
                Delivery::Sent { at_ms } => Some(at_ms),
                _ => None,
            },
            Delivery::Waiting { .. } | Delivery::Failed { .. } => None,
        }
    }
}
