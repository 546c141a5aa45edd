//! One consistent look at the readings of a series: its blocks and what is not sealed yet.

use std::collections::BTreeMap;
use std::sync::PoisonError;

use chrono_tz::Tz;
use heapward_rules::units::{At, Span};
use redb::{ReadOnlyTable, ReadTransaction};

use super::block::{Block, Row};
use super::days::{self, Day, Days};
use super::error::StoreError;
use super::reader::Shared;
use super::schema::{self, BLOCKS, Bytes, DAYS, META, meta};
use super::seal::{merge, scan};
use super::types::{DaySummary, Readings, SeriesId, StoredReading, Summary};
use crate::limits::RANGE_READINGS_MAX;

pub(super) struct View {
    txn: ReadTransaction,
    blocks: ReadOnlyTable<(u32, i64), Bytes>,
    series: u32,
    /// Not sealed when the view was taken, of the whole range asked for.
    tail: Vec<Row>,
    sealed_to: Option<i64>,
    zone: Tz,
    blocks_max: usize,
}

// === impl View ===

impl View {
    /// A look at [from, to) of a series.
    pub(super) fn new(shared: &Shared, series: SeriesId, from: At, to: At) -> Result<View, StoreError> {
        loop {
            let (tail, sealed_to, generation) = {
                let hot = shared.hot.read().unwrap_or_else(PoisonError::into_inner);
                let series = hot.get(series)?;
                (series.tail_between(from.0, to.0).to_vec(), series.sealed_to, hot.generation)
            };
            let txn = shared.begin()?;
            // Between the commit of a seal and its leaving the memory lie microseconds: look again.
            if schema::number(&txn.open_table(META)?, meta::GENERATION)?.unwrap_or(0) != generation {
                std::thread::yield_now();
                continue;
            }
            let blocks = txn.open_table(BLOCKS)?;
            let (zone, blocks_max) = (shared.zone, shared.look_blocks_max);
            return Ok(View { txn, blocks, series: series.0, tail, sealed_to, zone, blocks_max });
        }
    }

    /// Gives the blocks of [from, to) to `each` until that says false, at most as many as one look may take; the instant
    /// up to which it has come. An instant is never split.
    fn scan(
        &self,
        from: i64,
        to: i64,
        mut each: impl FnMut(&Block) -> Result<bool, StoreError>,
    ) -> Result<i64, StoreError> {
        let (mut reached, mut blocks) = (to, 0);
        scan(&self.blocks, self.series, from, to, |block| {
            blocks += 1;
            let goes_on = each(block)? && blocks < self.blocks_max;
            if !goes_on {
                reached = to.min(block.last.saturating_add(1));
            }
            Ok(goes_on)
        })?;
        Ok(reached)
    }

    /// Readings of [from, to), which must lie in the view.
    pub(super) fn range(&self, from: At, to: At, limit: usize) -> Result<Readings, StoreError> {
        let limit = limit.clamp(1, RANGE_READINGS_MAX);
        let mut sealed: Vec<StoredReading> = Vec::new();
        let reached = self.scan(from.0, to.0, |block| {
            block.fill(from.0, to.0, &mut sealed)?;
            Ok(sealed.len() <= limit)
        })?;
        let mut readings = with_tail(sealed, self.tail_between(from.0, reached));
        let next = cut_off(&mut readings, limit).or_else(|| {
            let is_more = reached < to.0;
            is_more.then_some(At(reached))
        });
        Ok(Readings { readings, next })
    }

    fn tail_between(&self, from: i64, to: i64) -> &[Row] {
        let start = self.tail.partition_point(|row| row.at < from);
        let end = self.tail.partition_point(|row| row.at < to).max(start);
        &self.tail[start..end]
    }

    /// Whether a part of the tail comes after everything sealed, so that no instant is in both.
    fn is_plain(&self, tail: &[Row]) -> bool {
        tail.first().is_none_or(|row| self.sealed_to.is_none_or(|sealed_to| row.at > sealed_to))
    }

