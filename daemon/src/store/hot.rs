//! What is kept in memory: the series with their newest readings.

use std::collections::BTreeMap;
use std::sync::Arc;

use super::types::{Latest, SeriesId, StoredReading};
use crate::model::reading::SeriesKey;

#[derive(Debug, Default)]
pub(super) struct Hot {
    pub(super) series: Vec<HotSeries>,
    ids: BTreeMap<Arc<SeriesKey>, SeriesId>,
}

#[derive(Debug)]
pub(super) struct HotSeries {
    pub(super) key: Arc<SeriesKey>,
    pub(super) latest: Option<StoredReading>,
}

// === impl Hot ===

impl Hot {
    pub(super) fn id(&self, key: &SeriesKey) -> Option<SeriesId> {
        self.ids.get(key).copied()
    }

    pub(super) fn keys(&self) -> impl Iterator<Item = (SeriesId, Arc<SeriesKey>)> {
        (0..).zip(&self.series).map(|(id, series)| (SeriesId(id), Arc::clone(&series.key)))
    }

    /// Adds a series at the end; its number is its place.
    pub(super) fn add(&mut self, key: SeriesKey) -> SeriesId {
        let id = SeriesId(u32::try_from(self.series.len()).unwrap_or(u32::MAX));
        let key = Arc::new(key);
        self.ids.insert(Arc::clone(&key), id);
        self.series.push(HotSeries { key, latest: None });
        id
    }

    pub(super) fn get_mut(&mut self, id: SeriesId) -> Option<&mut HotSeries> {
        self.series.get_mut(id.0 as usize)
    }

    pub(super) fn latest(&self) -> Vec<Latest> {
        let with_reading = |(id, series): (u32, &HotSeries)| {
            let reading = series.latest?;
            Some(Latest { series: SeriesId(id), key: Arc::clone(&series.key), reading })
        };
        (0..).zip(&self.series).filter_map(with_reading).collect()
    }
}
