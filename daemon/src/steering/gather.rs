//! What the store and the log say of a pile, for the advice.

use heapward_rules::physics::Timer;
use heapward_rules::pile::Zone;
use heapward_rules::reading::{Quantity, reported_c};
use heapward_rules::units::{At, Celsius, Span};

use super::{Known, SpotNow};
use crate::model::entry::{Entry, Event};
use crate::model::pile::PileRecord;
use crate::model::reading::parse_unit;
use crate::model::words::parse_zone;
use crate::recorder::all_entries;
use crate::recorder::facts::in_force;
use crate::recorder::{Probes, meaning};
use crate::store::{Reader, StoreError};

/// A mean over so long hides the blower's ripple.
const MEAN_OVER: Span = Span::hours(3);
const DAY: Span = Span::days(1);
/// An older squeeze or moisture reading says nothing of today.
const SQUEEZE_HOLDS: Span = Span::days(2);

/// Reads the last day of a pile.
pub fn gather(reader: &Reader, pile: &PileRecord, probes: &Probes, now: At) -> Result<Known, StoreError> {
    let entries = all_entries(reader, &pile.id)?;
    let mut spots = Vec::new();
    let heats = pile.spots.iter().filter(|spot| parse_zone(&spot.zone).is_some_and(Zone::has_to_heat));
    for spot in heats {
        let by_hand = || read_by_hand(&entries, &spot.name, now);
        if let Some(mean) = mean(reader, pile, &spot.name, now - MEAN_OVER, now)?.or_else(by_hand) {
            let before = mean_before(reader, pile, &spot.name, now)?;
            spots.push(SpotNow { name: spot.name.clone(), now: mean, day_before: before });
        }
    }
    let mut log: Vec<&Entry> = in_force(&entries).filter(|entry| At(entry.entry.at_ms) <= now).collect();
    log.sort_by_key(|entry| (entry.entry.at_ms, entry.seq));
    let changed = log.iter().rev().find(|entry| matches!(entry.entry.event, Event::AerationChanged { .. }));
    let squeezed = log.iter().rev().find_map(|entry| match &entry.entry.event {
        Event::Check { squeeze: Some(squeeze), .. } => Some((At(entry.entry.at_ms), squeeze.clone())),
        // What was squeezed before is another pile now.
        Event::Watered { .. } => Some((At::MIN, String::new())),
        _ => None,
    });
    Ok(Known {
        at: now,
        spots,
        moisture_percent: moisture(reader, pile, probes, now)?,
        squeeze: squeezed.filter(|(at, _)| *at > now - SQUEEZE_HOLDS).map(|(_, squeeze)| squeeze),
        timer_changed: changed.map(|entry| At(entry.entry.at_ms)),
        timer: changed.and_then(|entry| timer(&entry.entry.event)),
    })
}

fn timer(event: &Event) -> Option<Timer> {
    let Event::AerationChanged { on_seconds: Some(on), off_seconds: Some(off) } = event else { return None };
    (*on > 0 && *off > 0)
        .then(|| Timer { on: Span::seconds(i64::from(*on)), off: Span::seconds(i64::from(*off)) })
}

fn mean_before(
    reader: &Reader,
    pile: &PileRecord,
    spot: &str,
    now: At,
) -> Result<Option<Celsius>, StoreError> {
    mean(reader, pile, spot, now - DAY - MEAN_OVER, now - DAY)
}

/// The newest reading of a thermometer at a spot that no probe speaks for.
fn read_by_hand(entries: &[Entry], spot: &str, now: At) -> Option<Celsius> {
    let read = in_force(entries).filter_map(|entry| match &entry.entry.event {
        Event::HandReading { spot: there, value, unit } if there == spot => {
            Some((At(entry.entry.at_ms), reported_c(*value, parse_unit(unit)?)?))
        }
        _ => None,
    });
    let recent = read.filter(|(at, _)| *at <= now && *at > now - MEAN_OVER);
    recent.max_by_key(|(at, _)| *at).map(|(_, c)| c)
}

/// Mean of the probes at a spot, calibrated.
fn mean(
    reader: &Reader,
    pile: &PileRecord,
    spot: &str,
    from: At,
    to: At,
) -> Result<Option<Celsius>, StoreError> {
    let (mut sum, mut count) = (0.0, 0.0);
    for placement in pile.placements.iter().filter(|placement| placement.spot == spot) {
        let from = from.max(At(placement.from_ms));
        let to = placement.until_ms.map_or(to, |until| to.min(At(until)));
        for (id, key) in reader.series()? {
            let is_it = key.probe.as_str() == placement.probe && key.quantity == Quantity::Temperature;
            if !is_it || from >= to {
                continue;
            }
            for bucket in reader.buckets(id, from, to, 1)? {
                if let Some(c) = bucket.summary.mean().and_then(|mean| reported_c(mean, key.unit)) {
                    sum += c.0 + placement.offset_c;
                    count += 1.0;
                }
            }
        }
    }
    Ok((count > 0.0).then(|| Celsius(sum / count)))
}

fn moisture(reader: &Reader, pile: &PileRecord, probes: &Probes, now: At) -> Result<Option<f64>, StoreError> {
    let stands = |probe: &str| {
        pile.placements
            .iter()
            .any(|one| one.probe == probe && one.until_ms.is_none_or(|until| At(until) > now))
    };
    let latest = reader.latest()?;
    let newest = latest
        .iter()
        .filter(|one| one.key.quantity == Quantity::Moisture)
        .filter(|one| one.reading.at > now - DAY && stands(one.key.probe.as_str()))
        .max_by_key(|one| one.reading.at);
    let percent = newest.and_then(|one| {
        meaning(Quantity::Moisture, one.key.unit, one.reading.value, probes.get(&one.key.probe))
    });
    Ok(percent.filter(|percent| (0.0..100.0).contains(percent)))
}
