//! The store: every reading as reported, the log, piles, incidents, outbox and small states, on one thread that writes
//! and any number that read.
//!
//! # Files
//!
//! | file | what it is |
//! | --- | --- |
//! | `FORMAT` | `heapward store 3`: version of everything below; a newer one is refused before a byte is touched |
//! | `store.redb` | the database; copy on write, a checksum on each page, checked whole at each opening |
//! | `side.log` | plain readings that are not sealed yet, one page and one sync a commit (`sidelog.rs`, `frame.rs`) |
//! | `record/2026-05.txt` | sealed days as text, chained by SHA-256 (`record/`) |
//! | `HEAD` | number and digest of the newest sealed day |
//! | `BACKUP` | when the last copy was made, in seconds since 1970; for the summary |
//! | `lock` | held by the one process that has the store open; after a failed write it says so (`lock.rs`) |
//! | `*.bad-*`, `*.v1`, `*.v2` | damaged files that were set aside, and the database before a migration; never touched again |
//!
//! # Tables of the database
//!
//! Keys are tuples of redb (integers ascending, texts by their bytes). JSON and foreign bytes begin with a version byte,
//! 1; what is packed has its own, described where it is written. An index has no value.
//!
//! | table | key | value |
//! | --- | --- | --- |
//! | `meta` | name (`schema::meta`) | `format` u32, `epoch`, `generation`, `log_bytes` u64, little-endian; `zone` text; `carry` a frame |
//! | `series` | `QUANTITY UNIT PROBE` | number of the series, u32 |
//! | `blocks` | (series, first instant in ms) | readings in order of time, at most 4,076 bytes (`block/`) |
//! | `days` | (series, 128 local days) | count, smallest, largest, sum of each day (`days.rs`) |
//! | `late` | (series, instant, bits of the value) | index: came after its day was sealed, not yet in the record |
//! | `record` | number of the section | day, digest, place (`record/mod.rs`) |
//! | `log` | number of the entry, from 1 | version byte, JSON; the JSON is what the next entry's `prev` is the SHA-256 of |
//! | `log_of_pile` | (pile, number of the entry) | index |
//! | `piles` | id | version byte, JSON |
//! | `piles_changed` | id | index: not yet in the record as it is |
//! | `incidents` | id, which begins with the pile | version byte, JSON |
//! | `incidents_open` | id | index |
//! | `incidents_at` | (opened, ms; id) | index |
//! | `outbox` | id | version byte, JSON |
//! | `outbox_due` | (due, ms; id) | index: waiting messages |
//! | `outbox_at` | (created, ms; id) | index |
//! | `documents` | name | version byte, the caller's bytes |
//!
//! # How a reading goes
//!
//! `append` compares it with what its instant has (`lookup.rs`), writes a frame of the side log, syncs, and puts it into
//! memory (`hot.rs`); now it is acknowledged. `seal` puts it into a block and its day (`seal.rs`); when all are, the side
//! log begins anew. A day that is long over goes into the record. A question takes blocks and memory together (`view.rs`);
//! it never holds a read transaction for more than so many blocks (`limits::LOOK_BLOCKS_MAX`), and gives what it found
//! as a list of bounded length. Only a copy, the check of the record and `heapward store`'s dead space look at
//! everything at one instant.
//!
//! Invariants: a reading that was acknowledged is in the blocks, in the `carry` row, or in a frame of the epoch that
//! holds. Opening does again what a crash has cut off, and doing it twice changes nothing. Nothing sealed is written
//! again. An error of a file means: drop the store, open it again.

mod aside;
mod backup;
mod bits;
mod block;
mod days;
mod disk;
mod error;
mod first_format;
mod frame;
mod hot;
mod lock;
mod lookup;
mod open;
mod reader;
mod record;
mod records;
mod schema;
mod seal;
mod second_format;
mod sidelog;
mod tx;
mod types;
mod upgrade;
mod upkeep;
mod view;

#[cfg(test)]
mod tests;
#[cfg(test)]
pub(crate) mod watched;

use std::path::PathBuf;
use std::sync::{Arc, PoisonError};

use heapward_rules::units::At;

