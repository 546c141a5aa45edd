//! Where the readings of a pile come from: each placement of a probe with the series that it stands for, and the
//! readings that people took by hand.

use heapward_rules::reading::{Quantity, Unit};
use heapward_rules::units::{At, Span};

use super::records::{Bucket, Latest, Records, RecordsError};
use crate::limits::HISTORY_POINTS_MAX;
use crate::model::entry::{Entry, Event};
use crate::model::pile::PileRecord;
use crate::model::reading::{SeriesKey, parse_unit};

/// Readings of one spot from one origin.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Source {
    /// The probe's id, or `hand:SPOT`.
    pub(super) name: String,
    pub(super) spot: String,
    pub(super) unit: Unit,
    pub(super) offset_c: f64,
    pub(super) origin: Origin,
}

#[derive(Clone, Debug, PartialEq)]
pub(super) enum Origin {
    /// A series, from when (included) to when (excluded) it belongs to the spot.
    Probe { series: SeriesKey, from: At, until: At, every: Span },
    /// In order of time.
    Hand(Vec<(At, f64)>),
}

/// All sources of a quantity in a pile: probes in the order of their placements, then hands in the order of spots.
pub(super) fn sources(
    records: &dyn Records,
    pile: &PileRecord,
    quantity: Quantity,
    spot: Option<&str>,
) -> Result<Vec<Source>, RecordsError> {
    let series: Vec<SeriesKey> = records
        .latest()?
        .into_iter()
        .map(|Latest { series, .. }| series)
        .filter(|s| s.quantity == quantity)
        .collect();
    let mut sources = Vec::new();
    for placement in pile.placements.iter().filter(|one| spot.is_none_or(|spot| one.spot == spot)) {
        for series in series.iter().filter(|series| series.probe.as_str() == placement.probe) {
            sources.push(Source {
                name: placement.probe.clone(),
                spot: placement.spot.clone(),
                unit: series.unit,
                offset_c: placement.offset_c,
                origin: Origin::Probe {
                    series: series.clone(),
                    from: At(placement.from_ms),
                    until: placement.until_ms.map_or(At::MAX, At),
                    every: Span(placement.every_ms),
                },
            });
        }
    }
    if quantity == Quantity::Temperature {
        sources.extend(by_hand(&standing(records, &pile.id)?, pile, spot));
    }
    Ok(sources)
}

/// The entries of a pile that stand: neither withdrawn nor corrected.
pub(super) fn standing(records: &dyn Records, pile: &str) -> Result<Vec<Entry>, RecordsError> {
    let entries = all_entries(records, pile)?;
    let corrected: Vec<u64> = entries.iter().filter_map(|entry| entry.entry.corrects).collect();
    let stands = |entry: &Entry| {
        !corrected.contains(&entry.seq) && !matches!(entry.entry.event, Event::Withdrawn { .. })
    };
    Ok(entries.into_iter().filter(stands).collect())
}

/// Every entry of a pile, in order.
pub(super) fn all_entries(records: &dyn Records, pile: &str) -> Result<Vec<Entry>, RecordsError> {
    let mut entries: Vec<Entry> = Vec::new();
    loop {
        let after = entries.last().map_or(0, |entry| entry.seq);
        let page = records.entries(Some(pile), after, HISTORY_POINTS_MAX)?;
        let last = page.len() < HISTORY_POINTS_MAX;
        entries.extend(page);
        if last {
            return Ok(entries);
        }
    }
}

