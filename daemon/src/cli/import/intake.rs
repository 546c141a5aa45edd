//! Imported readings on their way into the store.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use heapward_rules::ids::ProbeId;
use heapward_rules::reading::{Quantity, Reading, Source, Unit, same_value};
use heapward_rules::units::At;

use super::super::Failure;
use crate::config::Config;
use crate::limits::{ENTRY_AHEAD_MAX, IMPORT_SLICE_READINGS};
use crate::model::entry::{Entry, Event, NewEntry};
use crate::model::pile::PileRecord;
use crate::model::reading::{SeriesKey, unit_word};
use crate::model::time::rfc3339;
use crate::recorder::facts::{hand_readings, in_force};
use crate::recorder::{all_entries, entering};
use crate::store::{Fate, NewReading, Store, StoreError};

/// What is imported, by whom.
pub(super) struct Job {
    pub(super) file: String,
    pub(super) digest: String,
    pub(super) by: String,
    pub(super) pile: Option<PileRecord>,
    pub(super) now: At,
}

/// What became of it.
#[derive(Default)]
pub(super) struct Done {
    new: u64,
    known: u64,
    conflicts: u64,
    refused: u64,
    by_hand: u64,
    known_by_hand: u64,
    /// Probes that stand in no pile.
    unplaced: Vec<String>,
}

/// Before this nobody kept such a notebook: a year that was mistyped.
const EARLIEST: At = At(946_684_800_000);

/// Looks at the readings before anything is written.
pub(super) fn check(job: &Job, readings: &[Reading]) -> Result<(), Failure> {
    if job.by.trim().is_empty() {
        return Err(Failure::failed("--by: write the initials of who imports it. Nothing was taken"));
    }
    let strange = readings.iter().find(|one| one.at > job.now + ENTRY_AHEAD_MAX || one.at < EARLIEST);
    if let Some(one) = strange {
        return Err(Failure::failed(format!(
            "a reading is dated {}; look at the format, the year and the zone of the times. Nothing was taken",
            rfc3339(one.at)
        )));
    }
    let by_hand: Vec<&Reading> =
        readings.iter().filter(|one| matches!(one.source, Source::Hand(_))).collect();
    if by_hand.is_empty() {
        return Ok(());
    }
    let Some(pile) = &job.pile else {
        return Err(Failure::failed("readings by hand need their pile: add --pile ID. Nothing was taken"));
    };
    for reading in by_hand {
        if let Some(entry) = hand_entry(job, &pile.id, reading) {
            entering::entry(&entry, Some(pile), &[], job.now).map_err(|refusal| {
                Failure::failed(format!("{}: {refusal}. Nothing was taken", rfc3339(reading.at)))
            })?;
        }
    }
    Ok(())
}

/// Writes what the store does not have yet.
pub(super) fn take(
    job: &Job,
    store: &mut Store,
    config: &Config,
    readings: &[Reading],
) -> Result<Done, Failure> {
    write(job, store, config, readings).map_err(|error| {
        Failure::failed(format!("{error}; what was written stays, and the same import again takes the rest"))
    })
}

fn write(job: &Job, store: &mut Store, config: &Config, readings: &[Reading]) -> Result<Done, StoreError> {
    let mut done = Done::default();
    let mut new: BTreeMap<ProbeId, Vec<At>> = BTreeMap::new();
    let of_probes: Vec<&Reading> =
        readings.iter().filter(|one| matches!(one.source, Source::Probe(_))).collect();
    for slice in of_probes.chunks(IMPORT_SLICE_READINGS) {
        let mut rows = Vec::with_capacity(slice.len());
        for reading in slice {
            let Source::Probe(probe) = &reading.source else { continue };
            let key = SeriesKey {
                probe: probe.clone(),
                quantity: quantity(config, probe, reading.unit),
                unit: reading.unit,
            };
            rows.push(NewReading { series: store.series(&key)?, at: reading.at, value: reading.value });
        }
        for (fate, reading) in store.append(&rows)?.into_iter().zip(slice) {
            match fate {
                Fate::New => done.new += 1,
                Fate::Conflict => done.conflicts += 1,
                Fate::Repeated => done.known += 1,
                Fate::Refused => done.refused += 1,
            }
            if let (Fate::New | Fate::Conflict, Source::Probe(probe)) = (fate, &reading.source) {
                new.entry(probe.clone()).or_default().push(reading.at);
            }
        }
    }
    note(job, store, &new, &mut done)?;
    by_hand(job, store, readings, &mut done)?;
    Ok(done)
}

/// What a probe measures: as configured, else as its unit says.
fn quantity(config: &Config, probe: &ProbeId, unit: Unit) -> Quantity {
    let configured = config.probes.iter().find(|one| one.id == *probe).map(|one| one.quantity);
    match (unit, configured) {
        (Unit::Percent, Some(quantity @ (Quantity::Moisture | Quantity::Oxygen))) => quantity,
        (Unit::Percent, _) => Quantity::Moisture,
        _ => Quantity::Temperature,
    }
}

