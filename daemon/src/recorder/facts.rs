//! A stored pile and its log in the rules' own types.

use std::collections::BTreeSet;

use heapward_rules::ids::{PileId, ProbeId, SpotName, StandardId};
use heapward_rules::log::{LogEntry, LogEvent};
use heapward_rules::pile::{Pile, Placement, Settings, Spot};
use heapward_rules::reading::{Reading, Source, Unit};
use heapward_rules::units::{At, Celsius, Span};

use crate::model::entry::{Entry, Event};
use crate::model::pile::{PileRecord, SettingsRecord};
use crate::model::reading::parse_unit;
use crate::model::words;

/// The pile for the judge. Only placements of probes for which `measures_temperature` holds are its: a moisture probe
/// may stand at the same spot. What is wrong with a record comes back in words.
pub fn pile(record: &PileRecord, measures_temperature: impl Fn(&str) -> bool) -> Result<Pile, String> {
    let spots = record.spots.iter().map(|spot| {
        Ok(Spot {
            name: SpotName::new(spot.name.as_str()),
            zone: words::parse_zone(&spot.zone).ok_or_else(|| {
                format!("zone `{}` is not known; write {}", spot.zone, words::zone_choices())
            })?,
            depth_in: spot.depth_in,
            watched_only: spot.watched_only,
        })
    });
    let placements = record.placements.iter().filter(|placement| measures_temperature(&placement.probe));
    Ok(Pile {
        id: PileId::new(record.id.as_str()),
        method: words::parse_method(&record.method).ok_or_else(|| {
            format!("method `{}` is not known; write {}", record.method, words::method_choices())
        })?,
        material: words::parse_material(&record.material).ok_or_else(|| {
            format!("material `{}` is not known; write {}", record.material, words::material_choices())
        })?,
        built: At(record.built_ms),
        initial_cn: record.initial_cn,
        standards: record.standards.iter().map(|id| StandardId::new(id.as_str())).collect(),
        spots: spots.collect::<Result<_, String>>()?,
        placements: placements
            .map(|placement| Placement {
                probe: ProbeId::new(placement.probe.as_str()),
                spot: SpotName::new(placement.spot.as_str()),
                from: At(placement.from_ms),
                until: placement.until_ms.map(At),
                every: Span(placement.every_ms),
                offset_c: placement.offset_c,
            })
            .collect(),
        settings: settings(&record.settings)?,
    })
}

fn settings(record: &SettingsRecord) -> Result<Settings, String> {
    let default = Settings::default();
    let agreement = match &record.agreement {
        None => default.agreement,
        Some(word) => words::parse_agreement(word)
            .ok_or_else(|| format!("agreement `{word}` is not known; write each or together"))?,
    };
    let or = |ms: Option<i64>, default: Span| ms.map_or(default, Span);
    Ok(Settings {
        max_gap: or(record.max_gap_ms, default.max_gap),
        hand_gap: or(record.hand_gap_ms, default.hand_gap),
        turn_allowance: or(record.turn_allowance_ms, default.turn_allowance),
        guard_c: record.guard_c.unwrap_or(default.guard_c),
        agreement,
        settle: or(record.settle_ms, default.settle),
        fault_values: match &record.fault_values_c {
            None => default.fault_values,
            Some(values) => values.iter().copied().map(Celsius).collect(),
        },
    })
}

/// The entries in force: those that were not corrected or withdrawn by a later one, and are no withdrawal.
pub fn in_force(entries: &[Entry]) -> impl Iterator<Item = &Entry> {
    let corrected: BTreeSet<u64> = entries.iter().filter_map(|entry| entry.entry.corrects).collect();
    entries.iter().filter(move |entry| {
        !corrected.contains(&entry.seq) && !matches!(entry.entry.event, Event::Withdrawn { .. })
    })
}

/// The log for the judge and the watch.
pub fn log(entries: &[Entry]) -> Vec<LogEntry> {
    in_force(entries).filter_map(log_entry).collect()
}

/// One entry for the rules; `None` for hand readings (see [`hand_reading`]) and for the daemon's own conclusions.
pub fn log_entry(entry: &Entry) -> Option<LogEntry> {
    let event = match &entry.entry.event {
        Event::Turned => LogEvent::Turned,
        Event::MaterialAdded { .. } => LogEvent::MaterialAdded,
        Event::SpotGivenUp { spot, reason } => {
            LogEvent::SpotGivenUp { spot: SpotName::new(spot.as_str()), reason: reason.clone() }
        }
        Event::Watered { litres } => LogEvent::Watered { litres: *litres },
        Event::AerationChanged { .. } => LogEvent::AerationChanged,
        Event::MovedToCuring => LogEvent::MovedToCuring,
        Event::Used { .. } => LogEvent::Used,
        Event::HandReading { .. }
        | Event::Withdrawn { .. }
        | Event::RunQualified { .. }
        | Event::RunBroken { .. }
        | Event::VerdictAmended { .. }
        | Event::RecordEvent { .. } => return None,
        _ => LogEvent::Other,
    };
    Some(LogEntry { at: At(entry.entry.at_ms), event })
}

/// The hand readings in force.
pub fn hand_readings(entries: &[Entry]) -> Vec<Reading> {
    in_force(entries).filter_map(hand_reading).collect()
}

pub fn hand_reading(entry: &Entry) -> Option<Reading> {
    let Event::HandReading { spot, value, unit } = &entry.entry.event else { return None };
    let unit = parse_unit(unit).filter(|unit| matches!(unit, Unit::Celsius | Unit::Fahrenheit))?;
    Some(Reading {
        at: At(entry.entry.at_ms),
        source: Source::Hand(SpotName::new(spot.as_str())),
        value: *value,
        unit,
    })
}
