//! What people enter, by a form or by the API: texts and figures that cannot be meant.
//!
//! The recorder checks what only it can know (names, order, contradictions); here is what a text may hold and how far
//! a figure may go.

use heapward_rules::recipe::dates::Date;
use heapward_rules::units::{At, Span};

use super::problem::{Problem, shown};
use crate::after::maturity;
use crate::limits::{ENTRY_AHEAD_MAX, FIELD_CHARS_MAX, NAME_CHARS_MAX, NOTE_CHARS_MAX, SPOTS_MAX};
use crate::mix::asked;
use crate::model::entry::{Event, NewEntry};
use crate::model::pile::{PileRecord, PlacementRecord};

pub(super) const SQUEEZES: [&str; 3] = ["dry", "right", "wet"];
pub(super) const SMELLS: [&str; 5] = ["none", "earthy", "sour", "ammonia", "rotten"];
const CLASSES: [&str; 5] = ["plant", "manure", "animal", "mixed", "paper"];

type Checked = Result<(), Problem>;

/// A text on one line.
pub(super) fn text(key: &str, text: &str) -> Checked {
    if text.chars().count() > FIELD_CHARS_MAX {
        return Err(Problem::bad(format!("`{key}` is longer than {FIELD_CHARS_MAX} characters")));
    }
    match text.chars().find(|c| is_hidden(*c)) {
        None => Ok(()),
        Some(c) => Err(Problem::bad(format!(
            "`{key}` holds the hidden character U+{:04X}; leave it out",
            u32::from(c)
        ))),
    }
}

/// What may be left out says something where it is given.
fn if_given(key: &str, given: Option<&str>) -> Checked {
    given.map_or(Ok(()), |given| needed(key, given))
}

/// A note may have several lines.
fn note(text: &str) -> Checked {
    if text.chars().count() > NOTE_CHARS_MAX {
        return Err(Problem::bad(format!("the note is longer than {NOTE_CHARS_MAX} characters; shorten it")));
    }
    match text.chars().find(|c| is_hidden(*c) && *c != '\n' && *c != '\r') {
        None => Ok(()),
        Some(c) => Err(Problem::bad(format!(
            "the note holds the hidden character U+{:04X}; leave it out",
            u32::from(c)
        ))),
    }
}

/// Control characters, and those that turn the direction of writing or can't be seen.
fn is_hidden(c: char) -> bool {
    c.is_control()
        || matches!(c, '\u{200b}'..='\u{200f}' | '\u{2028}'..='\u{202e}' | '\u{2060}'..='\u{2069}' | '\u{feff}')
}

fn word(key: &str, given: &str, known: &[&str]) -> Checked {
    if known.contains(&given) {
        return Ok(());
    }
    Err(Problem::bad(format!("`{key}` can't be `{}`; it is one of {}", shown(given), known.join(", "))))
}

fn number(key: &str, given: Option<f64>, from: f64, to: f64) -> Checked {
    match given {
        Some(number) if !(from..=to).contains(&number) => {
            Err(Problem::bad(format!("`{key}` is a number from {from} to {to}")))
        }
        _ => Ok(()),
    }
}

fn name(key: &str, name: &str) -> Checked {
    if name.len() > NAME_CHARS_MAX {
        return Err(Problem::bad(format!("`{key}` is longer than {NAME_CHARS_MAX} characters")));
    }
    text(key, name)
}

/// A new pile.
pub(super) fn pile(pile: &PileRecord) -> Checked {
    name("pile", &pile.id)?;
    in_our_time("built", At(pile.built_ms))?;
    pile.bay.as_deref().map_or(Ok(()), |bay| needed("bay", bay))?;
    number("initial_cn", pile.initial_cn, 1.0, 1_000.0)?;
    if pile.spots.len() > SPOTS_MAX {
        return Err(Problem::bad(format!("a pile has at most {SPOTS_MAX} spots")));
    }
    for spot in &pile.spots {
        name("spot", &spot.name)?;
        number("depth_in", spot.depth_in, 0.0, 240.0)?;
    }
    recipe(pile)?;
    settings(pile)
}

/// The material is at least what went in.
fn recipe(pile: &PileRecord) -> Checked {
    let Some(recipe) = &pile.recipe else { return Ok(()) };
    for part in &recipe.parts {
        if_given("mix", part.source.as_deref())?;
    }
    let holds = recipe.material();
    let good = match holds {
        "manure" => pile.material == "manure",
        "animal" => pile.material != "plant",
        _ => true,
    };
    if good {
        return Ok(());
    }
    Err(Problem::bad(format!(
        "by its recipe this is `{holds}`, not `{}`; write `{holds}` as its material",
        shown(&pile.material)
    )))
}

