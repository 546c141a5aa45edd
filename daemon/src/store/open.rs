//! Opening: lock, integrity check, version, what memory has to know, and the side log again.

use std::fs;
use std::io;
use std::sync::{Arc, RwLock};
use std::time::Instant;

use chrono_tz::Tz;
use heapward_rules::units::At;
use redb::{Builder, Database, ReadableDatabase, ReadableTable, WriteTransaction};

use super::block::Block;
use super::days::Day;
use super::disk::{Backend, Disk};
use super::error::StoreError;
use super::frame::Frame;
use super::hot::Hot;
use super::lock::{Lock, write_again};
use super::lookup::{Lookup, Sorter};
use super::reader::{Reader, Shared};
use super::record::{self, RecordState, Sealed};
use super::schema::{
    self, BLOCKS, DAYS, DOCUMENTS, FORMAT, INCIDENTS, INCIDENTS_AT, INCIDENTS_OPEN, LATE, LOG, LOG_OF_PILE,
    META, OUTBOX, OUTBOX_AT, OUTBOX_DUE, PILES, PILES_CHANGED, RECORD, SERIES, meta,
};
use super::seal::{scan, write_day};
use super::sidelog::SideLog;
use super::types::{NewReading, OpenReport, SeriesId, StoredReading};
use super::{DATABASE_FILE, SIDE_LOG_FILE, Store, StoreOptions, upgrade, upkeep};

pub(super) const FORMAT_FILE: &str = "FORMAT";
/// What stands before the version in `FORMAT`.
pub(super) const FORMAT_WORDS: &str = "heapward store";

/// Which files to expect.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Expect {
    /// Those that belong together, or none at all.
    Whole,
    /// No side log: the one before was set aside.
    NoLog,
    /// Neither database nor side log: those before were set aside.
    NoDatabase,
}

// === impl Store ===

impl Store {
    /// Opens the store of a folder, or makes an empty one; checks it whole.
    pub fn open(options: &StoreOptions) -> Result<(Store, OpenReport), StoreError> {
        Store::open_for(options, &Reader::new())
    }

    /// The same for reading handles that exist already: they read this store from now on.
    pub fn open_for(options: &StoreOptions, reader: &Reader) -> Result<(Store, OpenReport), StoreError> {
        Store::open_with(options, reader, Expect::Whole)
    }

    pub(super) fn open_with(
        options: &StoreOptions,
        reader: &Reader,
        expect: Expect,
    ) -> Result<(Store, OpenReport), StoreError> {
        fs::create_dir_all(&options.dir)?;
        let lock = Arc::new(Lock::take(&options.dir)?);
        let disk = &*options.disk;
        if lock.has_failure()? {
            if disk.size(DATABASE_FILE)?.is_some_and(|size| size > 0) {
                write_again(&*disk.open(DATABASE_FILE)?)?;
            }
            lock.forget_failure()?;
        }
        // The version stands outside the database, so that a newer one is refused before a byte of it is touched.
        let was_here = upgrade::bring_up(disk)?.is_some();
        let created = disk.size(DATABASE_FILE)?.is_none_or(|size| size == 0);
        if created && was_here && expect != Expect::NoDatabase {
            // An empty database in its place would be a store that has forgotten everything and does not say so.
            let reason = "it is missing or empty, although a store was here".to_owned();
            return Err(StoreError::Damaged { file: DATABASE_FILE, reason });
        }
        if created {
            upgrade::create(disk)?;
        }
        let mut report = OpenReport { created, ..OpenReport::default() };
        let begun = Instant::now();
        let watched = Some(Arc::clone(&lock));
        let mut db = open_database(disk, DATABASE_FILE, options.cache_bytes, watched)?;
        report.check_ms = u64::try_from(begun.elapsed().as_millis()).unwrap_or(u64::MAX);
        prepare(&db)?;
        report.compacted = upkeep::compact(&mut db, disk)?;
        follow_zone(&db, options.zone)?;
        let sealed = follow_record(disk, &db, &mut report)?;
        let (mut hot, carry) = load(&db)?;
        let log = open_log(options, expect, &db, &mut hot, carry, &mut report)?;
        let shared = Arc::new(Shared {
            db,
            hot: RwLock::new(hot),
            zone: options.zone,
            look_blocks_max: options.look_blocks_max,
            disk: Arc::clone(&options.disk),
            head: RwLock::new(sealed.as_ref().map(Sealed::head)),
            check_ms: report.check_ms,
        });
        reader.attach(Some(Arc::clone(&shared)));
        let store = Store {
            shared,
            reader: reader.clone(),
            log,
            lookup: Lookup::default(),
            pass: None,
            writing: None,
            sealed_until: sealed.map_or(i64::MIN, |sealed| sealed.end()),
            stage: None,
            unnamed: Vec::new(),
            is_sound: true,
            lock,
        };
        Ok((store, report))
    }
}

