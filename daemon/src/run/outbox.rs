//! The outbox as the sender needs it: read from the store, written through the recorder.

use heapward_rules::units::At;

use crate::model::incident::Incident;
use crate::model::message::{Delivery, OutboxMessage};
use crate::recorder::{Handle, Refusal};
use crate::store::Reader;
use crate::telling::worker::Outbox;

#[derive(Clone)]
pub(super) struct StoredOutbox {
    pub(super) reader: Reader,
    pub(super) handle: Handle,
}

impl Outbox for StoredOutbox {
    fn waiting(&self, limit: usize) -> Result<Vec<OutboxMessage>, Refusal> {
        Ok(self.reader.messages_due(At::MAX, limit)?)
    }

    fn incident(&self, id: &str) -> Result<Option<Incident>, Refusal> {
        let Some(mut incident) = self.reader.incident(id)? else { return Ok(None) };
        // What is told is the newest figure, not the one that was written last.
        if let Some(now) = self.handle.open_incident(id).filter(|_| incident.closed_ms.is_none()) {
            (incident.figures, incident.read_spot) = (now.figures, now.read_spot);
        }
        Ok(Some(incident))
    }

    async fn delivered(&self, message: String, delivery: Delivery, tries: u32) -> Result<(), Refusal> {
        self.handle.delivered(message, delivery, tries).await
    }

    async fn merged(&self, merged: OutboxMessage, superseded: Vec<String>) -> Result<(), Refusal> {
        self.handle.merged(merged, superseded).await
    }
}