/// Settings are lengths of time and degrees: none below zero.
fn settings(pile: &PileRecord) -> Checked {
    let one = &pile.settings;
    let spans = [
        ("max_gap_ms", one.max_gap_ms),
        ("hand_gap_ms", one.hand_gap_ms),
        ("turn_allowance_ms", one.turn_allowance_ms),
        ("settle_ms", one.settle_ms),
    ];
    for (key, span) in spans {
        if span.is_some_and(|ms| !(0..=Span::days(31).0).contains(&ms)) {
            return Err(Problem::bad(format!("`{key}` is from 0 to 31 days in milliseconds")));
        }
    }
    number("guard_c", one.guard_c, 0.0, 20.0)?;
    let faults = one.fault_values_c.as_deref().unwrap_or_default();
    if faults.len() > 16 {
        return Err(Problem::bad("`fault_values_c` has at most 16 values"));
    }
    faults.iter().try_for_each(|value| number("fault_values_c", Some(*value), -300.0, 300.0))
}

pub(super) fn placement(placement: &PlacementRecord, now: At) -> Checked {
    name("probe", &placement.probe)?;
    in_our_time("from", At(placement.from_ms))?;
    if At(placement.from_ms) > now + ENTRY_AHEAD_MAX {
        return Err(Problem::bad(
            "the placement begins in the future; write since when the probe stands there",
        ));
    }
    if !(1_000..=86_400_000).contains(&placement.every_ms) {
        return Err(Problem::bad("`every` is from 1s to 1d"));
    }
    number("offset_c", Some(placement.offset_c), -20.0, 20.0)
}

/// Before this nobody kept such a notebook: a year that was mistyped.
const EARLIEST: At = At(946_684_800_000);

fn in_our_time(key: &str, at: At) -> Checked {
    if at < EARLIEST {
        return Err(Problem::bad(format!("`{key}` lies before the year 2000; look at the year again")));
    }
    Ok(())
}

pub(super) fn entry(entry: &NewEntry) -> Checked {
    in_our_time("at", At(entry.at_ms))?;
    note(&entry.note)?;
    text("by", &entry.by)?;
    event(&entry.event)
}

/// What people may enter by hand: not what the daemon concludes, nor what has its own way in.
fn event(event: &Event) -> Checked {
    match event {
        Event::Turned | Event::MovedToCuring | Event::Note => Ok(()),
        Event::Feedstock { name, class, amount, source } => {
            needed("name", name)?;
            word("class", class, &CLASSES)?;
            if_given("amount", amount.as_deref())?;
            if_given("source", source.as_deref())
        }
        Event::Recipe { initial_cn, moisture_percent, how } => {
            number("initial_cn", *initial_cn, 1.0, 1_000.0)?;
            number("moisture_percent", *moisture_percent, 0.0, 100.0)?;
            needed("how", how)
        }
        Event::Asked { .. } => asked::check(event).map_err(Problem::bad),
        Event::MaterialAdded { what } => text("what", what),
        Event::SpotGivenUp { spot, reason } => {
            text("spot", spot)?;
            needed("reason", reason)
        }
        Event::Watered { litres } => number("litres", *litres, 0.0, 1e6),
        Event::Covered { depth_in } => number("depth_in", *depth_in, 0.0, 240.0),
        Event::AerationChanged { on_seconds, off_seconds } => {
            number("on_seconds", on_seconds.map(f64::from), 0.0, 86_400.0)?;
            number("off_seconds", off_seconds.map(f64::from), 0.0, 86_400.0)
        }
        Event::HandReading { spot, unit, .. } => {
            text("spot", spot)?;
            text("unit", unit)
        }
        Event::Check { squeeze, smell, .. } => {
            squeeze.as_deref().map_or(Ok(()), |squeeze| word("squeeze", squeeze, &SQUEEZES))?;
            smell.as_deref().map_or(Ok(()), |smell| word("smell", smell, &SMELLS))
        }
        Event::ProbeRemoved { probe } => needed("probe", probe),
        Event::Calibration { probe, reference_c, read_c } => {
            needed("probe", probe)?;
            number("reference_c", Some(*reference_c), -40.0, 110.0)?;
            number("read_c", Some(*read_c), -40.0, 110.0)
        }
        Event::MaturityTested { test, figure, passed } => {
            text("test", test)?;
            maturity::check(test, *figure, *passed).map_err(Problem::bad)
        }
        Event::Used { bed, cubic_yards, crop, touches_soil: _, harvest } => {
            needed("bed", bed)?;
            number("cubic_yards", *cubic_yards, 0.0, 10_000.0)?;
            if_given("crop", crop.as_deref())?;
            date("harvest", harvest.as_deref())
        }
        Event::Withdrawn { reason } => needed("reason", reason),
        Event::Built | Event::ProbePlaced { .. } => {
            Err(Problem::bad("this is entered by starting a pile or placing a probe, not as an entry"))
        }
        Event::RunQualified { .. }
        | Event::RunBroken { .. }
        | Event::VerdictAmended { .. }
        | Event::RecordEvent { .. } => {
            Err(Problem::bad("this is what Heapward itself writes; nobody can enter it"))
        }
    }
}

fn date(key: &str, given: Option<&str>) -> Checked {
    match given.filter(|text| Date::parse(text).is_none()) {
        None => Ok(()),
        Some(text) => {
            Err(Problem::bad(format!("`{key}` can't be `{}`; write it as 2026-08-29", shown(text))))
        }
    }
}

pub(super) fn needed(key: &str, given: &str) -> Checked {
    if given.trim().is_empty() {
        return Err(Problem::bad(format!("`{key}` is missing")));
    }
    text(key, given)
}