pub(super) fn format_text() -> String {
    format!("{FORMAT_WORDS} {FORMAT}\n")
}

/// Opens a database and checks it whole; makes an empty one in an empty file. A write that fails is noted in the lock.
pub(super) fn open_database(
    disk: &dyn Disk,
    name: &str,
    cache_bytes: usize,
    lock: Option<Arc<Lock>>,
) -> Result<Database, StoreError> {
    let file = disk.open(name)?;
    let opened = Builder::new()
        .set_cache_size(cache_bytes)
        .set_check_integrity_on_open(true)
        .create_with_backend(Backend { file, lock });
    opened.map_err(|error| match error.into() {
        redb::Error::Corrupted(reason) => StoreError::Damaged { file: DATABASE_FILE, reason },
        redb::Error::Io(error) if error.kind() == io::ErrorKind::InvalidData => {
            StoreError::Damaged { file: DATABASE_FILE, reason: error.to_string() }
        }
        error => StoreError::Database(Box::new(error)),
    })
}

/// Makes the tables of a new store; refuses one of another version.
pub(super) fn prepare(db: &Database) -> Result<(), StoreError> {
    let txn = db.begin_write()?;
    let found = {
        let mut meta = txn.open_table(META)?;
        let found = meta
            .get(meta::FORMAT)?
            .and_then(|value| value.value().first_chunk::<4>().copied())
            .map(u32::from_le_bytes);
        if found.is_none() {
            meta.insert(meta::FORMAT, FORMAT.to_le_bytes().as_slice())?;
        }
        found
    };
    match found {
        None => {
            make_tables(&txn)?;
            Ok(txn.commit()?)
        }
        Some(FORMAT) => Ok(txn.abort()?),
        Some(found) => {
            txn.abort()?;
            Err(StoreError::Newer { found, known: FORMAT })
        }
    }
}

pub(super) fn make_tables(txn: &WriteTransaction) -> Result<(), StoreError> {
    txn.open_table(SERIES)?;
    txn.open_table(BLOCKS)?;
    txn.open_table(DAYS)?;
    txn.open_table(LOG)?;
    txn.open_table(LOG_OF_PILE)?;
    txn.open_table(PILES)?;
    txn.open_table(PILES_CHANGED)?;
    txn.open_table(LATE)?;
    txn.open_table(RECORD)?;
    txn.open_table(INCIDENTS)?;
    txn.open_table(INCIDENTS_OPEN)?;
    txn.open_table(INCIDENTS_AT)?;
    txn.open_table(OUTBOX)?;
    txn.open_table(OUTBOX_DUE)?;
    txn.open_table(OUTBOX_AT)?;
    txn.open_table(DOCUMENTS)?;
    Ok(())
}

/// Compares with the record outside the database, and takes over from it what an older database has lost.
fn follow_record(
    disk: &dyn Disk,
    db: &Database,
    report: &mut OpenReport,
) -> Result<Option<Sealed>, StoreError> {
    let newest = || record::last(&db.begin_read()?.open_table(RECORD)?);
    let (state, ahead) = record::settle(disk, newest()?.as_ref())?;
    report.record = state;
    if let (RecordState::StoreIsOlder { .. }, Some(head)) = (state, ahead) {
        report.recovered = record::recover(disk, db, head)?;
    }
    newest()
}

/// Makes the day table anew if the site's zone has changed.
fn follow_zone(db: &Database, zone: Tz) -> Result<(), StoreError> {
    let txn = db.begin_write()?;
    let before = {
        let meta = txn.open_table(META)?;
        meta.get(meta::ZONE)?.map(|name| name.value().to_vec())
    };
    if before.as_deref() == Some(zone.name().as_bytes()) {
        return Ok(txn.abort()?);
    }
    if before.is_some() {
        txn.delete_table(DAYS)?;
        let mut days = txn.open_table(DAYS)?;
        let blocks = txn.open_table(BLOCKS)?;
        for row in txn.open_table(SERIES)?.iter()? {
            let series = row?.1.value();
            let mut next = i64::MIN;
            // From the first reading after a day to the day in which it lies.
            while let Some(at) = first_from(&blocks, series, next)? {
                let day = Day::of(At(at), zone);
                write_day(&blocks, &mut days, series, day)?;
                next = day.to.0;
            }
        }
    }
    txn.open_table(META)?.insert(meta::ZONE, zone.name().as_bytes())?;
    Ok(txn.commit()?)
}

