//! A durable transaction over everything that is decided or entered: log, piles, incidents, outbox, documents.

use redb::{ReadableTable, WriteTransaction};

use super::error::StoreError;
use super::records;
use super::schema::{
    DOCUMENTS, INCIDENTS, INCIDENTS_AT, INCIDENTS_OPEN, LOG, LOG_OF_PILE, OUTBOX, OUTBOX_AT, OUTBOX_DUE,
    PILES, PILES_CHANGED, from_json, to_json, unversioned, versioned,
};
use crate::model::entry::{Entry, NewEntry};
use crate::model::incident::Incident;
use crate::model::message::{Delivery, OutboxMessage};
use crate::model::pile::PileRecord;
use crate::sha256;

/// One transaction; everything in it becomes durable together or not at all.
pub struct Tx {
    pub(super) txn: WriteTransaction,
}

/// `prev` of the first entry.
pub(super) const NO_ENTRY: &str = "0000000000000000000000000000000000000000000000000000000000000000";

// === impl Tx ===

impl Tx {
    /// Puts an entry at the end of the log and gives it its place in the chain.
    pub fn append_entry(&mut self, entry: NewEntry) -> Result<Entry, StoreError> {
        let mut log = self.txn.open_table(LOG)?;
        let (seq, prev) = match log.last()? {
            None => (1, NO_ENTRY.to_owned()),
            Some((seq, text)) => (seq.value() + 1, entry_digest(unversioned("a log entry", text.value())?)),
        };
        let entry = Entry { seq, prev, entry };
        log.insert(seq, to_json("a log entry", &entry)?.as_slice())?;
        if let Some(pile) = &entry.entry.pile {
            self.txn.open_table(LOG_OF_PILE)?.insert((pile.as_str(), seq), ())?;
        }
        Ok(entry)
    }

    /// Entries after `after_seq` in order, of one pile or of all.
    pub fn entries(
        &self,
        pile: Option<&str>,
        after_seq: u64,
        limit: usize,
    ) -> Result<Vec<Entry>, StoreError> {
        records::entries(
            &self.txn.open_table(LOG)?,
            &self.txn.open_table(LOG_OF_PILE)?,
            pile,
            after_seq,
            limit,
        )
    }

    pub fn put_pile(&mut self, pile: &PileRecord) -> Result<(), StoreError> {
        self.txn.open_table(PILES)?.insert(pile.id.as_str(), to_json("a pile", pile)?.as_slice())?;
        self.txn.open_table(PILES_CHANGED)?.insert(pile.id.as_str(), ())?;
        Ok(())
    }

    pub fn pile(&self, id: &str) -> Result<Option<PileRecord>, StoreError> {
        records::get(&self.txn.open_table(PILES)?, "a pile", id)
    }

    pub fn piles(&self) -> Result<Vec<PileRecord>, StoreError> {
        records::all(&self.txn.open_table(PILES)?, "a pile")
    }

    /// Puts an incident in the place of its former state, if there is one.
    pub fn put_incident(&mut self, incident: &Incident) -> Result<(), StoreError> {
        let mut incidents = self.txn.open_table(INCIDENTS)?;
        let mut by_time = self.txn.open_table(INCIDENTS_AT)?;
        let mut open = self.txn.open_table(INCIDENTS_OPEN)?;
        let id = incident.id.as_str();
        let old = incidents.insert(id, to_json("an incident", incident)?.as_slice())?;
        if let Some(old) = old {
            let old: Incident = from_json("an incident", old.value())?;
            by_time.remove((old.opened_ms, id))?;
        }
        by_time.insert((incident.opened_ms, id), ())?;
        if incident.closed_ms.is_none() {
            open.insert(id, ())?;
        } else {
            open.remove(id)?;
        }
        Ok(())
    }

    pub fn incident(&self, id: &str) -> Result<Option<Incident>, StoreError> {
        records::get(&self.txn.open_table(INCIDENTS)?, "an incident", id)
    }

    pub fn open_incidents(&self) -> Result<Vec<Incident>, StoreError> {
        records::open_incidents(&self.txn.open_table(INCIDENTS)?, &self.txn.open_table(INCIDENTS_OPEN)?)
    }

    /// All incidents of a pile, oldest first.
    pub fn incidents_of(&self, pile: &str) -> Result<Vec<Incident>, StoreError> {
        records::incidents_of(&self.txn.open_table(INCIDENTS)?, pile)
    }

    /// Puts a message in the place of its former state, if there is one.
    pub fn put_message(&mut self, message: &OutboxMessage) -> Result<(), StoreError> {
        let mut outbox = self.txn.open_table(OUTBOX)?;
        let mut due = self.txn.open_table(OUTBOX_DUE)?;
        let mut by_time = self.txn.open_table(OUTBOX_AT)?;
        let id = message.id.as_str();
        let old = outbox.insert(id, to_json("a message", message)?.as_slice())?;
        if let Some(old) = old {
            let old: OutboxMessage = from_json("a message", old.value())?;
            by_time.remove((old.created_ms, id))?;
            if let Delivery::Waiting { due_ms } = old.delivery {
                due.remove((due_ms, id))?;
            }
        }
        by_time.insert((message.created_ms, id), ())?;
        if let Delivery::Waiting { due_ms } = message.delivery {
            due.insert((due_ms, id), ())?;
        }
        Ok(())
    }

    pub fn message(&self, id: &str) -> Result<Option<OutboxMessage>, StoreError> {
        records::get(&self.txn.open_table(OUTBOX)?, "a message", id)
    }

    /// A small state by name: the judge's progress, counters. The bytes are the caller's, who versions them.
    pub fn put_document(&mut self, name: &str, bytes: &[u8]) -> Result<(), StoreError> {
        self.txn.open_table(DOCUMENTS)?.insert(name, versioned(bytes).as_slice())?;
        Ok(())
    }

    pub fn document(&self, name: &str) -> Result<Option<Vec<u8>>, StoreError> {
        records::document(&self.txn.open_table(DOCUMENTS)?, name)
    }

    pub fn remove_document(&mut self, name: &str) -> Result<(), StoreError> {
        self.txn.open_table(DOCUMENTS)?.remove(name)?;
        Ok(())
    }
}

/// SHA-256 of an entry's canonical text, in lower-case hex.
pub(super) fn entry_digest(text: &[u8]) -> String {
    hex(&sha256::digest(text))
}

pub(super) fn hex(bytes: &[u8]) -> String {
    const DIGITS: &[u8; 16] = b"0123456789abcdef";
    let digit = |nibble: u8| char::from(DIGITS[usize::from(nibble & 15)]);
    bytes.iter().flat_map(|byte| [digit(byte >> 4), digit(*byte)]).collect()
}
