//! The sealed days of a pile: which they are, how they lie in its record's folder, and whether a folder still is as it
//! was written.
//!
//! | file | what |
//! | --- | --- |
//! | `sealed/00042-2026-05-12.txt` | the section of a day, word for word; its third line is the SHA-256 of the day before |
//! | `sealed/00042-2026-05-12/list` | SHA-256 and name of each series of the day; the section has the digest of it |
//! | `sealed/00042-2026-05-12/temperature-C-k1.txt` | what a probe of the pile said on the day |
//! | `sealed/probes` | from which day to which a probe stood in the pile: its texts of those days have to be there |
//! | `HEAD` | number and digest of the last of these days: `head 42 <sha256>`; a mail of that morning has it too |
//! | `SHA256SUMS` | a digest for every other file of the folder |
//! | `verify.sh` | checks all of that with `sh` and `sha256sum` |

mod against;
mod chain;
pub mod check;
mod probes;
pub mod signature;

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};

use chrono::{Days, NaiveDate};
use heapward_rules::units::At;

use self::probes::Stays;
use super::digest::sha256_of;
use super::facts::Facts;
use super::files::{FolderProblem, put};
use crate::model::entry::Entry;
use crate::model::pile::PileRecord;
use crate::model::time::utc;
use crate::store::{Head, Reader, SealedDay, StoreError};

pub(super) const FOLDER: &str = "sealed";
pub(super) const HEAD: &str = "HEAD";
pub(super) const SUMS: &str = "SHA256SUMS";
/// Signature of [`SUMS`] in the format of ssh-keygen.
pub(super) const SIGNATURE: &str = "SHA256SUMS.sig";
const LIST: &str = "list";
/// A pile that is entered goes into the next day that is sealed: one that was over 26 h before, or an older one after a
/// time without the farm's computer.
const PILE_BEFORE: Days = Days::new(14);
const SCRIPT: &str = include_str!("verify.sh");

/// The UTC day of an instant; the first day of the calendar for one beyond it.
fn day_of(at: At) -> NaiveDate {
    utc(at).map(|time| time.date_naive()).unwrap_or_default()
}

/// Name of a section's file without its ending, and of the folder of its readings.
fn name_of(seq: u64, day: NaiveDate) -> String {
    format!("{seq:05}-{day}")
}

/// The sealed days of a pile.
#[derive(Clone, Debug, Default)]
pub struct Sealed {
    /// From the first reading of its probes or the day on which it was built, or the sealed day before that which holds
    /// the pile itself, to the last reading, entry or late reading.
    pub days: Vec<SealedDay>,
    /// First and last day on which its probes can have said something.
    read: (NaiveDate, NaiveDate),
    stays: Stays,
}

// === impl Sealed ===

impl Sealed {
    pub(super) fn of(reader: &Reader, record: &PileRecord, entries: &[Entry]) -> Result<Sealed, StoreError> {
        let read = read_days(reader, record)?;
        let entered = entries.iter().map(|entry| day_of(At(entry.entry.entered_ms))).max();
        let last = entered.into_iter().chain([read.1]).max().unwrap_or(read.1);
        let probes = probes_of(record);
        let mut days = reader.sealed_days(read.0 - PILE_BEFORE, NaiveDate::MAX)?;
        days.drain(..beginning(&days, &record.id, read.0));
        let is_late = |line: &String| {
            // `2026-05-10T11:00:00.000Z 57.0625 temperature C k1`
            let at = line.get(..10).and_then(|day| day.parse::<NaiveDate>().ok());
            at.is_some_and(|at| (read.0..=read.1).contains(&at))
                && line.splitn(5, ' ').nth(4).is_some_and(|probe| probes.contains(probe))
        };
        let concerns = |day: &SealedDay| day.section.day <= last || day.section.late.iter().any(is_late);
        days.truncate(days.iter().rposition(concerns).map_or(0, |last| last + 1));
        let stays = Stays::of(record, days.iter().map(|day| &day.section));
        Ok(Sealed { days, read, stays })
    }

    /// The newest of them.
    pub fn head(&self) -> Option<Head> {
        self.days.last().map(|last| Head { seq: last.section.seq, digest: last.digest })
    }
}

