//! Sealing: readings leave the side log and go into blocks.
//!
//! A pass goes through the series in slices, each a transaction of its own, so that the commits of a large farm come
//! between. With the last slice the epoch of the side log advances; readings that came in meanwhile go into the `carry`
//! row of the same transaction. A crash at any point repeats a part of the pass: readings that are in blocks already
//! are found there and are repetitions.

use std::sync::PoisonError;

use chrono_tz::Tz;
use heapward_rules::units::At;
use redb::{AccessGuard, ReadableTable, Table, WriteTransaction};

use super::Store;
use super::block::{self, Block, Row, Sealed};
use super::days::{self, Day};
use super::error::StoreError;
use super::frame::Frame;
use super::hot::HotSeries;
use super::schema::{BLOCKS, Bytes, DAYS, LATE, META, SERIES, meta, series_text};
use super::types::{NewReading, SealReport, SeriesId, Summary};
use crate::limits::{SEAL_SLICE_READINGS, SEAL_SLICE_SERIES};

/// How far a pass has come.
#[derive(Debug)]
pub(super) struct Pass {
    next: u32,
}

/// The tail of one series on its way into blocks.
struct Tail {
    id: SeriesId,
    rows: Vec<Row>,
    guess: usize,
}

/// What is so after a slice.
struct Done {
    sealed_to: i64,
    guess: usize,
    blocks: u64,
}

type Blocks<'txn> = Table<'txn, (u32, i64), Bytes>;
type BlockRow<'a> = (AccessGuard<'a, (u32, i64)>, AccessGuard<'a, Bytes>);

// === impl Store ===

impl Store {
    /// One slice of a pass; begins one if there is anything to seal.
    pub(super) fn seal_slice(&mut self) -> Result<SealReport, StoreError> {
        let next = match &self.pass {
            Some(pass) => pass.next,
            None if self.log.is_at_start() && self.has_no_tails() => return Ok(SealReport::default()),
            None => 0,
        };
        let (tails, next, is_last) = self.tails_from(next);
        let generation = self.generation() + 1;
        let txn = self.shared.db.begin_write()?;
        let done = seal_tails(&txn, &tails, self.shared.zone, self.sealed_until)?;
        self.write_names(&txn)?;
        let mut report = SealReport { more: !is_last, ..SealReport::default() };
        let epoch = self.log.epoch() + 1;
        {
            let mut table = txn.open_table(META)?;
            table.insert(meta::GENERATION, generation.to_le_bytes().as_slice())?;
            if is_last {
                table.insert(meta::EPOCH, epoch.to_le_bytes().as_slice())?;
                table.insert(meta::CARRY, self.carry(&tails).encode().as_slice())?;
            }
        }
        txn.commit()?;
        self.leave(&tails, &done, generation)?;
        self.lookup.forget();
        // The blocks have changed: a day that was being read has to be read again.
        self.writing = None;
        self.pass = (!is_last).then_some(Pass { next });
        if is_last {
            self.log.restart(epoch);
        }
        report.readings = tails.iter().map(|tail| tail.rows.len() as u64).sum();
        report.blocks = done.iter().map(|done| done.blocks).sum();
        Ok(report)
    }

    /// The whole of a pass at once.
    pub(super) fn seal_all(&mut self) -> Result<(), StoreError> {
        while self.seal_slice()?.more {}
        Ok(())
    }

    fn has_no_tails(&self) -> bool {
        let hot = self.shared.hot.read().unwrap_or_else(PoisonError::into_inner);
        hot.iter().all(|(_, series)| series.tail.is_empty())
    }

    fn generation(&self) -> u64 {
        self.shared.hot.read().unwrap_or_else(PoisonError::into_inner).generation
    }

    /// A slice of tails, the series after it, and whether it is the last.
    fn tails_from(&self, next: u32) -> (Vec<Tail>, u32, bool) {
        let hot = self.shared.hot.read().unwrap_or_else(PoisonError::into_inner);
        let (mut tails, mut readings) = (Vec::new(), 0);
        for (id, series) in hot.iter().skip(next as usize).filter(|(_, series)| !series.tail.is_empty()) {
            if tails.len() >= SEAL_SLICE_SERIES || readings >= SEAL_SLICE_READINGS {
                return (tails, id.0, false);
            }
            readings += series.tail.len();
            tails.push(Tail { id, rows: series.tail.clone(), guess: series.guess });
        }
        (tails, 0, true)
    }

