//! What people enter, checked before it is written: piles, placements, entries of the log.

use heapward_rules::ids::is_plain_name;
use heapward_rules::reading::{Unit, reported_c};
use heapward_rules::units::{At, Celsius};

use super::facts;
use super::handle::Refusal;
use crate::limits::{ENTRY_AHEAD_MAX, NOTE_CHARS_MAX};
use crate::model::entry::{Entry, Event, NewEntry};
use crate::model::pile::{PileRecord, PlacementRecord};
use crate::model::reading::parse_unit;
use crate::model::time::rfc3339;

/// What a person can have read off a thermometer in or at a pile.
const HAND_C: (Celsius, Celsius) = (Celsius(-40.0), Celsius(110.0));

fn wrong<T>(what: impl Into<String>) -> Result<T, Refusal> {
    Err(Refusal::Wrong(what.into()))
}

/// Checks a new pile; `piles` are those that exist.
pub fn new_pile(
    pile: &PileRecord,
    piles: &[&PileRecord],
    known_standards: &[&str],
    now: At,
) -> Result<(), Refusal> {
    if !is_plain_name(&pile.id) {
        return wrong(format!(
            "pile `{}`: write small letters, digits and hyphens, such as 2026-03",
            pile.id
        ));
    }
    if piles.iter().any(|other| other.id == pile.id) {
        return Err(Refusal::Conflict(format!("there is a pile {} already; choose another name", pile.id)));
    }
    not_ahead(At(pile.built_ms), now)?;
    if pile.spots.is_empty() {
        return wrong("a pile needs at least one spot, such as core-north in zone core");
    }
    for (index, spot) in pile.spots.iter().enumerate() {
        if !is_plain_name(&spot.name) {
            return wrong(format!("spot `{}`: write small letters, digits and hyphens", spot.name));
        }
        if pile.spots.iter().take(index).any(|other| other.name == spot.name) {
            return wrong(format!("there are two spots `{}`; give each its own name", spot.name));
        }
    }
    if let Some(unknown) = pile.standards.iter().find(|id| !known_standards.contains(&id.as_str())) {
        return wrong(format!(
            "standard `{unknown}` is not known; write one of: {}",
            known_standards.join(", ")
        ));
    }
    if pile.initial_cn.is_some_and(|cn| !(cn.is_finite() && cn > 0.0)) {
        return wrong("initial_cn: write the carbon to nitrogen ratio of the recipe, such as 30");
    }
    facts::pile(pile, |_| true).map(|_| ()).or_else(wrong)
}

/// Puts a placement into a pile's record: it ends what stood at the spot, and where the probe stood before.
pub fn place(
    record: &mut PileRecord,
    placement: &PlacementRecord,
    same_quantity: impl Fn(&str) -> bool,
) -> Result<(), Refusal> {
    if !record.spots.iter().any(|spot| spot.name == placement.spot) {
        let names: Vec<&str> = record.spots.iter().map(|spot| spot.name.as_str()).collect();
        return Err(Refusal::Unknown(format!(
            "pile {} has no spot `{}`; it has {}",
            record.id,
            placement.spot,
            names.join(", ")
        )));
    }
    if placement.probe.is_empty() {
        return wrong("probe: write the name that the probe has in the configuration");
    }
    if placement.every_ms <= 0 || placement.until_ms.is_some_and(|until| until <= placement.from_ms) {
        return wrong("a placement needs an interval above zero, and an end after its beginning");
    }
    for other in &mut record.placements {
        let ends =
            other.probe == placement.probe || (other.spot == placement.spot && same_quantity(&other.probe));
        if !ends {
            continue;
        }
        if other.from_ms == placement.from_ms {
            return Err(Refusal::Conflict(format!(
                "{} was placed at {} at that very time already; correct that entry, or give another time",
                other.probe, other.spot
            )));
        }
        end_at(other, placement.from_ms);
    }
    record.placements.push(placement.clone());
    record.placements.sort_by_key(|placement| placement.from_ms);
    Ok(())
}

