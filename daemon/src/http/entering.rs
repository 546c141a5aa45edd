//! What people enter, by a form or by the API, checked before it goes to the recorder.
//!
//! The recorder checks what only it can know (order, contradictions); here is what the words and figures may be.

use heapward_rules::ids::is_plain_name;
use heapward_rules::units::{At, Span};

use super::problem::{Problem, shown};
use crate::limits::{ENTRY_AHEAD_MINUTES_MAX, FIELD_CHARS_MAX, NOTE_CHARS_MAX, SPOTS_MAX};
use crate::model::entry::Event;
use crate::model::pile::{PileRecord, PlacementRecord};
use crate::model::words::{
    material_choices, method_choices, parse_material, parse_method, parse_zone, zone_choices,
};

pub(super) const SQUEEZES: [&str; 3] = ["dry", "right", "wet"];
pub(super) const SMELLS: [&str; 5] = ["none", "earthy", "sour", "ammonia", "rotten"];

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

/// A note may have several lines.
pub(super) fn note(text: &str) -> Checked {
    if text.chars().count() > NOTE_CHARS_MAX {
        return Err(Problem::bad(format!("the note is longer than {NOTE_CHARS_MAX} characters")));
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

/// When something happened: not ahead of the clock.
pub(super) fn happened(at: At, now: At) -> Checked {
    if at > now + Span::minutes(ENTRY_AHEAD_MINUTES_MAX) {
        return Err(Problem::bad("`at` lies in the future; write when it happened"));
    }
    Ok(())
}

fn choice<T>(key: &str, given: &str, found: Option<T>, known: &str) -> Checked {
    match found {
        Some(_) => Ok(()),
        None => Err(Problem::bad(format!("`{key}` can't be `{}`; it is {known}", shown(given)))),
    }
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

fn plain(key: &str, name: &str) -> Checked {
    if is_plain_name(name) && name.len() <= 60 {
        return Ok(());
    }
    Err(Problem::bad(format!("`{key}` can't be `{}`; use small letters, digits and dashes", shown(name))))
}

fn spot_of(pile: &PileRecord, spot: &str) -> Checked {
    if pile.spots.iter().any(|one| one.name == spot) {
        return Ok(());
    }
    let names: Vec<&str> = pile.spots.iter().map(|one| one.name.as_str()).collect();
    Err(Problem::bad(format!("pile {} has no spot `{}`; it has {}", pile.id, shown(spot), names.join(", "))))
}

/// A new pile. `standards` are those that are known.
pub(super) fn pile(pile: &PileRecord, standards: &[&str], now: At) -> Checked {
    plain("pile", &pile.id)?;
    text("bay", pile.bay.as_deref().unwrap_or_default())?;
    choice("method", &pile.method, parse_method(&pile.method), &method_choices())?;
    choice("material", &pile.material, parse_material(&pile.material), &material_choices())?;
    happened(At(pile.built_ms), now)?;
    number("initial_cn", pile.initial_cn, 1.0, 1_000.0)?;
    for standard in &pile.standards {
        word("standards", standard, standards)?;
    }
    if pile.spots.is_empty() || pile.spots.len() > SPOTS_MAX {
        return Err(Problem::bad(format!("a pile has 1 to {SPOTS_MAX} spots")));
    }
    for (index, spot) in pile.spots.iter().enumerate() {
        plain("spot", &spot.name)?;
        choice("zone", &spot.zone, parse_zone(&spot.zone), &zone_choices())?;
        number("depth_in", spot.depth_in, 0.0, 240.0)?;
        if pile.spots[..index].iter().any(|other| other.name == spot.name) {
            return Err(Problem::bad(format!("the spot `{}` is given twice", spot.name)));
        }
    }
    Ok(())
}

pub(super) fn placement(placement: &PlacementRecord, pile: &PileRecord, now: At) -> Checked {
    text("probe", &placement.probe)?;
    if placement.probe.is_empty() {
        return Err(Problem::bad("`probe` is the probe's name in heapward.toml"));
    }
    spot_of(pile, &placement.spot)?;
    happened(At(placement.from_ms), now)?;
    if !(1_000..=86_400_000).contains(&placement.every_ms) {
        return Err(Problem::bad("`every` is from 1s to 1d"));
    }
    number("offset_c", Some(placement.offset_c), -20.0, 20.0)
}

/// What people may enter by hand: not what the daemon concludes, nor what has its own way in.
pub(super) fn event(event: &Event, pile: &PileRecord) -> Checked {
    match event {
        Event::Turned | Event::MovedToCuring | Event::Note => Ok(()),
        Event::MaterialAdded { what } => text("what", what),
        Event::SpotGivenUp { spot, reason } => {
            spot_of(pile, spot)?;
            needed("reason", reason)
        }
        Event::Watered { litres } => number("litres", *litres, 0.0, 1e6),
        Event::Covered { depth_in } => number("depth_in", *depth_in, 0.0, 240.0),
        Event::AerationChanged { on_seconds, off_seconds } => {
            number("on_seconds", on_seconds.map(f64::from), 0.0, 86_400.0)?;
            number("off_seconds", off_seconds.map(f64::from), 0.0, 86_400.0)
        }
        Event::HandReading { spot, value, unit } => {
            spot_of(pile, spot)?;
            word("unit", unit, &["C", "F"])?;
            number("value", Some(*value), -1_000.0, 1_000.0)
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
        Event::Used { bed, cubic_yards, crop } => {
            needed("bed", bed)?;
            number("cubic_yards", *cubic_yards, 0.0, 10_000.0)?;
            text("crop", crop.as_deref().unwrap_or_default())
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

fn needed(key: &str, given: &str) -> Checked {
    if given.trim().is_empty() {
        return Err(Problem::bad(format!("`{key}` is missing")));
    }
    text(key, given)
}
