//! The store as pages and API ask it.

use heapward_rules::units::At;

use crate::http::records::{Bucket, Latest, Records, RecordsError};
use crate::model::entry::Entry;
use crate::model::incident::Incident;
use crate::model::message::OutboxMessage;
use crate::model::reading::SeriesKey;
use crate::store::{IncidentFilter, Reader, SeriesId, StoreError};

pub(super) struct StoredRecords(pub(super) Reader);

impl From<StoreError> for RecordsError {
    fn from(error: StoreError) -> RecordsError {
        RecordsError(error.to_string())
    }
}

// === impl StoredRecords ===

impl StoredRecords {
    fn id(&self, series: &SeriesKey) -> Result<Option<SeriesId>, StoreError> {
        self.0.series_id(series)
    }
}

impl Records for StoredRecords {
    fn latest(&self) -> Result<Vec<Latest>, RecordsError> {
        let latest = self.0.latest()?.into_iter();
        let shown = latest.map(|newest| Latest {
            series: (*newest.key).clone(),
            at: newest.reading.at,
            value: newest.reading.value,
        });
        Ok(shown.collect())
    }

    fn range(
        &self,
        series: &SeriesKey,
        from: At,
        to: At,
        limit: usize,
    ) -> Result<Vec<(At, f64)>, RecordsError> {
        let Some(id) = self.id(series)? else { return Ok(Vec::new()) };
        let mut readings = Vec::new();
        let mut next = Some(from);
        while let Some(from) = next.filter(|_| readings.len() < limit) {
            let slice = self.0.range(id, from, to, limit - readings.len())?;
            readings.extend(slice.readings.iter().map(|reading| (reading.at, reading.value)));
            next = slice.next;
        }
        readings.truncate(limit);
        Ok(readings)
    }

    fn buckets(&self, series: &SeriesKey, from: At, to: At, n: usize) -> Result<Vec<Bucket>, RecordsError> {
        let Some(id) = self.id(series)? else { return Ok(Vec::new()) };
        let buckets = self.0.buckets(id, from, to, n)?.into_iter();
        let full = buckets.filter_map(|bucket| {
            Some(Bucket {
                from: bucket.from,
                minimum: bucket.summary.min,
                mean: bucket.summary.mean()?,
                maximum: bucket.summary.max,
                count: bucket.summary.count,
            })
        });
        Ok(full.collect())
    }

    fn entries(&self, pile: Option<&str>, after: u64, limit: usize) -> Result<Vec<Entry>, RecordsError> {
        Ok(self.0.entries(pile, after, limit)?)
    }

    fn incidents(
        &self,
        pile: Option<&str>,
        after: Option<&str>,
        limit: usize,
    ) -> Result<Vec<Incident>, RecordsError> {
        let filter = IncidentFilter { pile: pile.map(str::to_owned), ..IncidentFilter::default() };
        let seen = after.map(|id| self.0.incident(id)).transpose()?.flatten();
        let before = seen.as_ref().map(|incident| (incident.opened_ms, incident.id.as_str()));
        Ok(self.0.incidents(&filter, before, limit)?)
    }

    fn messages(&self, after: Option<&str>, limit: usize) -> Result<Vec<OutboxMessage>, RecordsError> {
        let seen = after.map(|id| self.0.message(id)).transpose()?.flatten();
        let before = seen.as_ref().map(|message| (message.created_ms, message.id.as_str()));
        Ok(self.0.messages(before, limit)?)
    }
}
