//! Copies of a running store, and bringing one back.
//!
//! A copy is a folder like the store's own, without a side log: what was not sealed when it was made is in its `carry`
//! row. It is opened and checked before the copy counts as made.

use std::fs;
use std::os::unix::fs::PermissionsExt as _;
use std::path::{Path, PathBuf};
use std::sync::PoisonError;

use heapward_rules::units::At;
use redb::{Builder, Database, Durability, Key, ReadTransaction, ReadableTable, TableDefinition, Value};

use super::disk::{Disk, Folder};
use super::error::StoreError;
use super::frame::Frame;
use super::open::{FORMAT_FILE, format_text};
use super::reader::{Reader, Shared};
use super::record::{self, HEAD_FILE};
use super::schema::{
    self, BLOCKS, DAYS, DOCUMENTS, INCIDENTS, INCIDENTS_AT, INCIDENTS_OPEN, LATE, LOG, LOG_OF_PILE, META,
    OUTBOX, OUTBOX_AT, OUTBOX_DUE, PILES, PILES_CHANGED, RECORD, SERIES, meta,
};
use super::types::NewReading;
use super::{DATABASE_FILE, SIDE_LOG_FILE, Store, StoreOptions};
use crate::limits::{BACKUP_ROWS_PER_COMMIT, BACKUP_TRIES, STORE_CACHE_BYTES};

// === impl Reader ===

impl Reader {
    /// Copies the store into a new folder while it is in use, at one instant of it. Writers go on meanwhile.
    pub fn backup(&self, to: &Path) -> Result<(), StoreError> {
        if to.join(DATABASE_FILE).exists() {
            return Err(StoreError::GivenUp(format!(
                "{} has a store already; name another folder",
                to.display()
            )));
        }
        let shared = self.open()?;
        fs::create_dir_all(to)?;
        let (txn, carry) = snapshot(&shared)?;
        let new = to.join(format!("{DATABASE_FILE}.new"));
        // What a copy that was cut short has left.
        if new.exists() {
            fs::remove_file(&new)?;
        }
        let db = Builder::new().set_cache_size(STORE_CACHE_BYTES).create(&new)?;
        copy_tables(&txn, &db)?;
        let end = db.begin_write()?;
        {
            let mut table = end.open_table(META)?;
            table.insert(meta::CARRY, carry.encode().as_slice())?;
            table.remove(meta::LOG_BYTES)?;
        }
        end.commit()?;
        drop(db);
        copy_record(&shared, &txn, to)?;
        drop(Builder::new().set_check_integrity_on_open(true).set_cache_size(STORE_CACHE_BYTES).open(&new)?);
        let folder = Folder::new(to);
        folder.replace(FORMAT_FILE, format_text().as_bytes())?;
        Ok(folder.rename(&format!("{DATABASE_FILE}.new"), DATABASE_FILE)?)
    }
}

/// A read transaction and the unsealed readings that belong to it.
fn snapshot(shared: &Shared) -> Result<(ReadTransaction, Frame), StoreError> {
    loop {
        let (names, readings, generation) = {
            let hot = shared.hot.read().unwrap_or_else(PoisonError::into_inner);
            let names: Vec<_> = hot.iter().map(|(id, s)| (id, schema::series_text(&s.key))).collect();
            let tails = hot.iter().flat_map(|(id, series)| series.tail.iter().map(move |row| (id, row)));
            let readings: Vec<NewReading> =
                tails.map(|(series, row)| NewReading { series, at: At(row.at), value: row.value }).collect();
            (names, readings, hot.generation)
        };
        let txn = shared.begin()?;
        if schema::number(&txn.open_table(META)?, meta::GENERATION)?.unwrap_or(0) == generation {
            return Ok((txn, Frame { names, readings }));
        }
        std::thread::yield_now();
    }
}

fn copy_tables(from: &ReadTransaction, to: &Database) -> Result<(), StoreError> {
    copy(from, to, META)?;
    copy(from, to, SERIES)?;
    copy(from, to, BLOCKS)?;
    copy(from, to, DAYS)?;
    copy(from, to, LATE)?;
    copy(from, to, RECORD)?;
    copy(from, to, LOG)?;
    copy(from, to, LOG_OF_PILE)?;
    copy(from, to, PILES)?;
    copy(from, to, PILES_CHANGED)?;
    copy(from, to, INCIDENTS)?;
    copy(from, to, INCIDENTS_OPEN)?;
    copy(from, to, INCIDENTS_AT)?;
    copy(from, to, OUTBOX)?;
    copy(from, to, OUTBOX_DUE)?;
    copy(from, to, OUTBOX_AT)?;
    copy(from, to, DOCUMENTS)
}

/// Copies a table in several transactions, so that memory holds only a part of it.
fn copy<K: Key + 'static, V: Value + 'static>(
    from: &ReadTransaction,
    to: &Database,
    table: TableDefinition<K, V>,
) -> Result<(), StoreError> {
    let source = from.open_table(table)?;
    let mut rows = source.iter()?;
    loop {
        let mut txn = to.begin_write()?;
        // Nothing of the copy counts before its last commit.
        let _ = txn.set_durability(Durability::None);
        let mut copied = 0;
        {
            let mut target = txn.open_table(table)?;
            for row in rows.by_ref().take(BACKUP_ROWS_PER_COMMIT) {
                let (key, value) = row?;
                target.insert(key.value(), value.value())?;
                copied += 1;
            }
        }
        txn.commit()?;
        if copied < BACKUP_ROWS_PER_COMMIT {
            return Ok(());
        }
    }
}

