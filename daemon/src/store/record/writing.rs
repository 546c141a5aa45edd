//! Sealing a day: a slice at a call, then one transaction, the month's file and `HEAD`.

use std::sync::PoisonError;

use chrono::NaiveDate;
use heapward_rules::units::At;
use redb::{ReadableDatabase, ReadableTable, WriteTransaction};

use super::section::{ReadingsList, put_instant};
use super::{Digest, HEAD_FILE, Head, Sealed, Section, day_of, end_of, file_of, last, put_out, start_of};
use crate::limits::{RECORD_ENTRIES_MAX, RECORD_LATE_LINES_MAX, RECORD_LATENESS, SEAL_SLICE_READINGS};
use crate::model::entry::Entry;
use crate::store::Store;
use crate::store::block::Row;
use crate::store::error::StoreError;
use crate::store::schema::{
    BLOCKS, LATE, LOG, PILES, PILES_CHANGED, RECORD, from_json, series_text, unversioned,
};
use crate::store::seal::scan;
use crate::store::types::SeriesId;

/// A day on its way into the record.
#[derive(Debug)]
pub(in crate::store) struct Writing {
    day: NaiveDate,
    /// Series in order of their texts, and how many are done.
    series: Vec<(String, SeriesId)>,
    done: usize,
    list: ReadingsList,
}

// === impl Store ===

impl Store {
    /// One slice of work on the record; false if there is none to do.
    pub(in crate::store) fn seal_days(&mut self, now: At) -> Result<bool, StoreError> {
        let mut writing = match self.writing.take() {
            Some(writing) => writing,
            None => match self.day_to_seal(now)? {
                Some(day) => self.begin_day(day),
                None => return Ok(false),
            },
        };
        if self.add_series(&mut writing)? {
            self.finish_day(writing)?;
        } else {
            self.writing = Some(writing);
        }
        Ok(true)
    }

    /// The oldest day that is not sealed, if it is over for so long that nothing more is expected, and if something is
    /// in the store that came after it: a clock that is wrong by years seals nothing.
    fn day_to_seal(&self, now: At) -> Result<Option<NaiveDate>, StoreError> {
        let txn = self.shared.db.begin_read()?;
        let log = txn.open_table(LOG)?;
        let entered = |row: Option<(redb::AccessGuard<u64>, redb::AccessGuard<&'static [u8]>)>| {
            let entry: Option<Entry> =
                row.map(|(_, text)| from_json("a log entry", text.value())).transpose()?;
            Ok::<_, StoreError>(entry.map(|entry| entry.entry.entered_ms))
        };
        let newest = {
            let hot = self.shared.hot.read().unwrap_or_else(PoisonError::into_inner);
            let newest = hot.iter().map(|(_, series)| series.newest().0).max();
            newest.max(entered(log.last()?)?)
        };
        let day = if let Some(last) = last(&txn.open_table(RECORD)?)? {
            last.day.succ_opt()
        } else {
            let blocks = txn.open_table(BLOCKS)?;
            let mut first = entered(log.first()?)?;
            let hot = self.shared.hot.read().unwrap_or_else(PoisonError::into_inner);
            for (id, _) in hot.iter() {
                let block = blocks.range((id.0, i64::MIN)..=(id.0, i64::MAX))?.next().transpose()?;
                let start = block.map(|(key, _)| key.value().1);
                first = first.into_iter().chain(start).min();
            }
            first.map(|at| day_of(At(at)))
        };
        Ok(day.filter(|day| {
            let end = At(end_of(*day));
            end + RECORD_LATENESS <= now && newest.is_some_and(|newest| newest >= end.0)
        }))
    }

    fn begin_day(&self, day: NaiveDate) -> Writing {
        let hot = self.shared.hot.read().unwrap_or_else(PoisonError::into_inner);
        let mut series: Vec<(String, SeriesId)> =
            hot.iter().map(|(id, series)| (series_text(&series.key), id)).collect();
        series.sort();
        Writing { day, series, done: 0, list: ReadingsList::default() }
    }

    /// Adds series until a slice is full; whether all are in.
    fn add_series(&self, writing: &mut Writing) -> Result<bool, StoreError> {
        let txn = self.shared.db.begin_read()?;
        let blocks = txn.open_table(BLOCKS)?;
        let (from, to) = (start_of(writing.day), end_of(writing.day));
        let mut readings = 0;
        for (text, id) in &writing.series[writing.done..] {
            if readings >= SEAL_SLICE_READINGS {
                return Ok(false);
            }
            let mut found = Vec::new();
            scan(&blocks, id.0, from, to, |block| {
                block.fill(from, to, &mut found)?;
                Ok(true)
            })?;
            let rows: Vec<Row> = found.iter().map(|r| Row { at: r.at.0, value: r.value }).collect();
            writing.list.add(text, &rows);
            readings += rows.len();
            writing.done += 1;
        }
        Ok(true)
    }

