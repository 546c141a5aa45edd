//! Reading what is decided or entered; the same inside a transaction and from outside.

use redb::ReadableTable;
use serde::de::DeserializeOwned;

use super::error::StoreError;
use super::schema::{from_json, unversioned};
use crate::model::entry::Entry;
use crate::model::incident::Incident;
use crate::model::message::OutboxMessage;

pub(super) trait Rows: ReadableTable<&'static str, &'static [u8]> {}
impl<T: ReadableTable<&'static str, &'static [u8]>> Rows for T {}
pub(super) trait Times: ReadableTable<(i64, &'static str), ()> {}
impl<T: ReadableTable<(i64, &'static str), ()>> Times for T {}

/// Which incidents to give out.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct IncidentFilter {
    pub open_only: bool,
    pub pile: Option<String>,
}

pub(super) fn get<T: DeserializeOwned>(
    table: &impl Rows,
    what: &'static str,
    key: &str,
) -> Result<Option<T>, StoreError> {
    table.get(key)?.map(|value| from_json(what, value.value())).transpose()
}

pub(super) fn all<T: DeserializeOwned>(table: &impl Rows, what: &'static str) -> Result<Vec<T>, StoreError> {
    table.iter()?.map(|row| from_json(what, row?.1.value())).collect()
}

pub(super) fn document(table: &impl Rows, name: &str) -> Result<Option<Vec<u8>>, StoreError> {
    table.get(name)?.map(|value| Ok(unversioned("a document", value.value())?.to_vec())).transpose()
}

pub(super) fn entries(
    log: &impl ReadableTable<u64, &'static [u8]>,
    of_pile: &impl ReadableTable<(&'static str, u64), ()>,
    pile: Option<&str>,
    after_seq: u64,
    limit: usize,
) -> Result<Vec<Entry>, StoreError> {
    let from = after_seq.saturating_add(1);
    let Some(pile) = pile else {
        let rows = log.range(from..)?.take(limit);
        return rows.map(|row| from_json("a log entry", row?.1.value())).collect();
    };
    let mut entries = Vec::new();
    for row in of_pile.range((pile, from)..=(pile, u64::MAX))?.take(limit) {
        if let Some(entry) = log.get(row?.0.value().1)? {
            entries.push(from_json("a log entry", entry.value())?);
        }
    }
    Ok(entries)
}

pub(super) fn open_incidents(
    incidents: &impl Rows,
    open: &impl ReadableTable<&'static str, ()>,
) -> Result<Vec<Incident>, StoreError> {
    let mut found = Vec::new();
    for row in open.iter()? {
        found.extend(get::<Incident>(incidents, "an incident", row?.0.value())?);
    }
    found.sort_by(|a, b| (a.opened_ms, &a.id).cmp(&(b.opened_ms, &b.id)));
    Ok(found)
}

pub(super) fn incidents_of(incidents: &impl Rows, pile: &str) -> Result<Vec<Incident>, StoreError> {
    // An incident's id begins with its pile and a slash; a zero is the character after the slash.
    let (from, to) = (format!("{pile}/"), format!("{pile}0"));
    let mut found = Vec::new();
    for row in incidents.range(from.as_str()..to.as_str())? {
        found.push(from_json::<Incident>("an incident", row?.1.value())?);
    }
    found.sort_by(|a, b| (a.opened_ms, &a.id).cmp(&(b.opened_ms, &b.id)));
    Ok(found)
}

/// Newest first, from `before` (excluded) backwards: what `taken` makes of each.
pub(super) fn newest<T: DeserializeOwned>(
    rows: &impl Rows,
    times: &impl Times,
    what: &'static str,
    before: Option<(i64, &str)>,
    limit: usize,
    taken: impl Fn(T) -> Option<T>,
) -> Result<Vec<T>, StoreError> {
    let mut found = Vec::new();
    let range = match before {
        Some(before) => times.range(..before)?,
        None => times.range::<(i64, &str)>(..)?,
    };
    for row in range.rev() {
        if found.len() >= limit {
            break;
        }
        found.extend(get::<T>(rows, what, row?.0.value().1)?.and_then(&taken));
    }
    Ok(found)
}

/// Messages that wait and whose time has come, the longest due first.
pub(super) fn due(
    outbox: &impl Rows,
    due: &impl Times,
    now_ms: i64,
    limit: usize,
) -> Result<Vec<OutboxMessage>, StoreError> {
    let mut found = Vec::new();
    for row in due.range(..(now_ms.saturating_add(1), ""))?.take(limit) {
        found.extend(get::<OutboxMessage>(outbox, "a message", row?.0.value().1)?);
    }
    Ok(found)
}
