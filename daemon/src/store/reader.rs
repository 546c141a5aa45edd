//! The reading side: any number of threads, each call a short read transaction of its own.

use std::sync::{Arc, PoisonError, RwLock};

use heapward_rules::units::{At, Span};
use redb::{Database, ReadTransaction, ReadableDatabase, ReadableTable, ReadableTableMetadata};

use super::disk::Disk;
use super::error::StoreError;
use super::hot::Hot;
use super::record::Head;
use super::records::{self, IncidentFilter};
use super::schema::{
    DOCUMENTS, INCIDENTS, INCIDENTS_AT, INCIDENTS_OPEN, LOG, LOG_OF_PILE, OUTBOX, OUTBOX_AT, OUTBOX_DUE,
    PILES, unversioned,
};
use super::tx::entry_digest;
use super::types::{Bucket, DaySummary, Latest, Readings, SeriesId, Summary};
use super::view::View;
use crate::limits::INSTANT_MAX_MS;
use crate::model::entry::Entry;
use crate::model::incident::Incident;
use crate::model::message::OutboxMessage;
use crate::model::pile::PileRecord;
use crate::model::reading::SeriesKey;
use crate::model::time;

/// What the store shares with its readers.
#[derive(Debug)]
pub(super) struct Shared {
    pub(super) db: Database,
    pub(super) hot: RwLock<Hot>,
    pub(super) zone: chrono_tz::Tz,
    pub(super) look_blocks_max: usize,
    pub(super) disk: Arc<dyn Disk>,
    pub(super) head: RwLock<Option<Head>>,
    pub(super) check_ms: u64,
}

/// A handle for reading. It outlives the store: while none is open every call gives [`StoreError::Closed`], and a
/// store opened with [`super::Store::open_for`] takes the place of the former one.
#[derive(Clone, Debug, Default)]
pub struct Reader {
    pub(super) shared: Arc<RwLock<Option<Arc<Shared>>>>,
}

// === impl Shared ===

impl Shared {
    pub(super) fn begin(&self) -> Result<ReadTransaction, StoreError> {
        Ok(self.db.begin_read()?)
    }
}

// === impl Reader ===

impl Reader {
    /// A handle without a store, for [`super::Store::open_for`].
    pub fn new() -> Reader {
        Reader::default()
    }

    pub fn is_open(&self) -> bool {
        self.open().is_ok()
    }

    pub(super) fn attach(&self, shared: Option<Arc<Shared>>) {
        *self.shared.write().unwrap_or_else(PoisonError::into_inner) = shared;
    }

    pub(super) fn open(&self) -> Result<Arc<Shared>, StoreError> {
        self.shared.read().unwrap_or_else(PoisonError::into_inner).clone().ok_or(StoreError::Closed)
    }

    /// All series with their numbers, in order of the numbers.
    pub fn series(&self) -> Result<Vec<(SeriesId, Arc<SeriesKey>)>, StoreError> {
        let shared = self.open()?;
        let hot = shared.hot.read().unwrap_or_else(PoisonError::into_inner);
        Ok(hot.keys().collect())
    }

    /// The number of a series, if it has ever had a reading.
    pub fn series_id(&self, key: &SeriesKey) -> Result<Option<SeriesId>, StoreError> {
        let shared = self.open()?;
        let hot = shared.hot.read().unwrap_or_else(PoisonError::into_inner);
        Ok(hot.id(key))
    }

    /// The newest reading of each series, from memory.
    pub fn latest(&self) -> Result<Vec<Latest>, StoreError> {
        let shared = self.open()?;
        let hot = shared.hot.read().unwrap_or_else(PoisonError::into_inner);
        Ok(hot.latest())
    }

    /// The readings of [from, to), at most about `limit` (an instant is never split) and never more than
    /// [`crate::limits::RANGE_READINGS_MAX`]. Go on at `next` if there is one.
    pub fn range(&self, series: SeriesId, from: At, to: At, limit: usize) -> Result<Readings, StoreError> {
        if from >= to {
            return Ok(Readings::default());
        }
        View::new(&*self.open()?, series, from, to)?.range(from, to, limit)
    }

    /// Count, extremes and sum in `n` equal parts of [from, to), conflicts left out.
    pub fn buckets(&self, series: SeriesId, from: At, to: At, n: usize) -> Result<Vec<Bucket>, StoreError> {
        let width = i128::from(to.0) - i128::from(from.0);
        let count = i128::try_from(n).unwrap_or(i128::MAX);
        let bounds: Vec<At> = (0..=count)
            .take(n.saturating_add(1))
            .filter_map(|i| i64::try_from(i128::from(from.0) + width * i / count.max(1)).ok().map(At))
            .collect();
        self.buckets_at(series, &bounds)
    }

    /// The same between given bounds in ascending order; one bucket less than bounds.
    pub fn buckets_at(&self, series: SeriesId, bounds: &[At]) -> Result<Vec<Bucket>, StoreError> {
        let shared = self.open()?;
        let mut summaries = vec![Summary::EMPTY; bounds.len().saturating_sub(1)];
        let (mut from, to) = (bounds.first().map_or(0, |at| at.0), bounds.last().map_or(0, |at| at.0));
        // The bucket in which a look begins: where the one before it has stopped.
        let mut bucket = 0;
        while from < to {
            let rest = bounds.iter().skip(bucket + 1).map(|at| at.0);
            let ahead: Vec<i64> = std::iter::once(from).chain(rest).collect();
            let (found, reached) = View::new(&shared, series, At(from), At(to))?.summaries(&ahead)?;
            summaries.iter_mut().skip(bucket).zip(&found).for_each(|(sum, part)| sum.merge(part));
            from = reached;
            bucket = bounds.partition_point(|bound| bound.0 <= reached).saturating_sub(1);
        }
        let pairs = bounds.windows(2).zip(summaries);
        Ok(pairs.map(|(pair, summary)| Bucket { from: pair[0], to: pair[1], summary }).collect())
    }

