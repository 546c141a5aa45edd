//! One consistent look at the readings.

use heapward_rules::units::At;
use redb::ReadOnlyTable;

use super::error::StoreError;
use super::reader::Shared;
use super::schema::{Bytes, READINGS};
use super::types::{Bucket, DaySummary, Readings, SeriesId, StoredReading, Summary};
use crate::limits::RANGE_READINGS_MAX;
use crate::model::time;

pub(super) struct View {
    readings: ReadOnlyTable<(u32, i64), Bytes>,
    zone: chrono_tz::Tz,
}

// === impl View ===

impl View {
    pub(super) fn new(shared: &Shared) -> Result<View, StoreError> {
        Ok(View { readings: shared.begin()?.open_table(READINGS)?, zone: shared.zone })
    }

    pub(super) fn range(
        &self,
        series: SeriesId,
        from: At,
        to: At,
        limit: usize,
    ) -> Result<Readings, StoreError> {
        let mut found = Readings::default();
        if from >= to {
            return Ok(found);
        }
        let limit = limit.min(RANGE_READINGS_MAX);
        for row in self.readings.range((series.0, from.0)..(series.0, to.0))? {
            let (key, value) = row?;
            if found.readings.len() >= limit {
                found.next = Some(At(key.value().1));
                break;
            }
            found.readings.extend(stored(At(key.value().1), value.value()));
        }
        Ok(found)
    }

    pub(super) fn buckets(&self, series: SeriesId, bounds: &[At]) -> Result<Vec<Bucket>, StoreError> {
        let mut buckets: Vec<Bucket> = bounds
            .windows(2)
            .map(|pair| Bucket { from: pair[0], to: pair[1], summary: Summary::EMPTY })
            .collect();
        for bucket in &mut buckets {
            let mut from = Some(bucket.from);
            while let Some(start) = from {
                let part = self.range(series, start, bucket.to, RANGE_READINGS_MAX)?;
                part.readings.iter().filter(|r| !r.conflict).for_each(|r| bucket.summary.add(r.value));
                from = part.next;
            }
        }
        Ok(buckets)
    }

    pub(super) fn days(&self, series: SeriesId, from: At, to: At) -> Result<Vec<DaySummary>, StoreError> {
        let mut days = Vec::new();
        let mut at = from;
        while at < to {
            // Stretches without readings are skipped, not walked through.
            let Some(first) = self.range(series, at, to, 1)?.readings.first().map(|r| r.at) else { break };
            let (start, end) = time::local_day(first, self.zone);
            let bucket = self.buckets(series, &[start, end])?;
            if let Some(summary) = bucket.first().map(|b| b.summary).filter(|s| s.count > 0) {
                let date = time::local(start, self.zone).date_naive();
                days.push(DaySummary { date, from: start, to: end, summary });
            }
            at = end;
        }
        Ok(days)
    }
}

pub(super) fn stored(at: At, values: &[u8]) -> impl Iterator<Item = StoredReading> {
    let (values, _) = values.as_chunks::<8>();
    let conflict = values.len() > 1;
    values.iter().map(move |bytes| StoredReading { at, value: f64::from_le_bytes(*bytes), conflict })
}
