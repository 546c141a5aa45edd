//! Tables and the encoding of their values.

use redb::TableDefinition;
use serde::Serialize;
use serde::de::DeserializeOwned;

use super::error::StoreError;
use crate::model::reading::{SeriesKey, parse_quantity, parse_unit, quantity_word, unit_word};
use heapward_rules::ids::ProbeId;

/// Version of the whole: tables, keys and values. A store with a higher one is refused.
pub(super) const FORMAT: u32 = 3;

/// First byte of each value that is JSON or bytes of others.
const VALUE_VERSION: u8 = 1;

pub(super) type Bytes = &'static [u8];

pub(super) const META: TableDefinition<&str, Bytes> = TableDefinition::new("meta");
pub(super) const SERIES: TableDefinition<&str, u32> = TableDefinition::new("series");
pub(super) const BLOCKS: TableDefinition<(u32, i64), Bytes> = TableDefinition::new("blocks");
pub(super) const DAYS: TableDefinition<(u32, i32), Bytes> = TableDefinition::new("days");
pub(super) const LOG: TableDefinition<u64, Bytes> = TableDefinition::new("log");
pub(super) const LOG_OF_PILE: TableDefinition<(&str, u64), ()> = TableDefinition::new("log_of_pile");
pub(super) const PILES: TableDefinition<&str, Bytes> = TableDefinition::new("piles");
pub(super) const PILES_CHANGED: TableDefinition<&str, ()> = TableDefinition::new("piles_changed");
pub(super) const LATE: TableDefinition<(u32, i64, u64), ()> = TableDefinition::new("late");
pub(super) const RECORD: TableDefinition<u64, Bytes> = TableDefinition::new("record");
pub(super) const INCIDENTS: TableDefinition<&str, Bytes> = TableDefinition::new("incidents");
pub(super) const INCIDENTS_OPEN: TableDefinition<&str, ()> = TableDefinition::new("incidents_open");
pub(super) const INCIDENTS_AT: TableDefinition<(i64, &str), ()> = TableDefinition::new("incidents_at");
pub(super) const OUTBOX: TableDefinition<&str, Bytes> = TableDefinition::new("outbox");
pub(super) const OUTBOX_DUE: TableDefinition<(i64, &str), ()> = TableDefinition::new("outbox_due");
pub(super) const OUTBOX_AT: TableDefinition<(i64, &str), ()> = TableDefinition::new("outbox_at");
pub(super) const DOCUMENTS: TableDefinition<&str, Bytes> = TableDefinition::new("documents");

/// Keys of the `meta` table.
pub(super) mod meta {
    /// Version of the store, u32.
    pub(in crate::store) const FORMAT: &str = "format";
    /// Epoch of the side log that holds, u64.
    pub(in crate::store) const EPOCH: &str = "epoch";
    /// Length of the side log when it was last in order, u64.
    pub(in crate::store) const LOG_BYTES: &str = "log_bytes";
    /// Frame of the readings that were not sealed when the epoch began.
    pub(in crate::store) const CARRY: &str = "carry";
    /// Seals so far, u64.
    pub(in crate::store) const GENERATION: &str = "generation";
    /// Name of the zone whose days the day table has.
    pub(in crate::store) const ZONE: &str = "zone";
}

pub(super) fn number(
    table: &impl redb::ReadableTable<&'static str, Bytes>,
    key: &'static str,
) -> Result<Option<u64>, StoreError> {
    let Some(value) = table.get(key)? else { return Ok(None) };
    let bytes = value.value().first_chunk::<8>();
    bytes
        .map(|bytes| Some(u64::from_le_bytes(*bytes)))
        .ok_or_else(|| StoreError::encoding(key, "it is no number"))
}

pub(super) fn to_json<T: Serialize>(what: &'static str, value: &T) -> Result<Vec<u8>, StoreError> {
    let mut bytes = vec![VALUE_VERSION];
    serde_json::to_writer(&mut bytes, value).map_err(|error| StoreError::encoding(what, error))?;
    Ok(bytes)
}

pub(super) fn from_json<T: DeserializeOwned>(what: &'static str, bytes: &[u8]) -> Result<T, StoreError> {
    serde_json::from_slice(unversioned(what, bytes)?).map_err(|error| StoreError::encoding(what, error))
}

pub(super) fn versioned(bytes: &[u8]) -> Vec<u8> {
    let mut value = Vec::with_capacity(bytes.len() + 1);
    value.push(VALUE_VERSION);
    value.extend_from_slice(bytes);
    value
}

pub(super) fn unversioned<'a>(what: &'static str, bytes: &'a [u8]) -> Result<&'a [u8], StoreError> {
    match bytes.split_first() {
        Some((&VALUE_VERSION, rest)) => Ok(rest),
        Some((version, _)) => Err(StoreError::encoding(what, format!("its version byte is {version}"))),
        None => Err(StoreError::encoding(what, "it is empty")),
    }
}

/// `temperature C k1`: quantity and unit are single words, the rest is the probe.
pub(super) fn series_text(key: &SeriesKey) -> String {
    format!("{} {} {}", quantity_word(key.quantity), unit_word(key.unit), key.probe)
}

pub(super) fn parse_series_text(text: &str) -> Result<SeriesKey, StoreError> {
    let mut words = text.splitn(3, ' ');
    let parsed = (|| {
        let quantity = parse_quantity(words.next()?)?;
        let unit = parse_unit(words.next()?)?;
        Some(SeriesKey { probe: ProbeId::new(words.next()?), quantity, unit })
    })();
    parsed.ok_or_else(|| StoreError::encoding("a series", format!("`{text}`")))
}