fn by_hand(entries: &[Entry], pile: &PileRecord, wanted: Option<&str>) -> Vec<Source> {
    let mut sources = Vec::new();
    for spot in pile.spots.iter().filter(|spot| wanted.is_none_or(|wanted| spot.name == wanted)) {
        for unit in [Unit::Fahrenheit, Unit::Celsius] {
            let mut readings: Vec<(At, f64)> = entries
                .iter()
                .filter_map(|entry| match &entry.entry.event {
                    Event::HandReading { spot: at, value, unit: word }
                        if *at == spot.name && parse_unit(word) == Some(unit) =>
                    {
                        Some((At(entry.entry.at_ms), *value))
                    }
                    _ => None,
                })
                .collect();
            readings.sort_by_key(|(at, _)| *at);
            if !readings.is_empty() {
                sources.push(Source {
                    name: format!("hand:{}", spot.name),
                    spot: spot.name.clone(),
                    unit,
                    offset_c: 0.0,
                    origin: Origin::Hand(readings),
                });
            }
        }
    }
    sources
}

// === impl Source ===

impl Source {
    /// Readings in `[from, to)`, `limit` at most.
    pub(super) fn range(
        &self,
        records: &dyn Records,
        from: At,
        to: At,
        limit: usize,
    ) -> Result<Vec<(At, f64)>, RecordsError> {
        match &self.origin {
            Origin::Probe { series, from: placed, until, .. } => {
                let (from, to) = (from.max(*placed), to.min(*until));
                if from < to { records.range(series, from, to, limit) } else { Ok(Vec::new()) }
            }
            Origin::Hand(readings) => {
                let inside = readings.iter().filter(|(at, _)| (from..to).contains(at));
                Ok(inside.take(limit).copied().collect())
            }
        }
    }

    /// `[from, to)` in pieces of `step`; only readings that belong to the spot are counted. `to - from` is a multiple
    /// of `step`.
    pub(super) fn buckets(
        &self,
        records: &dyn Records,
        from: At,
        to: At,
        step: Span,
    ) -> Result<Vec<Bucket>, RecordsError> {
        let Origin::Probe { series, from: placed, until, .. } = &self.origin else {
            return Ok(counted_by_hand(&self.range(records, from, to, usize::MAX)?, from, step));
        };
        // Whole pieces in one question; the pieces in which the placement begins and ends by themselves.
        let (begin, end) = (from.max(*placed), to.min(*until));
        let mut buckets = Vec::new();
        let first_whole = up(begin, from, step).min(end);
        let last_whole = down(end, from, step).max(first_whole);
        for (a, b) in [(begin, first_whole), (first_whole, last_whole), (last_whole, end)] {
            if a >= b {
                continue;
            }
            let whole = a == first_whole && b == last_whole;
            let n = if whole { usize::try_from((b - a).0 / step.0).unwrap_or(1).max(1) } else { 1 };
            let part = records.buckets(series, a, b, n)?;
            buckets.extend(part.into_iter().map(|one| Bucket { from: down(one.from, from, step), ..one }));
        }
        Ok(buckets)
    }
}

/// The last instant of the grid at or before `at`.
fn down(at: At, origin: At, step: Span) -> At {
    At(at.0 - (at - origin).0.rem_euclid(step.0))
}

/// The first instant of the grid at or after `at`.
fn up(at: At, origin: At, step: Span) -> At {
    let down = down(at, origin, step);
    if down == at { at } else { down + step }
}

fn counted_by_hand(readings: &[(At, f64)], origin: At, step: Span) -> Vec<Bucket> {
    let mut buckets: Vec<Bucket> = Vec::new();
    for (at, value) in readings {
        let from = down(*at, origin, step);
        match buckets.last_mut().filter(|bucket| bucket.from == from) {
            Some(bucket) => {
                bucket.minimum = bucket.minimum.min(*value);
                bucket.maximum = bucket.maximum.max(*value);
                #[expect(clippy::cast_precision_loss, reason = "nobody reads by hand 2^52 times")]
                let count = bucket.count as f64;
                bucket.mean = (bucket.mean * count + value) / (count + 1.0);
                bucket.count += 1;
            }
            None => buckets.push(Bucket { from, minimum: *value, mean: *value, maximum: *value, count: 1 }),
        }
    }
    buckets
}
