//! Where compost went, and from when on may be harvested there.

use chrono_tz::Tz;
use heapward_rules::recipe::dates::{Date, days_before_harvest, earliest_harvest};
use heapward_rules::units::At;
use heapward_rules::verdict::{Judgement, Status};

use super::day_of;
use crate::model::entry::{Entry, Event, NewEntry};
use crate::model::pile::PileRecord;
use crate::recorder::facts::in_force;

/// One bed that got of a pile.
#[derive(Clone, Debug, PartialEq)]
pub struct Use {
    pub at: At,
    pub bed: String,
    pub cubic_yards: Option<f64>,
    pub crop: Option<String>,
    pub touches_soil: Option<bool>,
    /// Planned harvest.
    pub harvest: Option<Date>,
    /// Where it was raw manure when it was worked in: not before these days.
    pub not_before: Option<NotBefore>,
}

/// 7 CFR 205.203(c)(1): 120 and 90 days after raw manure was worked in.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct NotBefore {
    /// Of crops whose edible part touches soil or its particles.
    pub soil: Date,
    pub no_soil: Date,
}

/// So long before a date it is reminded of.
pub const REMINDED_DAYS: i64 = 7;

pub fn of(record: &PileRecord, entries: &[Entry], judgement: &Judgement, zone: Tz) -> Vec<Use> {
    let mut uses: Vec<Use> = in_force(entries)
        .filter_map(|entry| {
            let Event::Used { bed, cubic_yards, crop, touches_soil, harvest } = &entry.entry.event else {
                return None;
            };
            let at = At(entry.entry.at_ms);
            let raw = is_raw_at(at, record, entries, judgement);
            Some(Use {
                at,
                bed: bed.clone(),
                cubic_yards: *cubic_yards,
                crop: crop.clone(),
                touches_soil: *touches_soil,
                harvest: harvest.as_deref().and_then(Date::parse),
                not_before: if raw { NotBefore::after(at, zone) } else { None },
            })
        })
        .collect();
    uses.sort_by_key(|one| one.at);
    uses
}

/// Whether what was taken at an instant is raw manure: it holds manure, and its lot had not qualified by then.
fn is_raw_at(at: At, record: &PileRecord, entries: &[Entry], judgement: &Judgement) -> bool {
    if record.material != "manure" {
        return false;
    }
    let added = |entry: &&Entry| matches!(entry.entry.event, Event::MaterialAdded { .. });
    let added: Vec<At> = in_force(entries).filter(added).map(|entry| At(entry.entry.at_ms)).collect();
    if added.iter().all(|added| *added <= at) {
        // The present lot, as it is judged now.
        let met = judgement.verdicts.iter().filter(|verdict| verdict.status == Status::Qualified);
        return !met.filter_map(|verdict| verdict.at).any(|met| met <= at);
    }
    // A lot that is over: what was concluded of it then.
    let lot = added.iter().copied().filter(|added| *added <= at).max().unwrap_or(At(record.built_ms));
    !in_force(entries).any(|entry| {
        let when = At(entry.entry.at_ms);
        matches!(entry.entry.event, Event::RunQualified { .. }) && when >= lot && when <= at
    })
}

/// Refuses a use with a harvest that is too early; the words are for the person who enters it.
pub fn refuse_early(
    entry: &NewEntry,
    record: &PileRecord,
    entries: &[Entry],
    judgement: &Judgement,
    zone: Tz,
) -> Result<(), String> {
    let Event::Used { touches_soil, harvest: Some(harvest), .. } = &entry.event else { return Ok(()) };
    let Some(harvest) = Date::parse(harvest) else {
        return Err(format!("harvest: `{harvest}` is no date; write it as 2026-08-29"));
    };
    let at = At(entry.at_ms);
    let Some(day) = day_of(at, zone) else { return Ok(()) };
    if harvest < day {
        return Err(format!("harvest: {harvest} lies before the day on which it was worked in, {day}"));
    }
    if !is_raw_at(at, record, entries, judgement) {
        return Ok(());
    }
    // Who does not say whether it touches the soil gets the longer wait.
    let touches = touches_soil.unwrap_or(true);
    let Some(earliest) = earliest_harvest(day, touches).filter(|earliest| harvest < *earliest) else {
        return Ok(());
    };
    Err(format!(
        "pile {} holds manure and had not qualified: it is raw manure, and a crop that {} the soil may be harvested from \
         {earliest} on, {} days after {day} (7 CFR 205.203(c)(1)), not on {harvest}. Harvest later, take another pile, or \
         write it down without a harvest",
        record.id,
        if touches { "touches" } else { "does not touch" },
        days_before_harvest(touches)
    ))
}

// === impl NotBefore ===

impl NotBefore {
    pub fn after(at: At, zone: Tz) -> Option<NotBefore> {
        let day = day_of(at, zone)?;
        Some(NotBefore { soil: earliest_harvest(day, true)?, no_soil: earliest_harvest(day, false)? })
    }
}

// === impl Use ===

impl Use {
    /// The date before which nothing may be harvested there, and what it is about.
    pub fn waits(&self) -> Option<Date> {
        let not_before = self.not_before?;
        Some(if self.touches_soil.unwrap_or(true) { not_before.soil } else { not_before.no_soil })
    }

    /// A sentence within the last days before the date, or before a harvest that is planned too early.
    pub fn reminder(&self, today: Date) -> Option<String> {
        let from = self.waits()?;
        let bed = &self.bed;
        let soon = |date: Date| (0..=REMINDED_DAYS).contains(&(date.number() - today.number()));
        if let Some(harvest) = self.harvest.filter(|harvest| *harvest < from && *harvest >= today) {
            return Some(format!("{bed}: not on {harvest}; raw manure, harvest from {from} on"));
        }
        soon(from).then(|| format!("{bed}: raw manure, harvest from {from} on"))
    }
}