/// Where the days of a pile begin: where it says something first, or where it was sealed first.
fn beginning(days: &[SealedDay], pile: &str, first: NaiveDate) -> usize {
    let says = days.partition_point(|day| day.section.day < first);
    let holds = |day: &SealedDay| probes::newest(pile, std::iter::once(&day.section)).is_some();
    days.iter().position(holds).map_or(says, |sealed| sealed.min(says))
}

fn probes_of(record: &PileRecord) -> BTreeSet<&str> {
    record.placements.iter().map(|placement| placement.probe.as_str()).collect()
}

/// First and last day of the pile's probes in it.
fn read_days(reader: &Reader, record: &PileRecord) -> Result<(NaiveDate, NaiveDate), StoreError> {
    let latest = reader.latest()?;
    let from = record.placements.iter().map(|placement| placement.from_ms).chain([record.built_ms]).min();
    let ends = record.placements.iter().filter_map(|placement| {
        let of_probe = latest.iter().filter(|latest| latest.key.probe.as_str() == placement.probe);
        let newest = of_probe.map(|latest| latest.reading.at.0).max()?;
        Some(newest.min(placement.until_ms.unwrap_or(i64::MAX)))
    });
    let to = ends.chain([record.built_ms]).max();
    Ok((day_of(At(from.unwrap_or(record.built_ms))), day_of(At(to.unwrap_or(record.built_ms)))))
}

/// Writes the sealed days of the facts, and the digests of everything that is in the folder.
pub(super) fn write(facts: &Facts, reader: &Reader, folder: &Path) -> Result<(), FolderProblem> {
    put(folder, "verify.sh", SCRIPT.as_bytes())?;
    let made = |path: &Path| {
        fs::create_dir_all(path)
            .map_err(|error| FolderProblem::Write { file: path.display().to_string(), error })
    };
    let sealed = folder.join(FOLDER);
    for day in &facts.sealed.days {
        made(&sealed)?;
        put(&sealed, &(name_of(day.section.seq, day.section.day) + ".txt"), day.text.as_bytes())?;
    }
    if let Some(head) = facts.sealed.head() {
        put(folder, HEAD, head.text().as_bytes())?;
        probes::write(&facts.sealed.stays, &sealed)?;
    }
    let of_pile = probes_of(&facts.record);
    let (first, last) = facts.sealed.read;
    let mut next = facts.sealed.days.iter();
    reader.readings_of_days(
        facts.sealed.days.iter().map(|day| day.section.day),
        |key| of_pile.contains(key.probe.as_str()) || facts.sealed.stays.name(key.probe.as_str()),
        |day, readings| {
            let seq = next.next().map_or(0, |day| day.section.seq);
            let of_day = sealed.join(name_of(seq, day));
            made(&of_day)?;
            put(&of_day, LIST, readings.list.as_bytes())?;
            let mut texts = readings
                .texts
                .iter()
                .filter(|series| (first..=last).contains(&day) || facts.sealed.stays.have(day, &series.file));
            texts.try_for_each(|series| put(&of_day, &series.file, series.text.as_bytes()))
        },
    )?;
    sums(folder)
}

fn sums(folder: &Path) -> Result<(), FolderProblem> {
    let refused = |error| FolderProblem::Write { file: folder.join(SUMS).display().to_string(), error };
    let mut lines = String::new();
    for name in files_in(folder).map_err(refused)? {
        let digest = sha256_of(&folder.join(&name)).map_err(refused)?;
        lines.extend([&digest, "  ", &name, "\n"]);
    }
    put(folder, SUMS, lines.as_bytes())
}

/// Every file in a folder and in its folders, by names from there, in order.
fn files_in(folder: &Path) -> std::io::Result<Vec<String>> {
    let (mut names, mut folders) = (Vec::new(), vec![PathBuf::new()]);
    while let Some(inner) = folders.pop() {
        for one in fs::read_dir(folder.join(&inner))? {
            let (one, path) = one.map(|one| (one.file_type(), inner.join(one.file_name())))?;
            if one?.is_dir() {
                folders.push(path);
            } else {
                names.push(path.to_string_lossy().into_owned());
            }
        }
    }
    names.sort();
    Ok(names)
}
