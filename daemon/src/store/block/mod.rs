//! A sealed block: readings of one series in order of time, as many as fill a page of the database.
//!
//! Value of the `blocks` table under the key (series, first instant), at most [`BLOCK_BYTES_MAX`] bytes:
//!
//! | bytes | meaning |
//! | --- | --- |
//! | 1 | version, 1 |
//! | 1 | time codec (low half), value codec (high half) |
//! | 1 | 1 if the block holds instants with several values |
//! | 4 | CRC-32 of series, first instant, the three bytes before and all bytes behind; little-endian |
//! | varint | readings, at most [`BLOCK_READINGS_MAX`] |
//! | varint | last instant - first instant, ms |
//! | varint | only with conflicts: readings without conflict |
//! | 1, varint, varint | decimals, step, first whole number; only with a decimal value codec |
//! | 3 varints or 3 floats | smallest, largest and sum of the values without conflict; whole numbers of the scale, or floats |
//! | varint, bytes | length of the instants, and the instants (`times.rs`) |
//! | bytes | the values (`values.rs`) |
//!
//! Equal instants stand side by side in order of arrival and are never split between blocks.

mod cut;
mod numeric;
mod times;
mod values;

#[cfg(test)]
mod tests;

use super::bits::{Malformed, Source, put_varint};
pub(super) use cut::{COUNT_GUESS, Sealed, cut, cut_evenly};
use times::{TimeCodec, Times};
use values::{Numbers, Scale, ValueCodec};

use super::types::{StoredReading, Summary};
use crate::limits::BLOCK_READINGS_MAX;

const VERSION: u8 = 1;
/// Version, codecs, flags.
const HEAD: usize = 3;
const CHECK: usize = 4;
const HAS_CONFLICTS: u8 = 1;

/// A reading without its series.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Row {
    pub(super) at: i64,
    pub(super) value: f64,
}

/// How hard to try.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Effort {
    /// Own packing only: for a block that will be written again soon.
    Quick,
    /// The shortest of all codecs.
    Full,
}

/// A block whose check and head are in order; instants and values are decoded as they are needed.
#[derive(Debug)]
pub(super) struct Block<'a> {
    pub(super) first: i64,
    pub(super) last: i64,
    pub(super) count: usize,
    /// Of the readings without conflict.
    pub(super) summary: Summary,
    has_conflicts: bool,
    time_codec: TimeCodec,
    value_codec: ValueCodec,
    scale: Option<Scale>,
    times: &'a [u8],
    values: &'a [u8],
}

// === writing ===

/// Encodes rows in order of time. They must not be empty nor more than [`BLOCK_READINGS_MAX`].
pub(super) fn encode(series: u32, rows: &[Row], effort: Effort) -> Vec<u8> {
    debug_assert!(!rows.is_empty() && rows.len() <= BLOCK_READINGS_MAX);
    let instants: Vec<i64> = rows.iter().map(|row| row.at).collect();
    let floats: Vec<f64> = rows.iter().map(|row| row.value).collect();
    let numbers = Numbers::of(&floats);
    let (mut times, mut values) = (Vec::with_capacity(4_096), Vec::with_capacity(4_096));
    let time_codec = times::encode(&instants, effort, &mut times);
    let value_codec = numbers.encode(effort, &mut values);
    let has_conflicts = instants.windows(2).any(|pair| pair[0] == pair[1]);

    let mut body = Vec::with_capacity(times.len() + values.len() + 40);
    let first = instants.first().copied().unwrap_or(0);
    let last = instants.last().copied().unwrap_or(first);
    put_varint(rows.len() as u64, &mut body);
    put_varint(last.abs_diff(first), &mut body);
    let counting = |i: &usize| !has_conflicts || is_alone(&instants, *i);
    if has_conflicts {
        put_varint((0..rows.len()).filter(counting).count() as u64, &mut body);
    }
    numbers.write_summary((0..rows.len()).filter(counting), &mut body);
    put_varint(times.len() as u64, &mut body);
    body.extend(times);
    body.extend(values);

    let head =
        [VERSION, time_codec as u8 | (value_codec as u8) << 4, u8::from(has_conflicts) * HAS_CONFLICTS];
    let mut block = Vec::with_capacity(HEAD + CHECK + body.len());
    block.extend(head);
    block.extend(check(series, first, head, &body).to_le_bytes());
    block.extend(body);
    block
}

fn check(series: u32, first: i64, head: [u8; HEAD], body: &[u8]) -> u32 {
    let mut crc = crc32fast::Hasher::new();
    crc.update(&series.to_le_bytes());
    crc.update(&first.to_le_bytes());
    crc.update(&head);
    crc.update(body);
    crc.finalize()
}

/// Whether no neighbour of an instant is equal to it.
fn is_alone(instants: &[i64], i: usize) -> bool {
    let at = instants.get(i);
    at != instants.get(i + 1) && (i == 0 || at != instants.get(i - 1))
}

// === impl Block ===

