//! The store: every reading as reported, the log, piles, incidents, outbox and small states, on one thread that writes
//! and any number that read.

mod error;
mod hot;
mod reader;
mod records;
mod schema;
mod tx;
mod types;
mod view;

#[cfg(test)]
mod tests;

use std::fs::{self, File, TryLockError};
use std::path::PathBuf;
use std::sync::{Arc, PoisonError, RwLock};
use std::time::Instant;

use heapward_rules::units::At;
use redb::{Builder, Database, ReadableTable, WriteTransaction};

pub use error::StoreError;
use hot::Hot;
use reader::Shared;
pub use reader::{Reader, Sizes};
pub use records::IncidentFilter;
use schema::{
    DOCUMENTS, FORMAT, INCIDENTS, INCIDENTS_AT, INCIDENTS_OPEN, LOG, LOG_OF_PILE, META, OUTBOX, OUTBOX_AT,
    OUTBOX_DUE, PILES, READINGS, SERIES,
};
pub use tx::Tx;
pub use types::{
    Bucket, DaySummary, Fate, Latest, NewReading, OpenReport, Readings, SealReport, SeriesId, StoredReading,
    Summary,
};

use crate::limits::{INSTANT_MAX_MS, STORE_CACHE_BYTES, VALUES_PER_INSTANT_MAX};
use crate::model::reading::SeriesKey;

pub(crate) const DATABASE_FILE: &str = "store.redb";
const LOCK_FILE: &str = "lock";

/// How to open a store.
#[derive(Clone, Debug)]
pub struct StoreOptions {
    /// The folder for everything that the store writes; made if it is missing.
    pub dir: PathBuf,
    /// Memory for pages of the database.
    pub cache_bytes: usize,
    /// Zone of the site: the day table is by its local days.
    pub zone: chrono_tz::Tz,
}

/// The only writer. Owned by one thread.
///
/// After an error with [`StoreError::must_reopen`] drop it and open another with [`Store::open_for`], with growing
/// pauses; what was not acknowledged by then is appended again, and what was stored after all is `Repeated`.
#[derive(Debug)]
pub struct Store {
    shared: Arc<Shared>,
    reader: Reader,
    /// Series that have no row in the database yet.
    unnamed: Vec<SeriesId>,
    _lock: File,
}

// === impl StoreOptions ===

impl StoreOptions {
    pub fn new(dir: impl Into<PathBuf>, zone: chrono_tz::Tz) -> StoreOptions {
        StoreOptions { dir: dir.into(), cache_bytes: STORE_CACHE_BYTES, zone }
    }
}

// === impl Store ===

impl Store {
    /// Opens the store of a folder, or makes an empty one; checks it whole.
    pub fn open(options: &StoreOptions) -> Result<(Store, OpenReport), StoreError> {
        Store::open_for(options, &Reader::new())
    }

    /// The same for reading handles that exist already: they read this store from now on.
    pub fn open_for(options: &StoreOptions, reader: &Reader) -> Result<(Store, OpenReport), StoreError> {
        fs::create_dir_all(&options.dir)?;
        let lock = lock(options)?;
        let path = options.dir.join(DATABASE_FILE);
        let begun = Instant::now();
        let mut report = OpenReport { created: !path.exists(), ..OpenReport::default() };
        let db = Builder::new()
            .set_cache_size(options.cache_bytes)
            .set_check_integrity_on_open(true)
            .create(&path)?;
        report.check_ms = u64::try_from(begun.elapsed().as_millis()).unwrap_or(u64::MAX);
        prepare(&db, &path)?;
        let hot = load(&db)?;
        let shared =
            Arc::new(Shared { db, hot: RwLock::new(hot), zone: options.zone, dir: options.dir.clone() });
        reader.attach(Some(Arc::clone(&shared)));
        Ok((Store { shared, reader: reader.clone(), unnamed: Vec::new(), _lock: lock }, report))
    }

