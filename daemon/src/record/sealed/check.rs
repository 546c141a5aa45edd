//! Whether a record's folder, or a store, is as it was sealed: what differs, and the first day of it.

use std::collections::BTreeMap;
use std::path::Path;

use chrono::NaiveDate;
use heapward_rules::ids::StandardId;
use heapward_rules::standard::Standard;

use super::chain::{self, doubt};
use super::{HEAD, against, probes};
use crate::limits::HISTORY_SLICE_READINGS;
use crate::model::entry::Entry;
use crate::store::{Digest, Doubt, Head, Reader, StoreError};

/// What a check found.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Checked {
    /// The sealed days that were looked at, first and last with their numbers.
    pub days: Option<((u64, NaiveDate), (u64, NaiveDate))>,
    /// The newest of them.
    pub head: Option<Head>,
    /// How far it reaches, in words.
    pub reach: Option<String>,
    /// What is not as it was sealed.
    pub doubts: Vec<Doubt>,
}

/// Checks a record's folder; `mailed` are digests of days that came by mail.
pub fn folder(folder: &Path, known: &BTreeMap<StandardId, Standard>, mailed: &[Head]) -> Checked {
    let mut doubts = Vec::new();
    chain::sums(folder, &mut doubts);
    let days = chain::days(folder, &mut doubts);
    probes::missing(folder, against::pile(folder).as_deref(), &days, &mut doubts);
    let reach = against::tables(folder, known, &days, &mut doubts);
    let sealed: Vec<(u64, NaiveDate, Digest)> =
        days.iter().map(|day| (day.section.seq, day.section.day, day.digest)).collect();
    compare(&sealed, mailed, &mut doubts);
    Checked { reach, ..Checked::of(&sealed, doubts) }
}

/// Checks a store: its record, every reading and entry of a sealed day, the chain of the entries, and its `HEAD` as it
/// was found.
pub fn store(reader: &Reader, head: Option<&str>, mailed: &[Head]) -> Result<Checked, StoreError> {
    let mut doubts = reader.check_record()?.doubts;
    let days = reader.sealed_days(NaiveDate::MIN, NaiveDate::MAX)?;
    let sealed: Vec<(u64, NaiveDate, Digest)> =
        days.iter().map(|day| (day.section.seq, day.section.day, day.digest)).collect();
    let found = head.and_then(Head::parse);
    let is_sealed =
        |head: Head| sealed.iter().any(|(seq, _, digest)| (*seq, *digest) == (head.seq, head.digest));
    if !sealed.is_empty() && !found.is_some_and(is_sealed) {
        doubts.push(doubt(
            HEAD,
            sealed.last().map(|last| last.1),
            "it is missing, or names no day of the record",
        ));
    }
    let mut in_record = BTreeMap::new();
    for day in &days {
        for line in &day.section.entries {
            match serde_json::from_str::<Entry>(line) {
                Ok(entry) => drop(in_record.insert(entry.seq, (day.section.day, entry))),
                Err(error) => doubts.push(doubt("record", Some(day.section.day), error.to_string())),
            }
        }
    }
    log(reader, &mut in_record, &mut doubts)?;
    for (seq, (day, _)) in in_record {
        doubts.push(doubt(
            "log",
            Some(day),
            format!("entry {seq} was sealed, and is missing from the store"),
        ));
    }
    compare(&sealed, mailed, &mut doubts);
    Ok(Checked::of(&sealed, doubts))
}

/// Takes each entry of the store out of those of the record; what differs or does not follow the one before is a doubt.
fn log(
    reader: &Reader,
    in_record: &mut BTreeMap<u64, (NaiveDate, Entry)>,
    doubts: &mut Vec<Doubt>,
) -> Result<(), StoreError> {
    let (mut seq, mut prev) = (0, Digest::ZERO.to_string());
    loop {
        let slice = reader.entries(None, seq, HISTORY_SLICE_READINGS)?;
        if slice.is_empty() {
            return Ok(());
        }
        for entry in slice {
            let sealed = in_record.remove(&entry.seq);
            let day = sealed.as_ref().map(|(day, _)| *day);
            if sealed.is_some_and(|(_, sealed)| sealed != entry) {
                doubts.push(doubt("log", day, format!("entry {} is not as it was sealed", entry.seq)));
            }
            if entry.seq != seq + 1 || entry.prev != prev {
                doubts.push(doubt("log", day, format!("entry {} does not follow entry {seq}", entry.seq)));
            }
            let text = serde_json::to_string(&entry).unwrap_or_default();
            (seq, prev) = (entry.seq, Digest::of(text.as_bytes()).to_string());
        }
    }
}

/// Compares sealed days with the digests that were mailed.
fn compare(sealed: &[(u64, NaiveDate, Digest)], mailed: &[Head], doubts: &mut Vec<Doubt>) {
    for head in mailed {
        match sealed.iter().find(|(seq, _, _)| *seq == head.seq) {
            Some((_, _, digest)) if *digest == head.digest => {}
            Some((_, day, _)) => {
                let what = "something up to this day was changed after its digest was mailed";
                doubts.push(doubt(HEAD, Some(*day), what));
            }
            None => {
                let there = sealed.first().zip(sealed.last());
                let there = there.map_or("no sealed day is here".to_owned(), |(first, last)| {
                    format!("here are days {} to {}", first.0, last.0)
                });
                let what = format!("day {} of the mail is missing: {there}", head.seq);
                doubts.push(doubt(HEAD, None, what));
            }
        }
    }
}

// === impl Checked ===

impl Checked {
    fn of(sealed: &[(u64, NaiveDate, Digest)], doubts: Vec<Doubt>) -> Checked {
        let ends = sealed.first().zip(sealed.last());
        Checked {
            days: ends.map(|(first, last)| ((first.0, first.1), (last.0, last.1))),
            head: ends.map(|(_, last)| Head { seq: last.0, digest: last.2 }),
            reach: None,
            doubts,
        }
    }

    /// The first day that is not as it was sealed, where a day can be named.
    pub fn first_bad_day(&self) -> Option<NaiveDate> {
        self.doubts.iter().filter_map(|doubt| doubt.day).min()
    }
}
