//! The record: each UTC day of the store, sealed as text and chained by SHA-256, outside the database.
//!
//! `record/2026-05.txt` holds the sections of a month one behind the other (`section.rs`), `HEAD` the number and digest
//! of the newest: `head 42 <sha256>`. Whoever holds yesterday's mail holds yesterday's digest. Both can be checked with
//! `sha256sum` alone. Nothing that was sealed is written again: what comes later goes into the next section as late.
//!
//! A section goes into the database first, in one transaction with the end of its day (table `record`, text and place
//! included), then into the month's file, then into `HEAD`. Opening does again what a crash has left out. A `HEAD` that
//! is ahead of the database says that the database is older than the record: a card that lied, or an old copy.
//!
//! Row of table `record` under the number of the section, little-endian:
//!
//! | bytes | meaning |
//! | --- | --- |
//! | 1 | version, 1 |
//! | 4 | day, as days since 1970-01-01 |
//! | 32 | digest |
//! | 8 | last entry of the log that is in it or before it |
//! | 8 | place in the month's file |
//! | | the text; empty as soon as the next section is there |

mod check;
mod recover;
mod section;
mod writing;

use chrono::{Datelike, Duration, NaiveDate};
use heapward_rules::units::At;
use redb::ReadableTable;

pub use check::{Check, DayReadings, Doubt, SealedDay, SeriesReadings};
pub use recover::Recovered;
pub(super) use recover::recover;
pub(super) use section::DAY_MS;
pub use section::{Digest, Section, probe_file};
pub(super) use writing::Writing;

use super::bits::{Malformed, Source};
use super::disk::Disk;
use super::error::StoreError;
use super::schema::Bytes;

pub(super) const HEAD_FILE: &str = "HEAD";

/// The newest sealed day.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Head {
    pub seq: u64,
    pub digest: Digest,
}

/// What opening found when it compared the database with `HEAD`.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum RecordState {
    #[default]
    Agrees,
    /// The database has less than the record: it is an older copy, or the card has lost what it was given.
    StoreIsOlder { store_seq: u64, head_seq: u64 },
    /// Both end with the same number but not with the same section.
    Differs { seq: u64 },
    /// There are sealed days, but no `HEAD`; it was written again.
    HeadWasMissing { seq: u64 },
}

/// A row of table `record`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Sealed {
    pub(super) seq: u64,
    pub(super) day: NaiveDate,
    pub(super) digest: Digest,
    pub(super) entries_to: u64,
    pub(super) place: u64,
    pub(super) text: String,
}

const VERSION: u8 = 1;

// === impl Head ===

impl Head {
    pub fn text(&self) -> String {
        format!("head {} {}\n", self.seq, self.digest)
    }

    pub fn parse(text: &str) -> Option<Head> {
        let mut words = text.strip_suffix('\n')?.split(' ');
        let head = (words.next()?, words.next()?.parse(), Digest::parse(words.next()?)?);
        match (head, words.next()) {
            (("head", Ok(seq), digest), None) => Some(Head { seq, digest }),
            _ => None,
        }
    }
}

// === impl RecordState ===

impl RecordState {
    /// What it means, for the log and for a message; nothing while all is well.
    pub fn sentence(&self) -> Option<String> {
        match self {
            RecordState::Agrees => None,
            RecordState::StoreIsOlder { store_seq, head_seq } => Some(format!(
                "The store is older than the record: it ends with sealed day {store_seq}, the record with {head_seq}. \
                 Readings and entries between them are missing from the store."
            )),
            RecordState::Differs { seq } => Some(format!(
                "The store and the record disagree on sealed day {seq}: one of them was changed or replaced."
            )),
            RecordState::HeadWasMissing { seq } => Some(format!(
                "The record's HEAD was missing and was written again from the store, at sealed day {seq}."
            )),
        }
    }
}

// === impl Sealed ===

impl Sealed {
    pub(super) fn head(&self) -> Head {
        Head { seq: self.seq, digest: self.digest }
    }

    /// First instant after the day.
    pub(super) fn end(&self) -> i64 {
        end_of(self.day)
    }

    pub(super) fn encode(&self) -> Vec<u8> {
        let mut out = vec![VERSION];
        out.extend(day_number(self.day).to_le_bytes());
        out.extend(self.digest.0);
        out.extend(self.entries_to.to_le_bytes());
        out.extend(self.place.to_le_bytes());
        out.extend_from_slice(self.text.as_bytes());
        out
    }

