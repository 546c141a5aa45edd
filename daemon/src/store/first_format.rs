//! The first format: one row per reading.
//!
//! Table `readings`, key (series, instant in ms), value the different values of the instant in order of arrival, 8 bytes
//! each. The other tables are as they are now; there was no side log, no day table, no record outside the database.

use redb::{ReadableTable, TableDefinition, WriteTransaction};

use super::block::{self, Row};
use super::error::StoreError;
use super::open::make_tables;
use super::schema::{BLOCKS, Bytes, META, PILES, PILES_CHANGED, SERIES, meta};

const READINGS: TableDefinition<(u32, i64), Bytes> = TableDefinition::new("readings");
/// Rows that are cut into blocks at a time.
const PART_ROWS: usize = 50_000;

/// Puts all readings into blocks. The day table is made at the next opening, as for a site that has moved to another
/// zone.
pub(super) fn to_blocks(txn: &WriteTransaction) -> Result<(), StoreError> {
    make_tables(txn)?;
    {
        let readings = txn.open_table(READINGS)?;
        for row in txn.open_table(SERIES)?.iter()? {
            series_to_blocks(txn, &readings, row?.1.value())?;
        }
    }
    txn.delete_table(READINGS)?;
    txn.open_table(META)?.insert(meta::ZONE, b"".as_slice())?;
    let mut changed = txn.open_table(PILES_CHANGED)?;
    for row in txn.open_table(PILES)?.iter()? {
        changed.insert(row?.0.value(), ())?;
    }
    Ok(())
}

fn series_to_blocks(
    txn: &WriteTransaction,
    readings: &impl ReadableTable<(u32, i64), Bytes>,
    series: u32,
) -> Result<(), StoreError> {
    let mut blocks = txn.open_table(BLOCKS)?;
    let mut rows: Vec<Row> = Vec::new();
    let mut guess = block::COUNT_GUESS;
    for row in readings.range((series, i64::MIN)..=(series, i64::MAX))? {
        let (key, values) = row?;
        let at = key.value().1;
        let (values, rest) = values.value().as_chunks::<8>();
        if !rest.is_empty() {
            return Err(StoreError::encoding("a reading", "its values are cut off"));
        }
        rows.extend(values.iter().map(|value| Row { at, value: f64::from_le_bytes(*value) }));
        if rows.len() >= PART_ROWS {
            let mut cut = block::cut(series, &rows, guess);
            // The last block may not be full: its rows go on into the next part.
            let last = cut.pop().map_or(0, |last| last.count);
            for block in cut {
                guess = block.count;
                blocks.insert((series, block.first), block.bytes.as_slice())?;
            }
            rows.drain(..rows.len() - last);
        }
    }
    for block in block::cut(series, &rows, guess) {
        blocks.insert((series, block.first), block.bytes.as_slice())?;
    }
    Ok(())
}
