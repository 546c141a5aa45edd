//! From an older format to the present one, on a copy; and a new store, whole or not at all.
//!
//! The copy is migrated step by step, checked whole, and only then takes the place of the old database, which is kept as
//! `store.redb.v1`. A crash at any point leaves the old store or the new one: opening goes on with the renaming where a
//! finished copy lies beside no store, and begins again where an unfinished one lies beside the old store. A new
//! database is made under the copy's name and goes the same way.

use std::time::{Duration, Instant};

use redb::{Database, ReadableTable, StorageBackend, WriteTransaction};

use super::disk::Disk;
use super::error::StoreError;
use super::open::{FORMAT_FILE, FORMAT_WORDS, open_database, prepare};
use super::schema::{FORMAT, META, meta};
use super::{DATABASE_FILE, first_format, second_format};
use crate::limits::{COMPACT_SECONDS_MAX, STORE_CACHE_BYTES};

/// One step: from this version to the next, in one transaction.
#[derive(Clone, Copy, Debug)]
pub struct Migration {
    pub from: u32,
    pub apply: fn(&WriteTransaction) -> Result<(), StoreError>,
}

/// All steps there are.
pub(super) const MIGRATIONS: &[Migration] = &[
    Migration { from: 1, apply: first_format::to_blocks },
    Migration { from: 2, apply: second_format::without_days },
];

const COPY: &str = "store.redb.upgrade";
/// A finished copy that waits to be renamed.
const READY: &str = "store.redb.upgraded";

/// Brings an older store to the present format before it is opened. The version; `None` if there is no store.
pub(super) fn bring_up(disk: &dyn Disk) -> Result<Option<u32>, StoreError> {
    upgrade(disk, FORMAT, MIGRATIONS)?;
    match format_of(disk)? {
        Some(found) if found > FORMAT => Err(StoreError::Newer { found, known: FORMAT }),
        found => Ok(found),
    }
}

/// Makes an empty database where none is.
pub(super) fn create(disk: &dyn Disk) -> Result<(), StoreError> {
    truncate(disk)?;
    prepare(&open_database(disk, COPY, STORE_CACHE_BYTES, None)?)?;
    disk.rename(COPY, READY)?;
    finish(disk, FORMAT)
}

/// Brings the store on a disk to a version by the steps given. Does nothing if it has that version.
pub fn upgrade(disk: &dyn Disk, known: u32, steps: &[Migration]) -> Result<(), StoreError> {
    finish(disk, known)?;
    let Some(found) = format_of(disk)?.filter(|found| *found < known) else { return Ok(()) };
    let needed = disk.size(DATABASE_FILE)?.unwrap_or(0);
    if disk.free()? < needed.saturating_mul(2) {
        return Err(StoreError::GivenUp(format!(
            "the store has the older format {found} and is brought to {known} on a copy: that needs {} MB of free \
             space; make room and start again, nothing was changed",
            needed / 500_000 + 1
        )));
    }
    copy(disk)?;
    {
        let mut db = open_database(disk, COPY, STORE_CACHE_BYTES, None)?;
        let mut version = version_of(&db)?.unwrap_or(found);
        while version < known {
            let Some(step) = steps.iter().find(|step| step.from == version) else {
                return Err(StoreError::Older { found: version, known });
            };
            let txn = db.begin_write()?;
            (step.apply)(&txn)?;
            version += 1;
            txn.open_table(META)?.insert(meta::FORMAT, version.to_le_bytes().as_slice())?;
            txn.commit()?;
        }
        let begun = Instant::now();
        while db.compact()? && begun.elapsed() < Duration::from_secs(COMPACT_SECONDS_MAX) {}
    }
    // The whole copy once more, from the disk.
    drop(open_database(disk, COPY, STORE_CACHE_BYTES, None)?);
    disk.rename(COPY, READY)?;
    finish(disk, known)
}

/// The renaming after a finished copy; safe to be repeated.
fn finish(disk: &dyn Disk, known: u32) -> Result<(), StoreError> {
    if disk.exists(READY)? {
        if disk.size(DATABASE_FILE)?.is_some_and(|size| size > 0) {
            let old = format_of(disk)?.unwrap_or(0);
            let name = free_name(disk, &format!("{DATABASE_FILE}.v{old}"))?;
            disk.rename(DATABASE_FILE, &name)?;
        }
        disk.replace(FORMAT_FILE, format!("{FORMAT_WORDS} {known}\n").as_bytes())?;
        disk.rename(READY, DATABASE_FILE)?;
    }
    Ok(())
}

/// This name, or the same with a number behind it: what is kept is never overwritten.
pub(super) fn free_name(disk: &dyn Disk, name: &str) -> Result<String, StoreError> {
    let mut free = name.to_owned();
    for n in 2.. {
        if !disk.exists(&free)? {
            break;
        }
        free = format!("{name}-{n}");
    }
    Ok(free)
}

/// The version that `FORMAT` says. The first format had no such file.
fn format_of(disk: &dyn Disk) -> Result<Option<u32>, StoreError> {
    let Some(bytes) = disk.read(FORMAT_FILE)? else {
        let has_database = disk.size(DATABASE_FILE)?.is_some_and(|size| size > 0);
        return Ok(has_database.then_some(1));
    };
    let text = String::from_utf8_lossy(&bytes).into_owned();
    let number = text.trim_end().strip_prefix(FORMAT_WORDS).and_then(|number| number.trim().parse().ok());
    number
        .map(Some)
        .ok_or_else(|| StoreError::Damaged { file: FORMAT_FILE, reason: format!("it says `{text}`") })
}

fn version_of(db: &Database) -> Result<Option<u32>, StoreError> {
    let txn = db.begin_write()?;
    let found = txn.open_table(META)?.get(meta::FORMAT)?.and_then(|v| v.value().first_chunk::<4>().copied());
    txn.abort()?;
    Ok(found.map(u32::from_le_bytes))
}

fn truncate(disk: &dyn Disk) -> Result<(), StoreError> {
    let file = disk.open(COPY)?;
    file.set_len(0)?;
    file.sync_data()?;
    close(&*file)
}

fn copy(disk: &dyn Disk) -> Result<(), StoreError> {
    let (from, to) = (disk.open(DATABASE_FILE)?, disk.open(COPY)?);
    to.set_len(0)?;
    let (length, mut at) = (from.len()?, 0);
    let mut piece = vec![0; 1 << 20];
    while at < length {
        let n = usize::try_from(length - at).unwrap_or(piece.len()).min(piece.len());
        from.read(at, &mut piece[..n])?;
        to.write(at, &piece[..n])?;
        at += n as u64;
    }
    to.sync_data()?;
    close(&*from)?;
    close(&*to)
}

fn close(file: &dyn StorageBackend) -> Result<(), StoreError> {
    Ok(file.close()?)
}
