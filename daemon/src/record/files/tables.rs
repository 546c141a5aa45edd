//! Readings, log and hours as CSV (RFC 4180, times in RFC 3339 UTC).

use std::fmt::Write as _;
use std::io::{self, Write};

use heapward_rules::ids::ProbeId;
use heapward_rules::reading::{Quantity, Source, Unit};
use heapward_rules::units::At;

use crate::limits::HISTORY_SLICE_READINGS;
use crate::model::entry::{Entry, Event};
use crate::model::reading::{quantity_word, unit_word};
use crate::model::time::rfc3339;
use crate::record::facts::Facts;
use crate::recorder::facts::{hand_readings, in_force};
use crate::store::{Reader, StoreError};

/// Why a table could not be written.
#[derive(Debug, thiserror::Error)]
pub(super) enum Problem {
    #[error(transparent)]
    Write(#[from] io::Error),
    #[error(transparent)]
    Store(#[from] StoreError),
}

/// Everything that was read in this pile, exactly as it was reported: `time,source,value,unit`, source by source.
/// Moisture and oxygen are in it as `%`; the judge looks at temperatures only.
pub(super) fn readings(facts: &Facts, reader: &Reader, out: &mut dyn Write) -> Result<(), Problem> {
    out.write_all(b"time,source,value,unit\n")?;
    let mut probes: Vec<(ProbeId, At, At)> = Vec::new();
    for placement in &facts.record.placements {
        let probe = ProbeId::new(placement.probe.as_str());
        let (from, until) = (At(placement.from_ms), placement.until_ms.map_or(At::MAX, At));
        match probes.iter_mut().find(|(known, _, _)| *known == probe) {
            Some((_, first, last)) => (*first, *last) = (from.min(*first), until.max(*last)),
            None => probes.push((probe, from, until)),
        }
    }
    let series = reader.series()?;
    for (probe, from, until) in probes {
        for (id, key) in
            series.iter().filter(|(_, key)| key.probe == probe && is_shown(key.quantity, key.unit))
        {
            let (mut next, name) = (from, field(probe.as_str()));
            while next < until {
                let slice = reader.range(*id, next, until, HISTORY_SLICE_READINGS)?;
                for reading in &slice.readings {
                    writeln!(
                        out,
                        "{},{name},{},{}",
                        rfc3339(reading.at),
                        reading.value,
                        unit_word(key.unit)
                    )?;
                }
                next = slice.next.unwrap_or(until);
            }
        }
    }
    for reading in hand_readings(&facts.entries) {
        let Source::Hand(spot) = &reading.source else { continue };
        writeln!(out, "{},hand:{spot},{},{}", rfc3339(reading.at), reading.value, unit_word(reading.unit))?;
    }
    Ok(())
}

/// All readings of the store: temperatures as `time,source,value,unit`, the others with their quantity,
/// `time,source,quantity,value,unit`.
pub(super) fn series(reader: &Reader, temperatures: bool, out: &mut dyn Write) -> Result<(), Problem> {
    out.write_all(if temperatures {
        b"time,source,value,unit\n"
    } else {
        b"time,source,quantity,value,unit\n"
    })?;
    let mut all = reader.series()?;
    all.sort_by(|a, b| a.1.cmp(&b.1));
    for (id, key) in
        all.into_iter().filter(|(_, key)| (key.quantity == Quantity::Temperature) == temperatures)
    {
        let name = field(key.probe.as_str());
        let quantity = if temperatures { String::new() } else { format!("{},", quantity_word(key.quantity)) };
        let mut next = Some(At(0));
        while let Some(from) = next {
            let slice = reader.range(id, from, At::MAX, HISTORY_SLICE_READINGS)?;
            for reading in &slice.readings {
                let unit = unit_word(key.unit);
                writeln!(out, "{},{name},{quantity}{},{unit}", rfc3339(reading.at), reading.value)?;
            }
            next = slice.next;
        }
    }
    Ok(())
}

fn is_shown(quantity: Quantity, unit: Unit) -> bool {
    match quantity {
        Quantity::Temperature => matches!(unit, Unit::Celsius | Unit::Fahrenheit),
        Quantity::Moisture | Quantity::Oxygen => unit == Unit::Percent,
        Quantity::Blower | Quantity::Battery => false,
    }
}

/// The entries in force: `time,event,detail`. What was corrected is in `entries.jsonl`.
pub(in crate::record) fn log(entries: &[Entry]) -> String {
    let mut out = String::from("time,event,detail\n");
    for entry in in_force(entries) {
        let (event, detail) = event(&entry.entry.event);
        let who = format!("({}) {}", entry.entry.by, entry.entry.note.replace('\n', " "));
        // The judge reads this one: the spot, a colon, the reason.
        let detail = if event == "spot-given-up" { detail } else { format!("{detail} {}", who.trim()) };
        let _ = writeln!(out, "{},{event},{}", rfc3339(At(entry.entry.at_ms)), field(detail.trim()));
    }
    out
}

/// The word of an event, and its figures as `name=value`.
fn event(event: &Event) -> (String, String) {
    if let Event::SpotGivenUp { spot, reason } = event {
        return ("spot-given-up".to_owned(), format!("{spot}: {reason}"));
    }
    let value = serde_json::to_value(event).unwrap_or_default();
    let figures = value.as_object().map(|members| {
        let shown = members.iter().filter(|(name, value)| *name != "event" && !value.is_null());
        let shown = shown.map(|(name, value)| match value.as_str() {
            Some(text) => format!("{name}={text}"),
            None => format!("{name}={value}"),
        });
        shown.collect::<Vec<_>>().join("; ")
    });
    let word = value.get("event").and_then(|word| word.as_str()).unwrap_or("note").to_owned();
    (word, figures.unwrap_or_default())
}

/// Every entry as it is chained, one to a line.
pub(super) fn entries(entries: &[Entry]) -> String {
    entries.iter().map(|entry| serde_json::to_string(entry).unwrap_or_default() + "\n").collect()
}

/// `hour,spot,lowest_c,mean_c,highest_c,readings` of the counting readings.
pub(super) fn hours(facts: &Facts) -> String {
    let mut out = String::from("hour,spot,lowest_c,mean_c,highest_c,readings\n");
    for (spot, evidence) in facts.pile.spots.iter().zip(&facts.evidence.spots) {
        for hour in &evidence.hours {
            let mean = hour.sum_c / f64::from(hour.count);
            let _ = writeln!(
                out,
                "{},{},{:.3},{mean:.3},{:.3},{}",
                rfc3339(hour.at),
                spot.name,
                hour.low.0,
                hour.high.0,
                hour.count
            );
        }
    }
    out
}

/// A text as a field of CSV.
fn field(text: &str) -> String {
    if text.contains([',', '"', '\n', '\r']) {
        format!("\"{}\"", text.replace('"', "\"\""))
    } else {
        text.to_owned()
    }
}