pub use backup::{backup_folder, last_copy, note_copy, open_copy, restore};
pub use disk::{Disk, Folder};
pub use error::StoreError;
use frame::Frame;
use lock::Lock;
use lookup::{Lookup, Sorter};
pub use reader::Reader;
use reader::Shared;
pub use record::{
    Check, DayReadings, Digest, Doubt, Head, RecordState, Recovered, SealedDay, Section, SeriesReadings,
    probe_file,
};
pub use records::IncidentFilter;
use sidelog::SideLog;
pub use tx::Tx;
pub use types::{
    Bucket, DaySummary, Fate, Latest, NewReading, OpenReport, Readings, SealReport, SeriesId, StoredReading,
    Summary,
};
pub use upgrade::{Migration, upgrade};
pub use upkeep::{Sizes, TableSize};

use crate::limits::{FRAME_READINGS_MAX, LOOK_BLOCKS_MAX, SIDE_LOG_BYTES, STORE_CACHE_BYTES};
use crate::model::reading::{DatedReading, SeriesKey};

pub(crate) const DATABASE_FILE: &str = "store.redb";
const SIDE_LOG_FILE: &str = "side.log";

/// How to open a store.
#[derive(Clone, Debug)]
pub struct StoreOptions {
    /// The folder for everything that the store writes; made if it is missing.
    pub dir: PathBuf,
    /// Memory for pages of the database.
    pub cache_bytes: usize,
    /// Zone of the site: the day table is by its local days.
    pub zone: chrono_tz::Tz,
    /// Size of a new side log.
    pub side_log_bytes: u64,
    /// Blocks that one look at the readings takes before it lets its transaction go.
    pub look_blocks_max: usize,
    /// What the files lie on.
    pub disk: Arc<dyn Disk>,
}

/// The only writer. Owned by one thread.
///
/// After an error with [`StoreError::must_reopen`] drop it and open another with [`Store::open_for`], with growing
/// pauses; what was not acknowledged by then is appended again, and what was stored after all is `Repeated`.
#[derive(Debug)]
pub struct Store {
    shared: Arc<Shared>,
    reader: Reader,
    log: SideLog,
    lookup: Lookup,
    /// A seal that is not through yet.
    pass: Option<seal::Pass>,
    /// A day on its way into the record.
    writing: Option<record::Writing>,
    /// First instant that no sealed day holds.
    sealed_until: i64,
    /// What the present seal does: readings first, then days.
    stage: Option<Stage>,
    /// Series that neither the database nor a frame names yet.
    unnamed: Vec<SeriesId>,
    /// No write has failed so far.
    is_sound: bool,
    lock: Arc<Lock>,
}

/// Where a seal is between two slices.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Stage {
    Readings,
    Days,
}

// === impl StoreOptions ===

impl StoreOptions {
    pub fn new(dir: impl Into<PathBuf>, zone: chrono_tz::Tz) -> StoreOptions {
        let dir = dir.into();
        let disk = Arc::new(Folder::new(&dir));
        StoreOptions {
            dir,
            cache_bytes: STORE_CACHE_BYTES,
            zone,
            side_log_bytes: SIDE_LOG_BYTES,
            look_blocks_max: LOOK_BLOCKS_MAX,
            disk,
        }
    }
}

// === impl Store ===

impl Store {
    pub fn reader(&self) -> Reader {
        self.reader.clone()
    }

    /// Whether a read of the database has failed, also one that a reader made. After the first the database answers
    /// nobody, so the store has to be dropped and opened again.
    pub fn has_failed_read(&self) -> bool {
        self.lock.has_failed_read()
    }

    /// The number of a series. A new one becomes durable with its first reading.
    pub fn series(&mut self, key: &SeriesKey) -> Result<SeriesId, StoreError> {
        let mut hot = self.shared.hot.write().unwrap_or_else(PoisonError::into_inner);
        if let Some(id) = hot.id(key) {
            return Ok(id);
        }
        let id = hot.add(key.clone());
        self.unnamed.push(id);
        Ok(id)
    }

