//! Messages that the store can't take at the moment: above all the one that says so.
//!
//! The recorder puts here what it could not write, and takes it away when it has written it. The worker sees both as
//! one outbox. A message that went out meanwhile is reported until the store knows it, and is not sent again.

use std::sync::{Arc, Mutex};

use super::policy::Told;
use super::worker::Outbox;
use crate::model::incident::Incident;
use crate::model::message::{Delivery, OutboxMessage};
use crate::recorder::Refusal;

/// Shared by recorder and worker. In memory only: after a restart the rules find the same incidents again.
#[derive(Clone, Debug, Default)]
pub struct Unwritten {
    told: Arc<Mutex<Vec<Told>>>,
}

/// The stored outbox with what is not stored yet.
#[derive(Clone)]
pub struct WithUnwritten<O> {
    pub stored: O,
    pub unwritten: Unwritten,
}

// === impl Unwritten ===

impl Unwritten {
    /// Everything that waits to be written, in place of what was here. Whether that is anything new.
    pub fn set(&self, told: &[Told]) -> bool {
        let Ok(mut kept) = self.told.lock() else { return false };
        let is_new = kept.as_slice() != told;
        if is_new {
            kept.clear();
            kept.extend_from_slice(told);
        }
        is_new
    }

    pub fn clear(&self) {
        self.set(&[]);
    }

    /// Everything that waits to be written.
    pub fn all(&self) -> Vec<Told> {
        self.told.lock().map(|told| told.clone()).unwrap_or_default()
    }

    fn messages(&self) -> Vec<OutboxMessage> {
        self.all().into_iter().flat_map(|told| told.messages).collect()
    }

    /// The newest state of an incident.
    fn incident(&self, id: &str) -> Option<Incident> {
        let told = self.told.lock().ok()?;
        told.iter().rev().find(|told| told.incident.id == id).map(|told| told.incident.clone())
    }
}

// === impl WithUnwritten ===

impl<O: Outbox> Outbox for WithUnwritten<O> {
    fn waiting(&self, limit: usize) -> Result<Vec<OutboxMessage>, Refusal> {
        let unwritten = self.unwritten.messages();
        let mut waiting = match self.stored.waiting(limit) {
            Ok(waiting) => waiting,
            // A store that can't even be read must not keep back what says so.
            Err(refusal) if unwritten.is_empty() => return Err(refusal),
            Err(_) => Vec::new(),
        };
        for message in unwritten {
            let is_known = waiting.iter().any(|stored| stored.id == message.id);
            if !is_known && matches!(message.delivery, Delivery::Waiting { .. }) {
                waiting.push(message);
            }
        }
        Ok(waiting)
    }

    fn incident(&self, id: &str) -> Result<Option<Incident>, Refusal> {
        match self.unwritten.incident(id) {
            Some(incident) => Ok(Some(incident)),
            None => self.stored.incident(id),
        }
    }

    async fn delivered(&self, message: String, delivery: Delivery, tries: u32) -> Result<(), Refusal> {
        self.stored.delivered(message, delivery, tries).await
    }

    async fn merged(&self, merged: OutboxMessage, superseded: Vec<String>) -> Result<(), Refusal> {
        self.stored.merged(merged, superseded).await
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::telling::fixture::{at, site, telling};
    use crate::telling::policy::{Scene, Teller};
    use crate::telling::topic::{Matter, Trouble};
    use heapward_rules::finding::{Change, Level};

    /// A store that has written what is still held as unwritten.
    #[derive(Clone)]
    struct Stored(Vec<OutboxMessage>);

    impl Outbox for Stored {
        fn waiting(&self, _: usize) -> Result<Vec<OutboxMessage>, Refusal> {
            Ok(self.0.clone())
        }

        fn incident(&self, _: &str) -> Result<Option<Incident>, Refusal> {
            Ok(None)
        }

        async fn delivered(&self, _: String, _: Delivery, _: u32) -> Result<(), Refusal> {
            Ok(())
        }

        async fn merged(&self, _: OutboxMessage, _: Vec<String>) -> Result<(), Refusal> {
            Ok(())
        }
    }

    #[test]
    fn what_is_written_meanwhile_waits_once() {
        let now = at("12 14:20");
        let full = Matter::of_farm(Trouble::DiskLow, Level::Act, Change::Opened, now, now);
        let scene = Scene { now, recent: &[], mutes: &[], unreached: &[] };
        let told = Teller::new(site(), &telling()).take(&full, scene).unwrap();
        let unwritten = Unwritten::default();
        unwritten.set(std::slice::from_ref(&told));
        for stored in [vec![], told.messages.clone()] {
            let both = WithUnwritten { stored: Stored(stored), unwritten: unwritten.clone() };
            assert_eq!(both.waiting(10).unwrap(), told.messages);
        }
    }
}
