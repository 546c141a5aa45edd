//! What goes into the store and comes out of it.

use std::sync::Arc;

use chrono::NaiveDate;
use heapward_rules::units::At;

use crate::model::reading::SeriesKey;

/// Number of a series in the store; given at first use, never used again for another.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct SeriesId(pub u32);

/// A reading on its way in: value as reported, in the series' unit; `at` to the millisecond.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct NewReading {
    pub series: SeriesId,
    pub at: At,
    pub value: f64,
}

/// What became of a reading.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Fate {
    /// The first value of its series for its instant.
    New,
    /// The store holds the same value for the same instant already. Nothing was written.
    Repeated,
    /// Another value was there for the instant; this one is kept beside it.
    Conflict,
    /// Not kept: not a finite number, an instant outside the calendar (years 1970 to 9999), or an instant that holds
    /// [`crate::limits::VALUES_PER_INSTANT_MAX`] different values already.
    Refused,
}

/// A reading as it lies in the store.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct StoredReading {
    pub at: At,
    pub value: f64,
    /// Its instant has several different values; each is a row of its own.
    pub conflict: bool,
}

/// A stretch of readings in order of time, of one instant in order of arrival.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Readings {
    pub readings: Vec<StoredReading>,
    /// Where to go on when the limit was reached. An instant is never split.
    pub next: Option<At>,
}

/// Count, extremes and sum of readings without conflict.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Summary {
    pub count: u64,
    /// Infinity if there is no reading.
    pub min: f64,
    /// Minus infinity if there is no reading.
    pub max: f64,
    pub sum: f64,
}

/// The readings of [from, to).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Bucket {
    pub from: At,
    pub to: At,
    pub summary: Summary,
}

/// One local day of a series: 23, 24 or 25 hours.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DaySummary {
    pub date: NaiveDate,
    pub from: At,
    pub to: At,
    pub summary: Summary,
}

/// A series and its newest reading.
#[derive(Clone, Debug, PartialEq)]
pub struct Latest {
    pub series: SeriesId,
    pub key: Arc<SeriesKey>,
    pub reading: StoredReading,
}

/// What opening found.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct OpenReport {
    /// There was no store; an empty one was made.
    pub created: bool,
    /// Readings brought back from the side log.
    pub replayed: u64,
    /// How long the integrity check took.
    pub check_ms: u64,
    /// Room that nothing lay in was given back.
    pub compacted: bool,
    /// Whether the database ends where the record ends.
    pub record: super::record::RecordState,
    /// What came back from the record into a database that was older.
    pub recovered: super::record::Recovered,
    /// What was damaged, and the names under which the damaged files were set aside.
    pub damage: Option<String>,
    pub set_aside: Vec<String>,
    /// Readings that came back from a damaged side log.
    pub salvaged: u64,
}

/// What one call of seal did.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct SealReport {
    /// There is more to do: call again, commits may come between.
    pub more: bool,
    /// Readings that went into blocks.
    pub readings: u64,
    /// Blocks written.
    pub blocks: u64,
}

// === impl Fate ===

impl Fate {
    /// Whether the reading was written.
    pub fn is_kept(self) -> bool {
        matches!(self, Fate::New | Fate::Conflict)
    }
}

// === impl OpenReport ===

impl OpenReport {
    /// What the record has to say about itself after this opening, in words; nothing after an ordinary one.
    pub fn sentences(&self) -> Vec<String> {
        let mut sentences = Vec::new();
        if let Some(damage) = &self.damage {
            sentences.push(format!(
                "The store was damaged ({damage}). It was set aside as {} and a new one was begun; {} readings came \
                 back from the side log.",
                self.set_aside.join(" and "),
                self.salvaged
            ));
        }
        sentences.extend(self.record.sentence());
        if self.recovered.sections > 0 {
            sentences.push(format!(
                "From the record came back {} sealed days with {} log entries and {} piles; the readings of those days \
                 did not.",
                self.recovered.sections, self.recovered.entries, self.recovered.piles
            ));
        }
        sentences
    }
}

// === impl Summary ===

impl Summary {
    pub const EMPTY: Summary = Summary { count: 0, min: f64::INFINITY, max: f64::NEG_INFINITY, sum: 0.0 };

    pub fn add(&mut self, value: f64) {
        self.count += 1;
        self.min = self.min.min(value);
        self.max = self.max.max(value);
        self.sum += value;
    }

    pub fn merge(&mut self, other: &Summary) {
        self.count += other.count;
        self.min = self.min.min(other.min);
        self.max = self.max.max(other.max);
        self.sum += other.sum;
    }

    #[expect(clippy::cast_precision_loss, reason = "a count of readings is far below 2^52")]
    pub fn mean(&self) -> Option<f64> {
        (self.count > 0).then(|| self.sum / self.count as f64)
    }
}