impl<'a> Block<'a> {
    /// Reads the head of a block that lies under (series, first).
    pub(super) fn open(series: u32, first: i64, bytes: &'a [u8]) -> Result<Block<'a>, Malformed> {
        let mut source = Source::new(bytes);
        let head: [u8; HEAD] = source.array()?;
        if head[0] != VERSION {
            return Err(Malformed("its version is unknown"));
        }
        let stored = u32::from_le_bytes(source.array()?);
        if stored != check(series, first, head, source.rest()) {
            return Err(Malformed("its check is wrong"));
        }
        Block::parse(first, head, source)
    }

    fn parse(first: i64, head: [u8; HEAD], mut source: Source<'a>) -> Result<Block<'a>, Malformed> {
        let [_, codecs, flags] = head;
        let time_codec = TimeCodec::from_number(codecs & 15)?;
        let value_codec = ValueCodec::from_number(codecs >> 4)?;
        let has_conflicts = flags & HAS_CONFLICTS != 0;
        let count = source.length(BLOCK_READINGS_MAX)?;
        if count == 0 {
            return Err(Malformed("it has no readings"));
        }
        let last = first.wrapping_add(source.varint()?.cast_signed());
        let alone = if has_conflicts { source.length(count)? } else { count };
        let scale = if value_codec.is_decimal() { Some(Scale::read(&mut source)?) } else { None };
        let summary = values::read_summary(scale, alone as u64, &mut source)?;
        let length = source.length(source.rest().len())?;
        let times = source.take(length)?;
        let values = source.rest();
        Ok(Block {
            first,
            last,
            count,
            summary,
            has_conflicts,
            time_codec,
            value_codec,
            scale,
            times,
            values,
        })
    }

    fn times(&self) -> Result<Times<'a>, Malformed> {
        Times::read(self.time_codec, self.first, self.count, &mut Source::new(self.times))
    }

    fn numbers(&self) -> Result<Numbers, Malformed> {
        Numbers::read(self.value_codec, self.scale, self.count, &mut Source::new(self.values))
    }

    /// Puts the readings of [from, to) at the end of `out`.
    pub(super) fn fill(&self, from: i64, to: i64, out: &mut Vec<StoredReading>) -> Result<(), Malformed> {
        let times = self.times()?;
        let first = if from <= self.first { 0 } else { times.first_from(from) };
        let end = if to > self.last { self.count } else { times.first_from(to) };
        if first >= end {
            return Ok(());
        }
        let mut instants = Vec::with_capacity(end - first);
        times.fill(first, end, &mut instants);
        self.check_order(&instants, from.max(self.first), to)?;
        let numbers = self.numbers()?;
        out.reserve(instants.len());
        // Equal instants are never split: neither by a block's end nor by a bound of the range.
        let conflict = |i: usize| self.has_conflicts && !is_alone(&instants, i);
        out.extend(instants.iter().enumerate().map(|(i, at)| StoredReading {
            at: heapward_rules::units::At(*at),
            value: numbers.get(first + i),
            conflict: conflict(i),
        }));
        Ok(())
    }

    /// All rows, for writing them again.
    pub(super) fn rows(&self) -> Result<Vec<Row>, Malformed> {
        let mut instants = Vec::with_capacity(self.count);
        self.times()?.fill(0, self.count, &mut instants);
        self.check_order(&instants, self.first, self.last.saturating_add(1))?;
        let numbers = self.numbers()?;
        self.check_summary(&instants, &numbers)?;
        Ok(instants.iter().enumerate().map(|(i, at)| Row { at: *at, value: numbers.get(i) }).collect())
    }

    /// Bytes of ours that pass their check can still be those of a mistake of ours.
    fn check_order(&self, instants: &[i64], from: i64, to: i64) -> Result<(), Malformed> {
        let in_order = instants.is_sorted_by(|a, b| a < b || (a == b && self.has_conflicts));
        let within = |at: &i64| (from..to).contains(at);
        if in_order && instants.first().is_none_or(within) && instants.last().is_none_or(within) {
            return Ok(());
        }
        Err(Malformed("its instants are not in order"))
    }

    /// Of a block whose instants are decoded whole and in order.
    fn check_summary(&self, instants: &[i64], numbers: &Numbers) -> Result<(), Malformed> {
        let ends = (instants.first(), instants.last()) == (Some(&self.first), Some(&self.last));
        let mut found = Summary::EMPTY;
        let mut is_finite = true;
        for i in 0..self.count {
            let value = numbers.get(i);
            is_finite &= value.is_finite();
            if !self.has_conflicts || is_alone(instants, i) {
                found.add(value);
            }
        }
        let Summary { count, min, max, .. } = self.summary;
        if ends && is_finite && (found.count, found.min, found.max) == (count, min, max) {
            return Ok(());
        }
        Err(Malformed("its head does not say what it holds"))
    }

    /// Adds the readings without conflict to the summaries between ascending bounds; one summary less than bounds.
    /// Nothing is decoded where one pair of bounds holds the whole block.
    pub(super) fn add_to(&self, bounds: &[i64], summaries: &mut [Summary]) -> Result<(), Malformed> {
        let first = bounds.partition_point(|bound| *bound <= self.first).saturating_sub(1);
        let covers = |i: usize| {
            bounds.get(i).is_some_and(|b| *b <= self.first)
                && bounds.get(i + 1).is_some_and(|b| *b > self.last)
        };
        if covers(first) {
            if let Some(summary) = summaries.get_mut(first) {
                summary.merge(&self.summary);
            }
            return Ok(());
        }
        let times = self.times()?;
        let numbers = self.numbers()?;
        let instants = if self.has_conflicts {
            let mut instants = Vec::with_capacity(self.count);
            times.fill(0, self.count, &mut instants);
            instants
        } else {
            Vec::new()
        };
        let place = |bound: i64| match bound {
            _ if bound <= self.first => 0,
            _ if bound > self.last => self.count,
            _ => times.first_from(bound),
        };
        let mut from = bounds.get(first).map_or(0, |bound| place(*bound));
        for (bound, summary) in bounds.iter().skip(first + 1).zip(summaries.iter_mut().skip(first)) {
            let to = place(*bound).max(from);
            if self.has_conflicts {
                let alone = (from..to).filter(|i| is_alone(&instants, *i));
                alone.for_each(|i| summary.add(numbers.get(i)));
            } else {
                numbers.add_to(from, to, summary);
            }
            from = to;
            if from == self.count {
                break;
            }
        }
        Ok(())
    }
}
