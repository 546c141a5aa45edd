//! Cutting rows into blocks that fill their page.

use super::{Effort, Row, encode};
use crate::limits::{BLOCK_BYTES_MAX, BLOCK_READINGS_MAX};

/// A block and the key that it goes under.
#[derive(Clone, Debug, PartialEq)]
pub(in crate::store) struct Sealed {
    pub(in crate::store) first: i64,
    pub(in crate::store) count: usize,
    pub(in crate::store) bytes: Vec<u8>,
}

/// Tries to fill a page; each encodes the block once.
const TRIES_MAX: usize = 5;
/// A page with so few bytes left is full.
const SLACK_BYTES: usize = 24;
/// A guess without any knowledge: a day and a half of minutes with stamps in milliseconds.
pub(in crate::store) const COUNT_GUESS: usize = 2_250;

/// Cuts rows in order of time into full blocks; what is left is the last block, written quickly since it will be
/// written again.
pub(in crate::store) fn cut(series: u32, mut rows: &[Row], mut guess: usize) -> Vec<Sealed> {
    let mut blocks = Vec::new();
    while let Some(row) = rows.first() {
        if rows.len() <= (guess + guess / 4).min(BLOCK_READINGS_MAX) {
            let bytes = encode(series, rows, Effort::Quick);
            if bytes.len() <= BLOCK_BYTES_MAX {
                blocks.push(Sealed { first: row.at, count: rows.len(), bytes });
                break;
            }
        }
        let (count, bytes) = fill(series, rows, guess);
        blocks.push(Sealed { first: row.at, count, bytes });
        guess = count;
        rows = &rows[count..];
    }
    blocks
}

/// Cuts rows into blocks of about the same size: for the middle of a series, where a full block and a small rest would
/// be split again by the next late reading.
pub(in crate::store) fn cut_evenly(series: u32, rows: &[Row]) -> Vec<Sealed> {
    for parts in 1.. {
        let length = rows.len().div_ceil(parts).max(1);
        if length > BLOCK_READINGS_MAX {
            continue;
        }
        let blocks = cut_by(series, rows, length);
        // One instant always fits, so one row for each block always ends this.
        if length == 1 || blocks.iter().all(|block| block.bytes.len() <= BLOCK_BYTES_MAX) {
            return blocks;
        }
    }
    Vec::new()
}

fn cut_by(series: u32, mut rows: &[Row], length: usize) -> Vec<Sealed> {
    let mut blocks = Vec::new();
    while let Some(row) = rows.first() {
        let count = whole_instants(rows, length);
        let bytes = encode(series, &rows[..count], Effort::Full);
        blocks.push(Sealed { first: row.at, count, bytes });
        rows = &rows[count..];
    }
    blocks
}

/// As many of the first rows as fill a block, and the block.
fn fill(series: u32, rows: &[Row], guess: usize) -> (usize, Vec<u8>) {
    let most = whole_instants(rows, BLOCK_READINGS_MAX);
    let mut fits: Option<(usize, Vec<u8>)> = None;
    let mut too_many = most + 1;
    let mut count = whole_instants(rows, guess.clamp(1, most)).min(most);
    for tries in 0.. {
        let bytes = encode(series, &rows[..count], Effort::Full);
        let length = bytes.len();
        let scaled = count * BLOCK_BYTES_MAX / length;
        let next = if length <= BLOCK_BYTES_MAX {
            fits = Some((count, bytes));
            if count == most || BLOCK_BYTES_MAX - length < SLACK_BYTES {
                break;
            }
            scaled.max(count + 1)
        } else {
            too_many = count;
            scaled.saturating_sub(scaled / 400 + 1).min(count - 1)
        };
        let least = fits.as_ref().map_or(0, |(count, _)| *count);
        let next = whole_instants(rows, next.clamp(1, too_many.saturating_sub(1).max(1)));
        let is_between = least < next && next < too_many;
        if (fits.is_some() && tries + 1 >= TRIES_MAX) || !is_between {
            break;
        }
        count = next;
    }
    fits.unwrap_or_else(|| {
        // Only a first instant that is a page of its own gets here; it fits by the limit of values per instant.
        let count = whole_instants(rows, 1);
        (count, encode(series, &rows[..count], Effort::Full))
    })
}

/// The most rows up to `count` that end with a whole instant; the first instant if that has more rows.
fn whole_instants(rows: &[Row], count: usize) -> usize {
    let count = count.min(rows.len());
    let ends = |n: usize| n == rows.len() || rows[n - 1].at != rows[n].at;
    (1..=count)
        .rev()
        .find(|n| ends(*n))
        .or_else(|| (count.max(1)..=rows.len()).find(|n| ends(*n)))
        .unwrap_or(count)
}