/// Ends a placement at an instant, if it was in force then.
pub fn end_at(placement: &mut PlacementRecord, at_ms: i64) {
    let in_force = placement.from_ms < at_ms && placement.until_ms.is_none_or(|until| until > at_ms);
    if in_force {
        placement.until_ms = Some(at_ms);
    }
}

/// Checks an entry against the pile that it is about and the entries of that pile.
pub fn entry(entry: &NewEntry, pile: Option<&PileRecord>, entries: &[Entry], now: At) -> Result<(), Refusal> {
    not_ahead(At(entry.at_ms), now)?;
    if entry.by.trim().is_empty() {
        return wrong("by: write the initials of who enters it");
    }
    if entry.note.chars().count() > NOTE_CHARS_MAX {
        return wrong(format!("the note is longer than {NOTE_CHARS_MAX} characters; shorten it"));
    }
    if let (Some(pile), Some(spot)) = (pile, spot_of(&entry.event))
        && !pile.spots.iter().any(|known| known.name == spot)
    {
        let names: Vec<&str> = pile.spots.iter().map(|spot| spot.name.as_str()).collect();
        return Err(Refusal::Unknown(format!(
            "pile {} has no spot `{spot}`; it has {}",
            pile.id,
            names.join(", ")
        )));
    }
    match &entry.event {
        Event::HandReading { value, unit, .. } => hand_reading(*value, unit)?,
        Event::SpotGivenUp { reason, .. } if reason.trim().is_empty() => {
            return wrong("reason: write why the spot is given up; the record prints it");
        }
        Event::Withdrawn { .. } if entry.corrects.is_none() => {
            return wrong("corrects: write the number of the entry that is withdrawn");
        }
        _ => {}
    }
    correction(entry, entries)
}

fn hand_reading(value: f64, unit: &str) -> Result<(), Refusal> {
    let c = parse_unit(unit)
        .filter(|unit| matches!(unit, Unit::Celsius | Unit::Fahrenheit))
        .and_then(|unit| reported_c(value, unit));
    match c {
        None => wrong(format!("unit `{unit}`: write C or F")),
        Some(c) if !c.0.is_finite() || c.is_below(HAND_C.0) || c.is_above(HAND_C.1) => wrong(format!(
            "{value} {unit} is no temperature of a pile; look at the thermometer and its unit again"
        )),
        Some(_) => Ok(()),
    }
}

fn correction(entry: &NewEntry, entries: &[Entry]) -> Result<(), Refusal> {
    let Some(seq) = entry.corrects else { return Ok(()) };
    let Some(old) = entries.iter().find(|old| old.seq == seq) else {
        return Err(Refusal::Unknown(format!("there is no entry {seq} of this pile to correct")));
    };
    if entries.iter().any(|other| other.entry.corrects == Some(seq)) {
        return Err(Refusal::Conflict(format!("entry {seq} was corrected already; correct the newer one")));
    }
    let by_daemon = matches!(
        old.entry.event,
        Event::RunQualified { .. }
            | Event::RunBroken { .. }
            | Event::VerdictAmended { .. }
            | Event::RecordEvent { .. }
            | Event::Withdrawn { .. }
    );
    if by_daemon || matches!(old.entry.event, Event::Built) {
        return wrong(format!("entry {seq} cannot be corrected: it follows from the others"));
    }
    Ok(())
}

fn spot_of(event: &Event) -> Option<&str> {
    match event {
        Event::SpotGivenUp { spot, .. }
        | Event::HandReading { spot, .. }
        | Event::ProbePlaced { spot, .. } => Some(spot),
        _ => None,
    }
}

fn not_ahead(at: At, now: At) -> Result<(), Refusal> {
    if at > now + ENTRY_AHEAD_MAX {
        return wrong(format!(
            "{} lies ahead of the clock ({}); write when it happened",
            rfc3339(at),
            rfc3339(now)
        ));
    }
    Ok(())
}