    /// What came in while the pass went on, for the row that the new epoch begins with.
    fn carry(&self, sealed: &[Tail]) -> Frame {
        let hot = self.shared.hot.read().unwrap_or_else(PoisonError::into_inner);
        let rest = hot.iter().filter(|(id, _)| sealed.iter().all(|tail| tail.id != *id));
        let readings = rest.flat_map(|(id, series)| series.tail.iter().map(move |row| (id, row)));
        let readings =
            readings.map(|(series, row)| NewReading { series, at: At(row.at), value: row.value }).collect();
        Frame { names: Vec::new(), readings }
    }

    fn write_names(&self, txn: &WriteTransaction) -> Result<(), StoreError> {
        let mut table = txn.open_table(SERIES)?;
        let hot = self.shared.hot.read().unwrap_or_else(PoisonError::into_inner);
        let named = usize::try_from(redb::ReadableTableMetadata::len(&table)?).unwrap_or(usize::MAX);
        for (id, series) in hot.iter().skip(named) {
            table.insert(series_text(&series.key).as_str(), id.0)?;
        }
        Ok(())
    }

    fn leave(&self, tails: &[Tail], done: &[Done], generation: u64) -> Result<(), StoreError> {
        let mut hot = self.shared.hot.write().unwrap_or_else(PoisonError::into_inner);
        for (tail, done) in tails.iter().zip(done) {
            let series: &mut HotSeries = hot.get_mut(tail.id)?;
            series.tail = Vec::new();
            series.sealed_to = Some(series.sealed_to.unwrap_or(i64::MIN).max(done.sealed_to));
            series.guess = done.guess;
        }
        hot.generation = generation;
        Ok(())
    }
}

// === blocks ===

fn seal_tails(
    txn: &WriteTransaction,
    tails: &[Tail],
    zone: Tz,
    sealed_until: i64,
) -> Result<Vec<Done>, StoreError> {
    let mut late = txn.open_table(LATE)?;
    let mut blocks = txn.open_table(BLOCKS)?;
    let mut table = txn.open_table(DAYS)?;
    let mut done = Vec::with_capacity(tails.len());
    for tail in tails {
        done.push(seal_tail(&mut blocks, tail)?);
        for row in tail.rows.iter().take_while(|row| row.at < sealed_until) {
            late.insert((tail.id.0, row.at, row.value.to_bits()), ())?;
        }
        let mut day: Option<Day> = None;
        for row in &tail.rows {
            if day.is_some_and(|day| row.at < day.to.0) {
                continue;
            }
            let new = Day::of(At(row.at), zone);
            day = Some(new);
            write_day(&blocks, &mut table, tail.id.0, new)?;
        }
    }
    Ok(done)
}

/// Sums up a day again from its blocks: the same however often, and in whatever order the readings came.
pub(super) fn write_day(
    blocks: &impl ReadableTable<(u32, i64), Bytes>,
    table: &mut Table<(u32, i32), Bytes>,
    series: u32,
    day: Day,
) -> Result<(), StoreError> {
    let mut summary = [Summary::EMPTY];
    scan(blocks, series, day.from.0, day.to.0, |block| {
        block.add_to(&[day.from.0, day.to.0], &mut summary)?;
        Ok(true)
    })?;
    let [summary] = summary;
    let (number, row) = (day.number(), days::row_of(day.number()));
    let mut days = match table.get((series, row))? {
        Some(bytes) => days::decode(row, bytes.value())?,
        None => Vec::new(),
    };
    let place = days.binary_search_by_key(&number, |(day, _)| *day);
    match place {
        Ok(i) if summary.count == 0 => drop(days.remove(i)),
        Ok(i) => days[i].1 = summary,
        Err(_) if summary.count == 0 => return Ok(()),
        Err(i) => days.insert(i, (number, summary)),
    }
    if days.is_empty() {
        table.remove((series, row))?;
    } else {
        table.insert((series, row), days::encode(row, &days).as_slice())?;
    }
    Ok(())
}