/// The log says that readings did not come by themselves, in each pile where their probes stood.
fn note(
    job: &Job,
    store: &mut Store,
    new: &BTreeMap<ProbeId, Vec<At>>,
    done: &mut Done,
) -> Result<(), StoreError> {
    if new.is_empty() {
        return Ok(());
    }
    let piles = store.reader().piles()?;
    let mut entries = Vec::new();
    for pile in &piles {
        let mut said: Vec<String> = Vec::new();
        for (probe, instants) in new {
            let here = |at: &&At| {
                pile.placements.iter().any(|one| {
                    one.probe == probe.as_str()
                        && one.from_ms <= at.0
                        && one.until_ms.is_none_or(|until| at.0 < until)
                })
            };
            let count = instants.iter().filter(here).count();
            if count > 0 {
                said.push(format!("{count} readings of {probe}"));
            }
        }
        if !said.is_empty() {
            entries.push(entry(job, Some(pile.id.clone()), &said.join(", ")));
        }
    }
    for probe in new.keys() {
        if !piles.iter().any(|pile| pile.placements.iter().any(|one| one.probe == probe.as_str())) {
            done.unplaced.push(probe.to_string());
        }
    }
    if entries.is_empty() {
        let count: usize = new.values().map(Vec::len).sum();
        entries.push(entry(job, None, &format!("{count} readings of probes that stand in no pile")));
    }
    store.transact(|tx| entries.iter().try_for_each(|entry| tx.append_entry(entry.clone()).map(|_| ())))
}

fn entry(job: &Job, pile: Option<String>, said: &str) -> NewEntry {
    NewEntry {
        pile,
        at_ms: job.now.0,
        entered_ms: job.now.0,
        by: job.by.clone(),
        note: String::new(),
        corrects: None,
        event: Event::RecordEvent {
            what: format!("imported {said} from {} (SHA-256 {})", job.file, job.digest),
        },
    }
}

/// Readings by hand become entries, unless the log has them already.
fn by_hand(job: &Job, store: &mut Store, readings: &[Reading], done: &mut Done) -> Result<(), StoreError> {
    let Some(pile) = &job.pile else { return Ok(()) };
    let entries: Vec<Entry> = all_entries(&store.reader(), &pile.id)?;
    // What was corrected is known too: it would come back with each import.
    let mut known = hand_readings(&entries);
    let gone = entries.iter().filter(|entry| !in_force(&entries).any(|one| one.seq == entry.seq));
    known.extend(gone.filter_map(crate::recorder::facts::hand_reading));
    let mut new = Vec::new();
    for reading in readings.iter().filter(|one| matches!(one.source, Source::Hand(_))) {
        let is_known = known.iter().any(|one| {
            one.at == reading.at
                && one.source == reading.source
                && same_value((one.value, one.unit), (reading.value, reading.unit))
        });
        if is_known {
            done.known_by_hand += 1;
        } else if let Some(entry) = hand_entry(job, &pile.id, reading) {
            known.push(reading.clone());
            new.push(entry);
            done.by_hand += 1;
        }
    }
    store.transact(|tx| new.iter().try_for_each(|entry| tx.append_entry(entry.clone()).map(|_| ())))
}

fn hand_entry(job: &Job, pile: &str, reading: &Reading) -> Option<NewEntry> {
    let Source::Hand(spot) = &reading.source else { return None };
    Some(NewEntry {
        pile: Some(pile.to_owned()),
        at_ms: reading.at.0,
        entered_ms: job.now.0,
        by: job.by.clone(),
        note: format!("from {}", job.file),
        corrects: None,
        event: Event::HandReading {
            spot: spot.to_string(),
            value: reading.value,
            unit: unit_word(reading.unit).to_owned(),
        },
    })
}

// === impl Done ===

impl Done {
    pub(super) fn in_words(&self) -> String {
        let mut text = format!("By probes: {} new, {} known already", self.new, self.known);
        if self.conflicts > 0 {
            let _ = write!(
                text,
                ", {} in conflict with another value of the same instant: neither counts",
                self.conflicts
            );
        }
        if self.refused > 0 {
            let _ = write!(text, ", {} refused", self.refused);
        }
        let _ = writeln!(text, ". By hand: {} new, {} known already.", self.by_hand, self.known_by_hand);
        if !self.unplaced.is_empty() {
            let _ = writeln!(
                text,
                "{} stands in no pile: its readings are kept and prove nothing until `heapward pile place` says where \
                 it was.",
                self.unplaced.join(", ")
            );
        }
        text.push_str("The daemon judges everything anew when it starts.\n");
        text
    }
}