    /// Readings with the numbers of their series.
    pub fn numbered(&mut self, readings: &[DatedReading]) -> Vec<NewReading> {
        let mut hot = self.shared.hot.write().unwrap_or_else(PoisonError::into_inner);
        let mut number = |reading: &DatedReading| {
            let DatedReading { probe, quantity, unit, at, value, .. } = reading;
            let series = hot.id_of(probe, *quantity, *unit).unwrap_or_else(|| {
                let id = hot.add(SeriesKey { probe: probe.clone(), quantity: *quantity, unit: *unit });
                self.unnamed.push(id);
                id
            });
            NewReading { series, at: *at, value: *value }
        };
        readings.iter().map(&mut number).collect()
    }

    /// Keeps readings; they are durable when this returns. One fate for each, in order.
    ///
    /// Seals a slice on its own when the side log is three quarters full.
    pub fn append(&mut self, readings: &[NewReading]) -> Result<Vec<Fate>, StoreError> {
        let mut fates = Vec::with_capacity(readings.len());
        for part in readings.chunks(FRAME_READINGS_MAX) {
            self.append_frame(part, &mut fates)?;
        }
        if self.pass.is_some() || self.log.is_due() {
            self.seal_slice()?;
        }
        Ok(fates)
    }

    fn append_frame(&mut self, readings: &[NewReading], fates: &mut Vec<Fate>) -> Result<(), StoreError> {
        let start = fates.len();
        let kept = {
            let hot = self.shared.hot.read().unwrap_or_else(PoisonError::into_inner);
            let mut sorter = Sorter::new(&self.shared.db, &hot, &mut self.lookup);
            for reading in readings {
                fates.push(sorter.sort(reading)?);
            }
            sorter.into_kept()
        };
        if kept.is_empty() {
            return Ok(());
        }
        let mut frame = Frame { names: self.names(), readings: kept };
        let mut payload = frame.encode();
        if !self.log.has_room(payload.len()) {
            self.seal_all()?;
            frame.names = self.names();
            payload = frame.encode();
        }
        self.is_sound = false;
        self.log.append(&payload)?;
        self.is_sound = true;
        self.unnamed.clear();
        let mut hot = self.shared.hot.write().unwrap_or_else(PoisonError::into_inner);
        let kept_fates = fates[start..].iter().filter(|fate| fate.is_kept());
        for (reading, fate) in frame.readings.iter().zip(kept_fates) {
            hot.take(reading, *fate)?;
        }
        Ok(())
    }

    /// The series that the next frame has to name: the new ones; all at the start of an epoch.
    fn names(&self) -> Vec<(SeriesId, String)> {
        let hot = self.shared.hot.read().unwrap_or_else(PoisonError::into_inner);
        let is_wanted = |id: &SeriesId| self.log.is_at_start() || self.unnamed.contains(id);
        let named = hot.iter().filter(|(id, _)| is_wanted(id));
        named.map(|(id, series)| (id, schema::series_text(&series.key))).collect()
    }

    /// One durable transaction. Nothing of it is kept if the closure gives an error.
    pub fn transact<T>(
        &mut self,
        work: impl FnOnce(&mut Tx) -> Result<T, StoreError>,
    ) -> Result<T, StoreError> {
        let mut tx = Tx { txn: self.shared.db.begin_write()? };
        match work(&mut tx) {
            Ok(value) => {
                tx.txn.commit()?;
                Ok(value)
            }
            Err(error) => {
                tx.txn.abort()?;
                Err(error)
            }
        }
    }

    /// Does a slice of sealing: readings into blocks, then days that are long over into the record. Call every 6 h and
    /// at local midnight, and again while `more`; commits may come between.
    pub fn seal(&mut self, now: At) -> Result<SealReport, StoreError> {
        let mut report = SealReport::default();
        if self.stage != Some(Stage::Days) {
            report = self.seal_slice()?;
            self.stage = Some(if report.more { Stage::Readings } else { Stage::Days });
            report.more = true;
            return Ok(report);
        }
        report.more = self.seal_days(now)?;
        if !report.more {
            self.stage = None;
        }
        Ok(report)
    }
}

impl Drop for Store {
    fn drop(&mut self) {
        self.reader.attach(None);
        // An empty frame at the end: should the last one with readings be damaged some day, this one betrays it. If it
        // can't be written, nothing is lost.
        if self.is_sound && !self.log.is_at_start() {
            let _ = self.log.append(&Frame::default().encode());
        }
    }
}