    pub fn reader(&self) -> Reader {
        self.reader.clone()
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

    /// Keeps readings; they are durable when this returns. One fate for each, in order.
    pub fn append(&mut self, readings: &[NewReading]) -> Result<Vec<Fate>, StoreError> {
        let txn = self.shared.db.begin_write()?;
        let mut fates = Vec::with_capacity(readings.len());
        {
            let mut names = txn.open_table(SERIES)?;
            let mut table = txn.open_table(READINGS)?;
            let hot = self.shared.hot.read().unwrap_or_else(PoisonError::into_inner);
            for id in &self.unnamed {
                if let Some(series) = hot.series.get(id.0 as usize) {
                    names.insert(schema::series_text(&series.key).as_str(), id.0)?;
                }
            }
            for reading in readings {
                if hot.series.get(reading.series.0 as usize).is_none() {
                    return Err(StoreError::UnknownSeries(reading.series.0));
                }
                fates.push(keep(&mut table, reading)?);
            }
        }
        if fates.iter().any(|fate| matches!(fate, Fate::New | Fate::Conflict)) {
            txn.commit()?;
            self.unnamed.clear();
            self.remember(readings, &fates);
        } else {
            txn.abort()?;
        }
        Ok(fates)
    }

    fn remember(&self, readings: &[NewReading], fates: &[Fate]) {
        let mut hot = self.shared.hot.write().unwrap_or_else(PoisonError::into_inner);
        for (reading, fate) in readings.iter().zip(fates) {
            let Some(series) = hot.get_mut(reading.series) else { continue };
            let value = reading.value + 0.0;
            let newest = series.latest.map_or(At::MIN, |latest| latest.at);
            match (fate, &mut series.latest) {
                (Fate::New, latest) if reading.at > newest => {
                    *latest = Some(StoredReading { at: reading.at, value, conflict: false });
                }
                (Fate::Conflict, Some(latest)) if reading.at == newest => {
                    *latest = StoredReading { at: reading.at, value, conflict: true };
                }
                _ => {}
            }
        }
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

    /// Seals a slice of what is not sealed yet. Call every 6 h and at local midnight, again while `more`.
    pub fn seal(&mut self, _now: At) -> Result<SealReport, StoreError> {
        Ok(SealReport::default())
    }
}

impl Drop for Store {
    fn drop(&mut self) {
        self.reader.attach(None);
    }
}

fn lock(options: &StoreOptions) -> Result<File, StoreError> {
    let file = File::options().create(true).truncate(false).write(true).open(options.dir.join(LOCK_FILE))?;
    match file.try_lock() {
        Ok(()) => Ok(file),
        Err(TryLockError::WouldBlock) => Err(StoreError::Locked(options.dir.clone())),
        Err(TryLockError::Error(error)) => Err(error.into()),
    }
}

/// Makes the tables of a new store; refuses one of a newer version.
fn prepare(db: &Database, path: &std::path::Path) -> Result<(), StoreError> {
    let txn = db.begin_write()?;
    let found = {
        let mut meta = txn.open_table(META)?;
        let found = meta
            .get("format")?
            .and_then(|value| value.value().first_chunk::<4>().copied())
            .map(u32::from_le_bytes);
        if found.is_none() {
            meta.insert("format", FORMAT.to_le_bytes().as_slice())?;
        }
        found
    };
    match found {
        None => {
            make_tables(&txn)?;
            txn.commit()?;
            Ok(())
        }
        Some(FORMAT) => Ok(txn.abort()?),
        Some(found) => {
            txn.abort()?;
            Err(StoreError::Newer { path: path.to_owned(), found, known: FORMAT })
        }
    }
}

fn make_tables(txn: &WriteTransaction) -> Result<(), StoreError> {
    txn.open_table(SERIES)?;
    txn.open_table(READINGS)?;
    txn.open_table(LOG)?;
    txn.open_table(LOG_OF_PILE)?;
    txn.open_table(PILES)?;
    txn.open_table(INCIDENTS)?;
    txn.open_table(INCIDENTS_OPEN)?;
    txn.open_table(INCIDENTS_AT)?;
    txn.open_table(OUTBOX)?;
    txn.open_table(OUTBOX_DUE)?;
    txn.open_table(OUTBOX_AT)?;
    txn.open_table(DOCUMENTS)?;
    Ok(())
}

fn load(db: &Database) -> Result<Hot, StoreError> {
    use redb::ReadableDatabase;
    let txn = db.begin_read()?;
    let mut names = Vec::new();
    for row in txn.open_table(SERIES)?.iter()? {
        let (text, id) = row?;
        names.push((id.value(), schema::parse_series_text(text.value())?));
    }
    names.sort_by_key(|(id, _)| *id);
    let readings = txn.open_table(READINGS)?;
    let mut hot = Hot::default();
    for (number, key) in names {
        let id = hot.add(key);
        if id.0 != number {
            return Err(StoreError::encoding("the list of series", format!("number {} is missing", id.0)));
        }
        let last = readings.range((number, i64::MIN)..=(number, i64::MAX))?.next_back().transpose()?;
        if let (Some((key, values)), Some(series)) = (last, hot.get_mut(id)) {
            series.latest = view::stored(At(key.value().1), values.value()).last();
        }
    }
    Ok(hot)
}

fn keep(
    table: &mut redb::Table<(u32, i64), schema::Bytes>,
    reading: &NewReading,
) -> Result<Fate, StoreError> {
    if !reading.value.is_finite() || reading.at.0 < 0 || reading.at.0 > INSTANT_MAX_MS {
        return Ok(Fate::Refused);
    }
    // Adding zero turns -0.0 into 0.0, which is the same value.
    let bytes = (reading.value + 0.0).to_le_bytes();
    let key = (reading.series.0, reading.at.0);
    let mut values = table.get(key)?.map(|values| values.value().to_vec()).unwrap_or_default();
    let (old, _) = values.as_chunks::<8>();
    let fate = match old.len() {
        0 => Fate::New,
        _ if old.contains(&bytes) => return Ok(Fate::Repeated),
        VALUES_PER_INSTANT_MAX.. => return Ok(Fate::Refused),
        _ => Fate::Conflict,
    };
    values.extend_from_slice(&bytes);
    table.insert(key, values.as_slice())?;
    Ok(fate)
}