    pub(super) fn decode(seq: u64, bytes: &[u8]) -> Result<Sealed, StoreError> {
        Sealed::parse(seq, bytes).map_err(|error| StoreError::encoding("a row of the record", error))
    }

    fn parse(seq: u64, bytes: &[u8]) -> Result<Sealed, Malformed> {
        let mut source = Source::new(bytes);
        if source.byte()? != VERSION {
            return Err(Malformed("its version is unknown"));
        }
        let day = day_of_number(i32::from_le_bytes(source.array()?)).ok_or(Malformed("its day is none"))?;
        let digest = Digest(source.array()?);
        let entries_to = u64::from_le_bytes(source.array()?);
        let place = u64::from_le_bytes(source.array()?);
        let text = std::str::from_utf8(source.rest()).map_err(|_| Malformed("its text is none"))?;
        Ok(Sealed { seq, day, digest, entries_to, place, text: text.to_owned() })
    }
}

pub(super) fn last(table: &impl ReadableTable<u64, Bytes>) -> Result<Option<Sealed>, StoreError> {
    table.last()?.map(|(seq, bytes)| Sealed::decode(seq.value(), bytes.value())).transpose()
}

fn day_number(day: NaiveDate) -> i32 {
    i32::try_from(day.signed_duration_since(NaiveDate::default()).num_days()).unwrap_or(i32::MAX)
}

fn day_of_number(number: i32) -> Option<NaiveDate> {
    NaiveDate::default().checked_add_signed(Duration::days(number.into()))
}

/// The UTC day of an instant.
pub(super) fn day_of(at: At) -> NaiveDate {
    i32::try_from(at.0.div_euclid(DAY_MS)).ok().and_then(day_of_number).unwrap_or_default()
}

pub(super) fn start_of(day: NaiveDate) -> i64 {
    i64::from(day_number(day)) * DAY_MS
}

pub(super) fn end_of(day: NaiveDate) -> i64 {
    start_of(day) + DAY_MS
}

pub(super) fn file_of(day: NaiveDate) -> String {
    format!("record/{:04}-{:02}.txt", day.year(), day.month())
}

/// Compares the database's newest section with `HEAD` and does again what a crash has left out. The second value is the
/// head to go on from where the database is not the one to believe.
pub(super) fn settle(
    disk: &dyn Disk,
    last: Option<&Sealed>,
) -> Result<(RecordState, Option<Head>), StoreError> {
    let head = disk.read(HEAD_FILE)?.and_then(|bytes| Head::parse(&String::from_utf8(bytes).ok()?));
    let (state, believed) = match (last, head) {
        (None, None) => return Ok((RecordState::Agrees, None)),
        (None, Some(head)) => {
            let state = RecordState::StoreIsOlder { store_seq: 0, head_seq: head.seq };
            return Ok((state, Some(head)));
        }
        (Some(last), Some(head)) if head.seq > last.seq => {
            let state = RecordState::StoreIsOlder { store_seq: last.seq, head_seq: head.seq };
            return Ok((state, Some(head)));
        }
        (Some(last), Some(head)) if head == last.head() => (RecordState::Agrees, last),
        (Some(last), Some(head)) if head.seq == last.seq => {
            return Ok((RecordState::Differs { seq: last.seq }, Some(head)));
        }
        // The newest section was committed, and then the power went.
        (Some(last), Some(_)) => (RecordState::Agrees, last),
        (Some(last), None) if last.seq == 1 => (RecordState::Agrees, last),
        (Some(last), None) => (RecordState::HeadWasMissing { seq: last.seq }, last),
    };
    put_out(disk, believed)?;
    if head != Some(believed.head()) {
        disk.replace(HEAD_FILE, believed.head().text().as_bytes())?;
    }
    Ok((state, None))
}

/// Puts the text of a section into its month's file, unless it is there.
fn put_out(disk: &dyn Disk, sealed: &Sealed) -> Result<(), StoreError> {
    if sealed.text.is_empty() {
        return Ok(());
    }
    let file = disk.open(&file_of(sealed.day))?;
    let (text, length) = (sealed.text.as_bytes(), file.len()?);
    let end = sealed.place + text.len() as u64;
    if length >= end {
        let mut there = vec![0; text.len()];
        file.read(sealed.place, &mut there)?;
        if there == text {
            return Ok(());
        }
    }
    file.write(sealed.place, text)?;
    file.sync_data()?;
    file.close()?;
    Ok(())
}