fn first_from(
    blocks: &impl ReadableTable<(u32, i64), schema::Bytes>,
    series: u32,
    from: i64,
) -> Result<Option<i64>, StoreError> {
    let mut found = Vec::new();
    scan(blocks, series, from, i64::MAX, |block| {
        block.fill(from, i64::MAX, &mut found)?;
        Ok(found.is_empty())
    })?;
    Ok(found.first().map(|reading| reading.at.0))
}

/// Opens the side log of the epoch that holds, and takes in what it has.
fn open_log(
    options: &StoreOptions,
    expect: Expect,
    db: &Database,
    hot: &mut Hot,
    carry: Frame,
    report: &mut OpenReport,
) -> Result<SideLog, StoreError> {
    let (epoch, whole) = {
        let table = db.begin_read()?.open_table(META)?;
        let number = |key| schema::number(&table, key);
        (number(meta::EPOCH)?.unwrap_or(1), number(meta::LOG_BYTES)?.unwrap_or(0))
    };
    let whole = if expect == Expect::Whole { whole } else { 0 };
    let mut frames = vec![carry];
    let file = options.disk.open(SIDE_LOG_FILE)?;
    let log = SideLog::open(file, options.side_log_bytes, whole, epoch, |payload| {
        frames.push(Frame::decode(payload)?);
        Ok(())
    })?;
    report.replayed = replay(db, hot, frames)?;
    let (_, size) = log.sizes();
    if size != whole {
        let txn = db.begin_write()?;
        txn.open_table(META)?.insert(meta::LOG_BYTES, size.to_le_bytes().as_slice())?;
        txn.commit()?;
    }
    Ok(log)
}

/// What memory has to know of the database: the series, their ends, and the readings that the epoch began with.
fn load(db: &Database) -> Result<(Hot, Frame), StoreError> {
    let txn = db.begin_read()?;
    let mut names = Vec::new();
    for row in txn.open_table(SERIES)?.iter()? {
        let (text, id) = row?;
        names.push((SeriesId(id.value()), text.value().to_owned()));
    }
    names.sort();
    let blocks = txn.open_table(BLOCKS)?;
    let mut hot = Hot::default();
    add_names(&mut hot, &names)?;
    for (id, _) in names {
        let mut of_series = blocks.range((id.0, i64::MIN)..=(id.0, i64::MAX))?.rev();
        let Some((key, bytes)) = of_series.next().transpose()? else { continue };
        let block = Block::open(id.0, key.value().1, bytes.value())?;
        let series = hot.get_mut(id)?;
        series.sealed_to = Some(block.last);
        let mut newest: Vec<StoredReading> = Vec::new();
        block.fill(block.last, i64::MAX, &mut newest)?;
        series.latest = newest.last().copied();
        if let Some((key, bytes)) = of_series.next().transpose()? {
            series.guess = Block::open(id.0, key.value().1, bytes.value())?.count;
        }
    }
    let table = txn.open_table(META)?;
    hot.generation = schema::number(&table, meta::GENERATION)?.unwrap_or(0);
    let carry = table.get(meta::CARRY)?.map(|bytes| Frame::decode(bytes.value())).transpose()?;
    Ok((hot, carry.unwrap_or_default()))
}

fn add_names(hot: &mut Hot, names: &[(SeriesId, String)]) -> Result<(), StoreError> {
    for (id, text) in names.iter().filter(|(id, _)| id.0 as usize >= hot.len()).collect::<Vec<_>>() {
        if hot.add(schema::parse_series_text(text)?) != *id {
            return Err(StoreError::encoding(
                "the list of series",
                format!("a number before {} is missing", id.0),
            ));
        }
    }
    Ok(())
}

/// Takes in what was not sealed. Readings that a seal has taken into blocks already are repetitions.
fn replay(db: &Database, hot: &mut Hot, frames: Vec<Frame>) -> Result<u64, StoreError> {
    let mut readings: Vec<NewReading> = Vec::new();
    for frame in frames {
        add_names(hot, &frame.names)?;
        readings.extend(frame.readings);
    }
    // Series by series: each block is decoded once.
    readings.sort_by_key(|reading| reading.series);
    let mut lookup = Lookup::default();
    let mut sorter = Sorter::new(db, hot, &mut lookup);
    let mut kept = Vec::with_capacity(readings.len());
    for reading in readings {
        let fate = sorter.sort(&reading)?;
        if fate.is_kept() {
            kept.push((reading, fate));
        }
    }
    drop(sorter);
    for (reading, fate) in &kept {
        hot.take(reading, *fate)?;
    }
    Ok(kept.len() as u64)
}