    /// The local days of the site that touch [from, to) and have readings without conflict.
    pub fn days(&self, series: SeriesId, from: At, to: At) -> Result<Vec<DaySummary>, StoreError> {
        // The calendar has an end; instants beyond it hold nothing.
        let (from, to) = (from.max(At(0)), to.min(At(INSTANT_MAX_MS + 1)));
        if from >= to {
            return Ok(Vec::new());
        }
        let shared = self.open()?;
        let start = time::local_day(from, shared.zone).0;
        let end = time::local_day(to - Span(1), shared.zone).1;
        View::new(&shared, series, start, end)?.days(from, to)
    }

    pub fn piles(&self) -> Result<Vec<PileRecord>, StoreError> {
        records::all(&self.open()?.begin()?.open_table(PILES)?, "a pile")
    }

    pub fn pile(&self, id: &str) -> Result<Option<PileRecord>, StoreError> {
        records::get(&self.open()?.begin()?.open_table(PILES)?, "a pile", id)
    }

    /// Log entries after `after_seq` in order, of one pile or of all.
    pub fn entries(
        &self,
        pile: Option<&str>,
        after_seq: u64,
        limit: usize,
    ) -> Result<Vec<Entry>, StoreError> {
        let txn = self.open()?.begin()?;
        records::entries(&txn.open_table(LOG)?, &txn.open_table(LOG_OF_PILE)?, pile, after_seq, limit)
    }

    /// Number and digest of the newest entry of the log: whoever holds them can tell whether anything before has changed.
    pub fn log_head(&self) -> Result<Option<(u64, String)>, StoreError> {
        let log = self.open()?.begin()?.open_table(LOG)?;
        let Some((seq, text)) = log.last()? else { return Ok(None) };
        Ok(Some((seq.value(), entry_digest(unversioned("a log entry", text.value())?))))
    }

    /// Incidents, newest first; to page, give the opening instant and id of the last one seen.
    pub fn incidents(
        &self,
        filter: &IncidentFilter,
        before: Option<(i64, &str)>,
        limit: usize,
    ) -> Result<Vec<Incident>, StoreError> {
        let txn = self.open()?.begin()?;
        let incidents = txn.open_table(INCIDENTS)?;
        if filter.open_only {
            let open = records::open_incidents(&incidents, &txn.open_table(INCIDENTS_OPEN)?)?;
            let wanted = |i: &Incident| {
                filter.pile.as_ref().is_none_or(|pile| i.pile.as_ref() == Some(pile))
                    && before.is_none_or(|before| (i.opened_ms, i.id.as_str()) < before)
            };
            return Ok(open.into_iter().rev().filter(wanted).take(limit).collect());
        }
        records::newest(
            &incidents,
            &txn.open_table(INCIDENTS_AT)?,
            "an incident",
            before,
            limit,
            |i: Incident| filter.pile.as_ref().is_none_or(|pile| i.pile.as_ref() == Some(pile)).then_some(i),
        )
    }

    pub fn incident(&self, id: &str) -> Result<Option<Incident>, StoreError> {
        records::get(&self.open()?.begin()?.open_table(INCIDENTS)?, "an incident", id)
    }

    /// Outbox messages, newest first; to page, give the creation instant and id of the last one seen. Without the
    /// pictures of their mails, a hundred kilobytes each: nobody lists those, and the list of a year would be 40 MB.
    pub fn messages(
        &self,
        before: Option<(i64, &str)>,
        limit: usize,
    ) -> Result<Vec<OutboxMessage>, StoreError> {
        let txn = self.open()?.begin()?;
        records::newest(
            &txn.open_table(OUTBOX)?,
            &txn.open_table(OUTBOX_AT)?,
            "a message",
            before,
            limit,
            |message: OutboxMessage| Some(OutboxMessage { images: Vec::new(), ..message }),
        )
    }

    pub fn message(&self, id: &str) -> Result<Option<OutboxMessage>, StoreError> {
        records::get(&self.open()?.begin()?.open_table(OUTBOX)?, "a message", id)
    }

    /// Waiting messages that are due, the longest due first.
    pub fn messages_due(&self, now: At, limit: usize) -> Result<Vec<OutboxMessage>, StoreError> {
        let txn = self.open()?.begin()?;
        records::due(&txn.open_table(OUTBOX)?, &txn.open_table(OUTBOX_DUE)?, now.0, limit)
    }

    /// How many messages wait, without reading them.
    pub fn messages_waiting(&self) -> Result<u64, StoreError> {
        Ok(self.open()?.begin()?.open_table(OUTBOX_DUE)?.len()?)
    }

    pub fn document(&self, name: &str) -> Result<Option<Vec<u8>>, StoreError> {
        records::document(&self.open()?.begin()?.open_table(DOCUMENTS)?, name)
    }
}