    /// Summaries between ascending bounds, which must lie in the view, of what comes before the second value: the
    /// instant up to which one look has come.
    pub(super) fn summaries(&self, bounds: &[i64]) -> Result<(Vec<Summary>, i64), StoreError> {
        let mut summaries = vec![Summary::EMPTY; bounds.len().saturating_sub(1)];
        let (Some(from), Some(to)) = (bounds.first(), bounds.last()) else { return Ok((summaries, 0)) };
        let reached = self.scan(*from, *to, |block| {
            block.add_to(bounds, &mut summaries)?;
            Ok(true)
        })?;
        let mut tail = self.tail_between(*from, reached);
        for (pair, summary) in bounds.windows(2).zip(&mut summaries) {
            if tail.is_empty() {
                break;
            }
            let n = tail.partition_point(|row| row.at < pair[1]);
            let part;
            (part, tail) = tail.split_at(n);
            if self.is_plain(part) {
                add_alone(part, summary);
            } else {
                *summary = self.recount(At(pair[0]), At(pair[1].min(reached)))?;
            }
        }
        Ok((summaries, reached))
    }

    /// Reading by reading: a late one may be in conflict with a sealed one.
    fn recount(&self, from: At, to: At) -> Result<Summary, StoreError> {
        let mut summary = Summary::EMPTY;
        let mut next = Some(from);
        while let Some(from) = next {
            let part = self.range(from, to, RANGE_READINGS_MAX)?;
            part.readings.iter().filter(|r| !r.conflict).for_each(|r| summary.add(r.value));
            next = part.next;
        }
        Ok(summary)
    }

    /// The days of the site that touch [from, to); the view must reach to their ends.
    pub(super) fn days(&self, from: At, to: At) -> Result<Vec<DaySummary>, StoreError> {
        let (first, last) = (Day::of(from, self.zone), Day::of(to - Span(1), self.zone));
        let table = self.txn.open_table(DAYS)?;
        let mut found: BTreeMap<i32, Summary> = BTreeMap::new();
        let (from, to) = (first.number(), last.number());
        for row in table.range((self.series, days::row_of(from))..=(self.series, days::row_of(to)))? {
            let (key, value) = row?;
            let days = days::decode(key.value().1, value.value())?;
            found.extend(days.into_iter().filter(|(day, _)| (from..=to).contains(day)));
        }
        let mut tail = self.tail.as_slice();
        while let Some(row) = tail.first() {
            let day = Day::of(At(row.at), self.zone);
            let part;
            (part, tail) = tail.split_at(tail.partition_point(|row| row.at < day.to.0));
            let summary = found.entry(day.number()).or_insert(Summary::EMPTY);
            if self.is_plain(part) {
                add_alone(part, summary);
            } else {
                *summary = self.recount(day.from, day.to)?;
            }
        }
        found.retain(|_, summary| summary.count > 0);
        let Some((start, end)) = found.first_key_value().zip(found.last_key_value()) else {
            return Ok(Vec::new());
        };
        let end = *end.0;
        let Some(start) = Day::numbered(*start.0, self.zone) else { return Ok(Vec::new()) };
        let days = Days::starting(start, self.zone).take_while(|day| day.number() <= end);
        let known = days.filter_map(|day| {
            let summary = *found.get(&day.number())?;
            Some(DaySummary { date: day.date, from: day.from, to: day.to, summary })
        });
        Ok(known.collect())
    }
}

/// Adds the rows whose instant no other has.
fn add_alone(rows: &[Row], summary: &mut Summary) {
    for (i, row) in rows.iter().enumerate() {
        let is_twin = |other: Option<&Row>| other.is_some_and(|other| other.at == row.at);
        if !is_twin(rows.get(i + 1)) && !is_twin(i.checked_sub(1).and_then(|i| rows.get(i))) {
            summary.add(row.value);
        }
    }
}

/// Sealed readings and a part of the tail together, in order of time and arrival, what both have once.
fn with_tail(sealed: Vec<StoredReading>, tail: &[Row]) -> Vec<StoredReading> {
    if tail.is_empty() {
        return sealed;
    }
    let rows: Vec<Row> = sealed.iter().map(|r| Row { at: r.at.0, value: r.value }).collect();
    let rows = merge(&rows, tail);
    let mut readings: Vec<StoredReading> =
        rows.iter().map(|row| StoredReading { at: At(row.at), value: row.value, conflict: false }).collect();
    for i in 1..readings.len() {
        if readings[i].at == readings[i - 1].at {
            (readings[i].conflict, readings[i - 1].conflict) = (true, true);
        }
    }
    readings
}

/// Cuts off what is over the limit, but never within an instant; gives the instant to go on with.
fn cut_off(readings: &mut Vec<StoredReading>, limit: usize) -> Option<At> {
    let last = readings.get(limit.checked_sub(1)?)?.at;
    let end = limit + readings[limit..].partition_point(|reading| reading.at <= last);
    let next = readings.get(end)?.at;
    readings.truncate(end);
    Some(next)
}
