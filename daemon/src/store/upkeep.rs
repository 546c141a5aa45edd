//! Sizes, and giving back room that nothing lies in.

use std::sync::PoisonError;
use std::time::Instant;

use redb::{Database, ReadTransaction, ReadableDatabase, ReadableTableMetadata, TableHandle};

use super::block::Block;
use super::disk::Disk;
use super::error::StoreError;
use super::reader::Reader;
use super::schema::{BLOCKS, LATE, LOG, RECORD};
use super::{DATABASE_FILE, SIDE_LOG_FILE};
use crate::limits::{COMPACT_BYTES_MIN, COMPACT_SECONDS_MAX};

/// Sizes for `heapward store` and the page. Bytes are those of files and pages.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Sizes {
    pub database_bytes: u64,
    pub side_log_bytes: u64,
    pub record_bytes: u64,
    /// Pages of the database in which something lies; the rest of it is free for what comes.
    pub live_bytes: u64,
    pub series: u64,
    /// Readings in blocks, and how many blocks.
    pub sealed: u64,
    pub blocks: u64,
    /// Bytes of the blocks' values.
    pub block_bytes: u64,
    /// Readings that only the side log and memory have.
    pub unsealed: u64,
    pub entries: u64,
    pub sealed_days: u64,
    pub late: u64,
    /// Table by table, the largest first.
    pub tables: Vec<TableSize>,
    /// How long the integrity check of the last opening took.
    pub check_ms: u64,
}

/// A table of the database.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct TableSize {
    pub name: String,
    pub rows: u64,
    /// Of its pages.
    pub bytes: u64,
    /// Of its keys and values.
    pub stored_bytes: u64,
}

// === impl Sizes ===

impl Sizes {
    /// Bytes of pages in use and of the record for each sealed reading, where both are known.
    #[expect(clippy::cast_precision_loss, reason = "for people")]
    pub fn bytes_per_reading(&self) -> Option<f64> {
        (self.sealed > 0).then(|| (self.live_bytes + self.record_bytes) as f64 / self.sealed as f64)
    }

    pub fn dead_bytes(&self) -> u64 {
        self.database_bytes.saturating_sub(self.live_bytes)
    }
}

// === impl Reader ===

impl Reader {
    /// Sizes that are known without looking through the store.
    pub fn sizes(&self) -> Result<Sizes, StoreError> {
        let shared = self.open()?;
        let length = |name: &str| Ok::<_, StoreError>(shared.disk.size(name)?.unwrap_or(0));
        let mut sizes = Sizes {
            database_bytes: length(DATABASE_FILE)?,
            side_log_bytes: length(SIDE_LOG_FILE)?,
            check_ms: shared.check_ms,
            ..Sizes::default()
        };
        for name in shared.disk.list("record")? {
            sizes.record_bytes += length(&format!("record/{name}"))?;
        }
        let txn = shared.begin()?;
        sizes.blocks = txn.open_table(BLOCKS)?.len()?;
        sizes.entries = txn.open_table(LOG)?.len()?;
        sizes.sealed_days = txn.open_table(RECORD)?.len()?;
        sizes.late = txn.open_table(LATE)?.len()?;
        let hot = shared.hot.read().unwrap_or_else(PoisonError::into_inner);
        sizes.series = hot.len() as u64;
        sizes.unsealed = hot.iter().map(|(_, series)| series.tail.len() as u64).sum();
        Ok(sizes)
    }

    /// The same with what only a walk through every block tells; it also checks each of them.
    pub fn sizes_in_full(&self) -> Result<Sizes, StoreError> {
        let mut sizes = self.sizes()?;
        let shared = self.open()?;
        let mut from = (0, i64::MIN);
        loop {
            let blocks = shared.begin()?.open_table(BLOCKS)?;
            let mut looked = 0;
            for row in blocks.range(from..)?.take(shared.look_blocks_max) {
                let (key, bytes) = row?;
                let (series, first) = key.value();
                sizes.sealed += Block::open(series, first, bytes.value())?.count as u64;
                sizes.block_bytes += bytes.value().len() as u64;
                from = (series, first.saturating_add(1));
                looked += 1;
            }
            if looked < shared.look_blocks_max {
                break;
            }
        }
        sizes.tables = tables(&shared.begin()?)?;
        sizes.live_bytes = sizes.tables.iter().map(|table| table.bytes).sum();
        Ok(sizes)
    }
}

fn tables(txn: &ReadTransaction) -> Result<Vec<TableSize>, StoreError> {
    let mut tables = Vec::new();
    for handle in txn.list_tables()? {
        let name = handle.name().to_owned();
        let table = txn.open_untyped_table(handle)?;
        let stats = table.stats()?;
        tables.push(TableSize {
            name,
            rows: table.len()?,
            bytes: (stats.leaf_pages() + stats.branch_pages()) * super::sidelog::PAGE as u64,
            stored_bytes: stats.stored_bytes(),
        });
    }
    tables.sort_by_key(|table| std::cmp::Reverse(table.bytes));
    Ok(tables)
}

/// Gives back room after a large part was deleted: only at start, only where it pays, with room to do it, and not for
/// long. Whether anything was done.
pub(super) fn compact(db: &mut Database, disk: &dyn Disk) -> Result<bool, StoreError> {
    let length = disk.size(DATABASE_FILE)?.unwrap_or(0);
    if length < COMPACT_BYTES_MIN {
        return Ok(false);
    }
    let live: u64 = tables(&db.begin_read()?)?.iter().map(|table| table.bytes).sum();
    if live * 2 > length || disk.free()? < length * 2 {
        return Ok(false);
    }
    let begun = Instant::now();
    while db.compact()? && begun.elapsed().as_secs() < COMPACT_SECONDS_MAX {}
    Ok(true)
}
