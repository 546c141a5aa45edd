//! What becomes of a reading: new, repeated, in conflict or refused.

use std::collections::BTreeMap;

use redb::{Database, ReadTransaction, ReadableDatabase};

use super::block::{Block, Row};
use super::error::StoreError;
use super::hot::Hot;
use super::schema::BLOCKS;
use super::types::{Fate, NewReading};
use crate::limits::{INSTANT_MAX_MS, LOOKUP_BLOCKS_MAX, VALUES_PER_INSTANT_MAX};

/// Blocks that were decoded to look at old instants; late readings mostly come in order.
#[derive(Debug, Default)]
pub(super) struct Lookup {
    blocks: BTreeMap<u32, Vec<Row>>,
}

/// Readings of one commit and what they become.
pub(super) struct Sorter<'a> {
    db: &'a Database,
    hot: &'a Hot,
    lookup: &'a mut Lookup,
    txn: Option<ReadTransaction>,
    /// Newest instant of each series in this commit so far.
    newest: Vec<i64>,
    /// Kept so far in this commit, by series and instant; made when it is first needed.
    kept: Vec<NewReading>,
    by_instant: Option<BTreeMap<(u32, i64), Vec<u64>>>,
}

// === impl Lookup ===

impl Lookup {
    /// To be called when blocks have changed.
    pub(super) fn forget(&mut self) {
        self.blocks.clear();
    }
}

// === impl Sorter ===

impl<'a> Sorter<'a> {
    pub(super) fn new(db: &'a Database, hot: &'a Hot, lookup: &'a mut Lookup) -> Sorter<'a> {
        Sorter {
            db,
            hot,
            lookup,
            txn: None,
            newest: vec![i64::MIN; hot.len()],
            kept: Vec::new(),
            by_instant: None,
        }
    }

    /// The readings that are to be written, values normalised.
    pub(super) fn into_kept(self) -> Vec<NewReading> {
        self.kept
    }

    pub(super) fn sort(&mut self, reading: &NewReading) -> Result<Fate, StoreError> {
        let hot = self.hot.get(reading.series)?;
        if !reading.value.is_finite() || !(0..=INSTANT_MAX_MS).contains(&reading.at.0) {
            return Ok(Fate::Refused);
        }
        // Adding zero turns -0.0 into 0.0, which is the same value.
        let reading = NewReading { value: reading.value + 0.0, ..*reading };
        let newest = self.newest.get_mut(reading.series.0 as usize);
        let fate = match newest.filter(|newest| reading.at.0 > hot.newest().0.max(**newest)) {
            Some(newest) => {
                *newest = reading.at.0;
                Fate::New
            }
            None => self.look(&reading)?,
        };
        if matches!(fate, Fate::New | Fate::Conflict) {
            if let Some(by_instant) = &mut self.by_instant {
                let key = (reading.series.0, reading.at.0);
                by_instant.entry(key).or_default().push(reading.value.to_bits());
            }
            self.kept.push(reading);
        }
        Ok(fate)
    }

    /// Compares with every value that the instant has.
    fn look(&mut self, reading: &NewReading) -> Result<Fate, StoreError> {
        let kept = &self.kept;
        let by_instant = self.by_instant.get_or_insert_with(|| {
            let mut by_instant: BTreeMap<(u32, i64), Vec<u64>> = BTreeMap::new();
            for reading in kept {
                let key = (reading.series.0, reading.at.0);
                by_instant.entry(key).or_default().push(reading.value.to_bits());
            }
            by_instant
        });
        let at = reading.at.0;
        let mut values = by_instant.get(&(reading.series.0, at)).cloned().unwrap_or_default();
        let hot = self.hot.get(reading.series)?;
        values.extend(hot.tail_between(at, at.saturating_add(1)).iter().map(|row| row.value.to_bits()));
        if hot.sealed_to.is_some_and(|sealed_to| at <= sealed_to) {
            let rows = self.block(reading.series.0, at)?;
            let start = rows.partition_point(|row| row.at < at);
            values.extend(rows[start..].iter().take_while(|row| row.at == at).map(|row| row.value.to_bits()));
        }
        Ok(match values.len() {
            0 => Fate::New,
            _ if values.contains(&reading.value.to_bits()) => Fate::Repeated,
            VALUES_PER_INSTANT_MAX.. => Fate::Refused,
            _ => Fate::Conflict,
        })
    }

    /// The rows of the block in which an instant lies or would lie.
    fn block(&mut self, series: u32, at: i64) -> Result<&[Row], StoreError> {
        let holds = |rows: &Vec<Row>| {
            rows.first().is_some_and(|row| row.at <= at) && rows.last().is_some_and(|row| row.at >= at)
        };
        if !self.lookup.blocks.get(&series).is_some_and(holds) {
            let txn = match self.txn.take() {
                Some(txn) => txn,
                None => self.db.begin_read()?,
            };
            let blocks = txn.open_table(BLOCKS)?;
            let found = blocks.range((series, i64::MIN)..=(series, at))?.next_back().transpose()?;
            let rows = match found {
                Some((key, bytes)) => Block::open(series, key.value().1, bytes.value())?.rows()?,
                None => Vec::new(),
            };
            drop(blocks);
            self.txn = Some(txn);
            if self.lookup.blocks.len() >= LOOKUP_BLOCKS_MAX {
                self.lookup.blocks.clear();
            }
            self.lookup.blocks.insert(series, rows);
        }
        Ok(self.lookup.blocks.get(&series).map(Vec::as_slice).unwrap_or_default())
    }
}
