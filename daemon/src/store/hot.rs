//! What is kept in memory: the series, their newest readings, and the readings that are not sealed yet.

use std::collections::BTreeMap;
use std::sync::Arc;

use heapward_rules::ids::ProbeId;
use heapward_rules::reading::{Quantity, Unit};
use heapward_rules::units::At;

use super::block::Row;
use super::error::StoreError;
use super::types::{Fate, Latest, NewReading, SeriesId, StoredReading};
use crate::model::reading::SeriesKey;

#[derive(Debug, Default)]
pub(super) struct Hot {
    series: Vec<HotSeries>,
    /// By probe; each has a few.
    ids: BTreeMap<ProbeId, Vec<(Quantity, Unit, SeriesId)>>,
    /// Counts the seals that have left the tails; the database counts the same when it takes them in. A reader that
    /// sees both alike sees every reading once.
    pub(super) generation: u64,
}

#[derive(Debug)]
pub(super) struct HotSeries {
    pub(super) key: Arc<SeriesKey>,
    pub(super) latest: Option<StoredReading>,
    /// Not sealed: in order of time, of one instant in order of arrival.
    pub(super) tail: Vec<Row>,
    /// Last instant in the blocks.
    pub(super) sealed_to: Option<i64>,
    /// Readings of the newest full block: how many will fill the next one.
    pub(super) guess: usize,
}

// === impl Hot ===

impl Hot {
    pub(super) fn id(&self, key: &SeriesKey) -> Option<SeriesId> {
        self.id_of(&key.probe, key.quantity, key.unit)
    }

    /// The same without a key, which would have to be made for every reading.
    pub(super) fn id_of(&self, probe: &ProbeId, quantity: Quantity, unit: Unit) -> Option<SeriesId> {
        let of_probe = self.ids.get(probe)?;
        of_probe.iter().find(|(q, u, _)| *q == quantity && *u == unit).map(|(.., id)| *id)
    }

    pub(super) fn len(&self) -> usize {
        self.series.len()
    }

    pub(super) fn iter(&self) -> impl Iterator<Item = (SeriesId, &HotSeries)> {
        (0..).map(SeriesId).zip(&self.series)
    }

    pub(super) fn keys(&self) -> impl Iterator<Item = (SeriesId, Arc<SeriesKey>)> {
        self.iter().map(|(id, series)| (id, Arc::clone(&series.key)))
    }

    /// Adds a series at the end; its number is its place.
    pub(super) fn add(&mut self, key: SeriesKey) -> SeriesId {
        let id = SeriesId(u32::try_from(self.series.len()).unwrap_or(u32::MAX));
        self.ids.entry(key.probe.clone()).or_default().push((key.quantity, key.unit, id));
        let key = Arc::new(key);
        self.series.push(HotSeries {
            key,
            latest: None,
            tail: Vec::new(),
            sealed_to: None,
            guess: super::block::COUNT_GUESS,
        });
        id
    }

    pub(super) fn get(&self, id: SeriesId) -> Result<&HotSeries, StoreError> {
        self.series.get(id.0 as usize).ok_or(StoreError::UnknownSeries(id.0))
    }

    pub(super) fn get_mut(&mut self, id: SeriesId) -> Result<&mut HotSeries, StoreError> {
        self.series.get_mut(id.0 as usize).ok_or(StoreError::UnknownSeries(id.0))
    }

    pub(super) fn latest(&self) -> Vec<Latest> {
        let with_reading = |(series, hot): (SeriesId, &HotSeries)| {
            Some(Latest { series, key: Arc::clone(&hot.key), reading: hot.latest? })
        };
        self.iter().filter_map(with_reading).collect()
    }

    /// Takes in a reading that is durable.
    pub(super) fn take(&mut self, reading: &NewReading, fate: Fate) -> Result<(), StoreError> {
        let series = self.get_mut(reading.series)?;
        let row = Row { at: reading.at.0, value: reading.value };
        // Nearly always it is the newest.
        if series.tail.last().is_none_or(|last| last.at <= row.at) {
            series.tail.push(row);
        } else {
            let place = series.tail.partition_point(|other| other.at <= row.at);
            series.tail.insert(place, row);
        }
        let conflict = fate == Fate::Conflict;
        if series.latest.is_none_or(|latest| latest.at <= reading.at) {
            series.latest = Some(StoredReading { at: reading.at, value: row.value, conflict });
        }
        Ok(())
    }
}

// === impl HotSeries ===

impl HotSeries {
    /// Instant of the newest reading of all.
    pub(super) fn newest(&self) -> At {
        self.latest.map_or(At::MIN, |latest| latest.at)
    }

    /// The part of the tail in [from, to).
    pub(super) fn tail_between(&self, from: i64, to: i64) -> &[Row] {
        let start = self.tail.partition_point(|row| row.at < from);
        let end = self.tail.partition_point(|row| row.at < to).max(start);
        &self.tail[start..end]
    }
}