/// The record as far as the copied database knows it.
fn copy_record(shared: &Shared, txn: &ReadTransaction, to: &Path) -> Result<(), StoreError> {
    let Some(last) = record::last(&txn.open_table(RECORD)?)? else { return Ok(()) };
    let folder = Folder::new(to);
    let newest = record::file_of(last.day);
    for name in shared.disk.list("record")? {
        let file = format!("record/{name}");
        if file > newest {
            continue;
        }
        let mut bytes = shared.disk.read(&file)?.unwrap_or_default();
        if file == newest && !last.text.is_empty() {
            let end = last.place + last.text.len() as u64;
            bytes.truncate(usize::try_from(end).unwrap_or(usize::MAX));
        }
        folder.replace(&file, &bytes)?;
    }
    Ok(folder.replace(HEAD_FILE, last.head().text().as_bytes())?)
}

/// Copies a store that another process may be writing, into a new folder. The files are copied as they lie there, and
/// what was caught in the middle of a write does not pass its check: then it is done again.
pub fn backup_folder(from: &Path, to: &Path, zone: chrono_tz::Tz) -> Result<(), StoreError> {
    if to.join(DATABASE_FILE).exists() {
        return Err(StoreError::GivenUp(format!(
            "{} has a store already; name another folder",
            to.display()
        )));
    }
    let part = Scratch(to.join("part"));
    open_copy(from, &part.0, zone)?.reader().backup(to)
}

/// The file that holds the instant of the last copy, made by hand or at night, in seconds since 1970. It lies with the
/// store and not with the copy: a stick that was pulled out takes nothing from what is known.
const BACKUP_FILE: &str = "BACKUP";

/// Notes in a store's folder that a whole copy of it was made, wherever and by whatever way.
pub fn note_copy(dir: &Path, now: At) -> std::io::Result<()> {
    Folder::new(dir).replace(BACKUP_FILE, format!("{}\n", now.0.div_euclid(1_000)).as_bytes())
}

/// When the last copy of a store was made, if that is known.
pub fn last_copy(dir: &Path) -> Option<At> {
    let text = Folder::new(dir).read(BACKUP_FILE).ok()??;
    let seconds: i64 = std::str::from_utf8(&text).ok()?.trim().parse().ok()?;
    Some(At(seconds.checked_mul(1_000)?))
}

/// Copies the files of a store that another process may be writing, and opens the copy: to look at it.
pub fn open_copy(from: &Path, to: &Path, zone: chrono_tz::Tz) -> Result<Store, StoreError> {
    let mut tries = 1;
    loop {
        copy_files(from, to)?;
        match Store::open(&StoreOptions::new(to, zone)) {
            Ok((store, _)) => return Ok(store),
            Err(error) if tries == BACKUP_TRIES || !error.is_damage() => return Err(error),
            Err(_) => tries += 1,
        }
    }
}

/// The files of a store in an order in which nothing can be missed: the database after the side log that empties into
/// it, and after the record that follows it.
fn copy_files(from: &Path, to: &Path) -> Result<(), StoreError> {
    let (source, target) = (Folder::new(from), Folder::new(to));
    if !source.exists(DATABASE_FILE)? {
        return Err(StoreError::GivenUp(format!("{} holds no store", from.display())));
    }
    if to.exists() {
        fs::remove_dir_all(to)?;
    }
    fs::create_dir_all(to)?;
    // Passes aside, everything of the farm is in there.
    fs::set_permissions(to, fs::Permissions::from_mode(0o700))?;
    if let Some(head) = source.read(HEAD_FILE)? {
        target.replace(HEAD_FILE, &head)?;
    }
    for name in source.list("record")? {
        let file = format!("record/{name}");
        target.replace(&file, &source.read(&file)?.unwrap_or_default())?;
    }
    for file in [SIDE_LOG_FILE, FORMAT_FILE, DATABASE_FILE] {
        if source.exists(file)? {
            fs::copy(from.join(file), to.join(file))?;
        }
    }
    Ok(())
}

/// A folder that goes away with it.
struct Scratch(PathBuf);

impl Drop for Scratch {
    fn drop(&mut self) {
        // What stays behind is taken for a copy that was cut short, and overwritten.
        let _ = fs::remove_dir_all(&self.0);
    }
}

/// Puts a copy in place where no store is, checks it whole, and gives the report of its first opening.
pub fn restore(from: &Path, options: &StoreOptions) -> Result<super::OpenReport, StoreError> {
    let source = Folder::new(from);
    if !source.exists(DATABASE_FILE)? {
        return Err(StoreError::GivenUp(format!("{} holds no store", from.display())));
    }
    if options.disk.exists(DATABASE_FILE)? {
        return Err(StoreError::GivenUp(format!(
            "{} holds a store already; move it away first, nothing is overwritten",
            options.dir.display()
        )));
    }
    fs::create_dir_all(&options.dir)?;
    for name in source.list("record")? {
        let file = format!("record/{name}");
        options.disk.replace(&file, &source.read(&file)?.unwrap_or_default())?;
    }
    for file in [HEAD_FILE, FORMAT_FILE] {
        if let Some(bytes) = source.read(file)? {
            options.disk.replace(file, &bytes)?;
        }
    }
    let new = format!("{DATABASE_FILE}.new");
    fs::copy(from.join(DATABASE_FILE), options.dir.join(&new))?;
    fs::File::open(options.dir.join(&new))?.sync_all()?;
    options.disk.rename(&new, DATABASE_FILE)?;
    Store::open(options).map(|(_, report)| report)
}
