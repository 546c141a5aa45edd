//! The tables of a folder against its sealed days: `readings.csv`, `entries.jsonl` and what follows from them.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use chrono::NaiveDate;
use heapward_rules::ids::{SpotName, StandardId};
use heapward_rules::judge::Judge;
use heapward_rules::pile::Pile;
use heapward_rules::reading::{Reading, Source, Unit};
use heapward_rules::standard::Standard;
use heapward_rules::units::At;

use super::chain::{Day, doubt, text};
use super::day_of;
use super::probes::newest;
use crate::exchange::judgement_json::JudgementJson;
use crate::exchange::{log_csv, pile_toml, readings_csv};
use crate::model::entry::Entry;
use crate::model::reading::{parse_unit, unit_word};
use crate::model::time::parse_rfc3339;
use crate::record::files::tables;
use crate::recorder::facts::{self, hand_readings};
use crate::store::Doubt;

/// What one source said on one day, as instants and bits of the values.
type Said = BTreeSet<(At, u64)>;
/// Probe and word of the unit.
type Series = (String, &'static str);

const READINGS: &str = "readings.csv";
const ENTRIES: &str = "entries.jsonl";
const LOG: &str = "log.csv";
const PILE: &str = "pile.toml";
const VERDICT: &str = "verdict.json";

/// The files that a judge needs, and what they hold.
struct Judged {
    pile: Pile,
    standards: Vec<Standard>,
    readings: Vec<Reading>,
}

/// Compares; how far the readings are sealed, in words. `known` are the standards that a pile may name.
pub(super) fn tables(
    folder: &Path,
    known: &BTreeMap<StandardId, Standard>,
    days: &[Day],
    doubts: &mut Vec<Doubt>,
) -> Option<String> {
    let entries = match entries(folder) {
        Ok(entries) => entries,
        Err(unread) => {
            doubts.push(unread);
            return None;
        }
    };
    logged(&entries, days, doubts);
    match text(folder, LOG) {
        Ok(log)
            if log == tables::log(&entries.iter().map(|(entry, _)| entry.clone()).collect::<Vec<_>>()) => {}
        Ok(_) => doubts.push(doubt(LOG, None, format!("it is not what follows from {ENTRIES}"))),
        Err(unread) => doubts.push(unread),
    }
    match judged(folder, known) {
        Ok(judged) => {
            sealed_pile(&judged.pile, days, doubts);
            let looked = read(&judged, &entries, days, doubts);
            verdict(folder, &judged, doubts);
            Some(looked)
        }
        Err(unread) => {
            doubts.push(unread);
            None
        }
    }
}

/// Which pile a folder is of: the log says it, which is sealed; where there is none, the pile's file.
pub(super) fn pile(folder: &Path) -> Option<String> {
    let logged = entries(folder).ok()?.into_iter().find_map(|(entry, _)| entry.entry.pile);
    let of_file =
        || text(folder, PILE).ok()?.parse::<toml::Table>().ok()?.get("id")?.as_str().map(str::to_owned);
    logged.or_else(of_file)
}

/// The entries with the lines that hold them.
fn entries(folder: &Path) -> Result<Vec<(Entry, String)>, Doubt> {
    let text = text(folder, ENTRIES)?;
    let parsed = text.lines().map(|line| {
        let entry = serde_json::from_str(line);
        entry.map(|entry| (entry, line.to_owned())).map_err(|error| doubt(ENTRIES, None, error.to_string()))
    });
    parsed.collect()
}

/// Every entry is in a sealed day word for word, and every sealed entry about the pile is here.
fn logged(entries: &[(Entry, String)], days: &[Day], doubts: &mut Vec<Doubt>) {
    let Some(last) = days.last().map(|last| last.section.day) else { return };
    let sealed: BTreeSet<&str> =
        days.iter().flat_map(|day| &day.section.entries).map(String::as_str).collect();
    for (entry, line) in entries {
        let day = day_of(At(entry.entry.entered_ms));
        if day <= last && !sealed.contains(line.as_str()) {
            doubts.push(doubt(ENTRIES, Some(day), format!("entry {} is not as it was sealed", entry.seq)));
        }
    }
    let pile = entries.first().and_then(|(entry, _)| entry.entry.pile.clone());
    let here: BTreeSet<&str> = entries.iter().map(|(_, line)| line.as_str()).collect();
    for day in days {
        let gone = day.section.entries.iter().filter(|line| !here.contains(line.as_str()));
        let of_pile = gone.filter(|line| {
            serde_json::from_str::<Entry>(line).is_ok_and(|entry| pile.is_some() && entry.entry.pile == pile)
        });
        doubts.extend(
            of_pile.map(|_| doubt(ENTRIES, Some(day.section.day), "an entry of this day is missing")),
        );
    }
}

fn judged(folder: &Path, known: &BTreeMap<StandardId, Standard>) -> Result<Judged, Doubt> {
    let said = |problem: crate::exchange::FileProblem| doubt(&problem.file, None, problem.what);
    let (pile, standards) = pile_toml::read(PILE, text(folder, PILE)?.as_bytes(), known).map_err(said)?;
    let spots: Vec<SpotName> = pile.spots.iter().map(|spot| spot.name.clone()).collect();
    let readings = readings_csv::read(READINGS, text(folder, READINGS)?.as_bytes(), &spots).map_err(said)?;
    Ok(Judged { pile, standards, readings })
}

/// The pile is the one that was sealed. What may change later is left out: placements have a check of their own, and the
/// recipe is often written down when the pile stands already.
fn sealed_pile(pile: &Pile, days: &[Day], doubts: &mut Vec<Doubt>) {
    let Some(sealed) = newest(pile.id.as_str(), days.iter().map(|day| &day.section)) else { return };
    let lasting = |pile: Pile| Pile { placements: Vec::new(), initial_cn: None, ..pile };
    match facts::pile(&sealed, |_| true) {
        Ok(sealed) if lasting(sealed.clone()) == lasting(pile.clone()) => {}
        Ok(_) => doubts.push(doubt(PILE, None, "it is not the pile that was sealed")),
        Err(what) => {
            doubts.push(doubt(PILE, None, format!("the pile that was sealed can't be read: {what}")));
        }
    }
}

/// Every reading of a probe is a sealed one or was listed as late, and none that was sealed is missing. How many are
/// not sealed yet, in words.
fn read(judged: &Judged, entries: &[(Entry, String)], days: &[Day], doubts: &mut Vec<Doubt>) -> String {
    let mut here: BTreeMap<(NaiveDate, Series), Said> = BTreeMap::new();
    let mut by_hand = Vec::new();
    for reading in &judged.readings {
        match &reading.source {
            Source::Probe(probe) => {
                let series = (probe.to_string(), unit_word(reading.unit));
                let said = here.entry((day_of(reading.at), series)).or_default();
                said.insert((reading.at, reading.value.to_bits()));
            }
            Source::Hand(_) => by_hand.push(reading.clone()),
        }
    }
    let entries: Vec<Entry> = entries.iter().map(|(entry, _)| entry.clone()).collect();
    if by_hand != hand_readings(&entries) {
        doubts.push(doubt(READINGS, None, format!("its readings by hand are not those of {ENTRIES}")));
    }
    let (sealed, late) = (sealed_readings(days), late_readings(days));
    let last = days.last().map(|last| last.section.day);
    let mut open = 0;
    for ((day, series), said) in &here {
        let of_day = sealed.get(&(*day, series.clone()));
        let is_known = |one: &&(At, u64)| {
            of_day.is_some_and(|of_day| of_day.contains(one)) || late.contains(&(series.clone(), **one))
        };
        let unknown = said.iter().filter(|one| !is_known(one)).count();
        if last.is_none_or(|last| *day > last) {
            open += unknown;
        } else if unknown > 0 {
            let what = format!(
                "{unknown} readings of {} are in no sealed day: they came after the last of them, or were changed or added",
                series.0
            );
            doubts.push(doubt(READINGS, Some(*day), what));
        }
    }
    for ((day, series), said) in &sealed {
        let Some((from, until)) = window(&judged.pile, series) else { continue };
        let of_day = here.get(&(*day, series.clone()));
        let is_gone = |(at, bits): &&(At, u64)| {
            (from..until).contains(at) && !of_day.is_some_and(|of_day| of_day.contains(&(*at, *bits)))
        };
        let gone = said.iter().filter(is_gone).count();
        if gone > 0 {
            let what = format!("{gone} readings of {} that were sealed are missing", series.0);
            doubts.push(doubt(READINGS, Some(*day), what));
        }
    }
    match (open, last) {
        (0, _) => format!("Every reading by a probe in {READINGS} is one that was sealed."),
        (open, Some(last)) => {
            format!("{open} readings in {READINGS} are later than {last}: no day of theirs was sealed.")
        }
        (open, None) => format!(
            "No day was sealed when this was written: nothing holds the {open} readings in {READINGS}."
        ),
    }
}

/// What the texts say, by day and series.
fn sealed_readings(days: &[Day]) -> BTreeMap<(NaiveDate, Series), Said> {
    let mut sealed: BTreeMap<(NaiveDate, Series), Said> = BTreeMap::new();
    for day in days {
        for (_, text) in &day.texts {
            let Some((series, lines)) = text.split_once('\n') else { continue };
            let Some(series) = series.strip_prefix("series ").and_then(series_of) else { continue };
            let said = sealed.entry((day.section.day, series)).or_default();
            said.extend(lines.lines().filter_map(|line| {
                let (at, value) = line.split_once(' ')?;
                Some((parse_rfc3339(at)?, value.parse::<f64>().ok()?.to_bits()))
            }));
        }
    }
    sealed
}

fn late_readings(days: &[Day]) -> BTreeSet<(Series, (At, u64))> {
    let lines = days.iter().flat_map(|day| &day.section.late);
    let late = lines.filter_map(|line| {
        let mut words = line.splitn(3, ' ');
        let at = parse_rfc3339(words.next()?)?;
        let value: f64 = words.next()?.parse().ok()?;
        Some((series_of(words.next()?)?, (at, value.to_bits())))
    });
    late.collect()
}

/// Of `temperature C k1`.
fn series_of(text: &str) -> Option<Series> {
    let mut words = text.splitn(3, ' ').skip(1);
    let unit = parse_unit(words.next()?)?;
    Some((words.next()?.to_owned(), unit_word(unit)))
}

/// When a thermometer stood in the pile, first to last; what other probes said is only part of the table.
fn window(pile: &Pile, (probe, unit): &Series) -> Option<(At, At)> {
    if ![Unit::Celsius, Unit::Fahrenheit].map(unit_word).contains(unit) {
        return None;
    }
    let placed = pile.placements.iter().filter(|placement| placement.probe.as_str() == probe);
    let ends = placed.map(|placement| (placement.from, placement.until.unwrap_or(At::MAX)));
    ends.reduce(|(from, until), (other_from, other_until)| (from.min(other_from), until.max(other_until)))
}

/// The verdict is what the judge says of these files.
fn verdict(folder: &Path, judged: &Judged, doubts: &mut Vec<Doubt>) {
    let spots: Vec<SpotName> = judged.pile.spots.iter().map(|spot| spot.name.clone()).collect();
    let judge = || {
        let log = log_csv::read(LOG, text(folder, LOG)?.as_bytes(), &spots)
            .map_err(|problem| doubt(LOG, None, problem.to_string()))?;
        let judge = Judge::of_set(judged.pile.clone(), judged.standards.clone(), &log, &judged.readings);
        let now = serde_json::to_value(JudgementJson::new(&judge.pile().id, &judge.judgement()));
        let then = serde_json::from_str::<serde_json::Value>(&text(folder, VERDICT)?);
        let read = now.and_then(|now| Ok(now == then?));
        read.map_err(|error| doubt(VERDICT, None, error.to_string()))
    };
    match judge() {
        Ok(true) => {}
        Ok(false) => {
            let what = format!("it is not what this version judges of {PILE}, {READINGS} and {LOG}");
            doubts.push(doubt(VERDICT, None, what));
        }
        Err(unread) => doubts.push(unread),
    }
}