    fn finish_day(&mut self, writing: Writing) -> Result<(), StoreError> {
        let Writing { day, series, list, .. } = writing;
        let (readings, readings_digest) = list.finish();
        let txn = self.shared.db.begin_write()?;
        let before = last(&txn.open_table(RECORD)?)?;
        let (entries, entries_to) = take_entries(&txn, before.as_ref().map_or(0, |b| b.entries_to), day)?;
        let section = Section {
            seq: before.as_ref().map_or(1, |before| before.seq + 1),
            day,
            prev: before.as_ref().map_or(Digest::ZERO, |before| before.digest),
            readings,
            readings_digest,
            late: take_late(&txn, &series)?,
            piles: take_piles(&txn)?,
            entries,
        };
        let text = section.text();
        let place = match &before {
            Some(before) if file_of(before.day) == file_of(day) => before.place + before.text.len() as u64,
            _ => 0,
        };
        let sealed =
            Sealed { seq: section.seq, day, digest: Digest::of(text.as_bytes()), entries_to, place, text };
        {
            let mut table = txn.open_table(RECORD)?;
            if let Some(before) = before {
                let without_text = Sealed { text: String::new(), ..before };
                table.insert(without_text.seq, without_text.encode().as_slice())?;
            }
            table.insert(sealed.seq, sealed.encode().as_slice())?;
        }
        txn.commit()?;
        self.sealed_until = sealed.end();
        put_out(&*self.shared.disk, &sealed)?;
        self.shared.disk.replace(HEAD_FILE, sealed.head().text().as_bytes())?;
        self.set_head(sealed.head());
        Ok(())
    }

    pub(in crate::store) fn set_head(&self, head: Head) {
        *self.shared.head.write().unwrap_or_else(PoisonError::into_inner) = Some(head);
    }
}

/// Entries that follow those of the section before, up to the first that was entered after the day.
fn take_entries(
    txn: &WriteTransaction,
    after: u64,
    day: NaiveDate,
) -> Result<(Vec<String>, u64), StoreError> {
    let (mut entries, mut to) = (Vec::new(), after);
    for row in txn.open_table(LOG)?.range(after + 1..)?.take(RECORD_ENTRIES_MAX) {
        let (seq, text) = row?;
        let entry: Entry = from_json("a log entry", text.value())?;
        if entry.entry.entered_ms >= end_of(day) {
            break;
        }
        to = seq.value();
        let text = unversioned("a log entry", text.value())?;
        entries.push(String::from_utf8_lossy(text).into_owned());
    }
    Ok((entries, to))
}

/// Readings that came after their day was sealed, in order of series and instant.
fn take_late(txn: &WriteTransaction, series: &[(String, SeriesId)]) -> Result<Vec<String>, StoreError> {
    let mut table = txn.open_table(LATE)?;
    let mut lines = Vec::new();
    let mut date = (i64::MIN, String::new());
    for (text, id) in series {
        let range = (id.0, i64::MIN, 0)..=(id.0, i64::MAX, u64::MAX);
        let room = RECORD_LATE_LINES_MAX.saturating_sub(lines.len());
        let keys: Result<Vec<_>, _> = table.range(range)?.take(room).map(|row| Ok(row?.0.value())).collect();
        let keys: Vec<(u32, i64, u64)> = keys.map_err(|error: redb::StorageError| error)?;
        for instant in keys.chunk_by(|a, b| a.1 == b.1) {
            let mut values: Vec<f64> = instant.iter().map(|(_, _, bits)| f64::from_bits(*bits)).collect();
            values.sort_by(f64::total_cmp);
            for value in values {
                let mut line = String::new();
                put_instant(instant[0].1, &mut date, &mut line);
                lines.push(format!("{line} {value} {text}"));
            }
        }
        for key in keys {
            table.remove(key)?;
        }
    }
    Ok(lines)
}

fn take_piles(txn: &WriteTransaction) -> Result<Vec<String>, StoreError> {
    let piles = txn.open_table(PILES)?;
    let mut changed = txn.open_table(PILES_CHANGED)?;
    let mut lines = Vec::new();
    while let Some((id, _)) = changed.pop_first()? {
        if let Some(pile) = piles.get(id.value())? {
            let text = unversioned("a pile", pile.value())?;
            lines.push(String::from_utf8_lossy(text).into_owned());
        }
    }
    Ok(lines)
}
