//! What pages and API ask of the store. Never writes.

use heapward_rules::units::At;

use crate::model::entry::Entry;
use crate::model::incident::Incident;
use crate::model::message::OutboxMessage;
use crate::model::reading::SeriesKey;

/// A question that the store could not answer, in words.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{0}")]
pub struct RecordsError(pub String);

/// Count, minimum, mean and maximum of the readings in `[from, from + width)`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Bucket {
    pub from: At,
    pub minimum: f64,
    pub mean: f64,
    pub maximum: f64,
    pub count: u64,
}

/// The newest reading of a series.
#[derive(Clone, Debug, PartialEq)]
pub struct Latest {
    pub series: SeriesKey,
    pub at: At,
    pub value: f64,
}

pub trait Records: Send + Sync {
    fn latest(&self) -> Result<Vec<Latest>, RecordsError>;

    /// Readings in `[from, to)` in order of time, `limit` at most; of a conflict both values.
    fn range(
        &self,
        series: &SeriesKey,
        from: At,
        to: At,
        limit: usize,
    ) -> Result<Vec<(At, f64)>, RecordsError>;

    /// `[from, to)` cut into `n` equal pieces; the empty ones are left out.
    fn buckets(&self, series: &SeriesKey, from: At, to: At, n: usize) -> Result<Vec<Bucket>, RecordsError>;

    /// Entries of a pile (of everything: `None`) with a number above `after`, in their order.
    fn entries(&self, pile: Option<&str>, after: u64, limit: usize) -> Result<Vec<Entry>, RecordsError>;

    /// Incidents of a pile (of everything: `None`), newest first, whose id comes behind `after` in that order.
    fn incidents(
        &self,
        pile: Option<&str>,
        after: Option<&str>,
        limit: usize,
    ) -> Result<Vec<Incident>, RecordsError>;

    /// Messages of the outbox, newest first, behind `after`.
    fn messages(&self, after: Option<&str>, limit: usize) -> Result<Vec<OutboxMessage>, RecordsError>;
}