fn seal_tail(blocks: &mut Blocks, tail: &Tail) -> Result<Done, StoreError> {
    let series = tail.id.0;
    let first_of = |found: Option<BlockRow>| found.map(|(key, _)| key.value().1);
    let open = first_of(blocks.range((series, i64::MIN)..=(series, i64::MAX))?.next_back().transpose()?);
    let first = first_of(blocks.range((series, i64::MIN)..=(series, i64::MAX))?.next().transpose()?);
    let mut done =
        Done { sealed_to: tail.rows.last().map_or(i64::MIN, |row| row.at), guess: tail.guess, blocks: 0 };
    let mut rows = tail.rows.as_slice();
    while let Some(row) = rows.first() {
        // The block that holds the instant or comes before it; before all of them, the first.
        let before = first_of(blocks.range((series, i64::MIN)..=(series, row.at))?.next_back().transpose()?);
        let target = before.or(first);
        let until = match target {
            Some(target) if Some(target) != open => {
                let after = (series, target.saturating_add(1));
                first_of(blocks.range(after..=(series, i64::MAX))?.next().transpose()?).unwrap_or(i64::MAX)
            }
            _ => i64::MAX,
        };
        let n = rows.partition_point(|row| row.at < until).max(1);
        let old = match target {
            Some(target) => take_rows(blocks, series, target)?,
            None => Vec::new(),
        };
        let merged = merge(&old, &rows[..n]);
        let sealed = if target == open {
            block::cut(series, &merged, done.guess)
        } else {
            block::cut_evenly(series, &merged)
        };
        if target == open
            && let [.., full, _] = sealed.as_slice()
        {
            done.guess = full.count;
        }
        done.blocks += sealed.len() as u64;
        for Sealed { first, bytes, .. } in sealed {
            blocks.insert((series, first), bytes.as_slice())?;
        }
        rows = &rows[n..];
    }
    Ok(done)
}

fn take_rows(blocks: &mut Blocks, series: u32, first: i64) -> Result<Vec<Row>, StoreError> {
    let old = blocks.remove((series, first))?;
    let rows = old.map(|bytes| Block::open(series, first, bytes.value())?.rows()).transpose()?;
    Ok(rows.unwrap_or_default())
}

/// Both in order of time; of one instant the old ones first; what both have once.
pub(super) fn merge(old: &[Row], new: &[Row]) -> Vec<Row> {
    let mut merged = Vec::with_capacity(old.len() + new.len());
    let (mut old, mut new) = (old, new);
    while let (Some(a), Some(b)) = (old.first(), new.first()) {
        if a.at <= b.at {
            merged.push(*a);
            old = &old[1..];
            continue;
        }
        push_once(&mut merged, *b);
        new = &new[1..];
    }
    merged.extend_from_slice(old);
    for row in new {
        push_once(&mut merged, *row);
    }
    merged
}

fn push_once(merged: &mut Vec<Row>, row: Row) {
    let same = |other: &Row| other.value.to_bits() == row.value.to_bits();
    if !merged.iter().rev().take_while(|other| other.at == row.at).any(same) {
        merged.push(row);
    }
}

/// Gives the blocks that may hold something of [from, to) in order to `each`, until that says false.
pub(super) fn scan(
    blocks: &impl ReadableTable<(u32, i64), Bytes>,
    series: u32,
    from: i64,
    to: i64,
    mut each: impl FnMut(&Block) -> Result<bool, StoreError>,
) -> Result<(), StoreError> {
    if from >= to {
        return Ok(());
    }
    let before = blocks.range((series, i64::MIN)..=(series, from))?.next_back().transpose()?;
    let start = before.map_or(from, |(key, _)| key.value().1);
    for row in blocks.range((series, start)..(series, to))? {
        let (key, bytes) = row?;
        let block = Block::open(series, key.value().1, bytes.value())?;
        if block.last >= from && !each(&block)? {
            break;
        }
    }
    Ok(())
}
