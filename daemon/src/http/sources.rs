//! Where the readings of a pile come from: each placement of a probe with the series that it stands for, and the
//! readings that people took by hand.

use heapward_rules::ids::SpotName;
use heapward_rules::reading::{Quantity, Source as RulesSource, Unit};
use heapward_rules::units::{At, Span};

use crate::limits::HISTORY_POINTS_MAX;
use crate::model::entry::Entry;
use crate::model::pile::PileRecord;
use crate::recorder::facts::hand_readings;
use crate::store::{Reader, SeriesId, StoreError, Summary};

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
    Probe { series: SeriesId, probe: String, from: At, until: At, every: Span },
    /// In order of time.
    Hand(Vec<(At, f64)>),
}

/// The readings of a source in a piece of time.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Piece {
    pub(super) from: At,
    pub(super) to: At,
    pub(super) summary: Summary,
}

/// All sources of a quantity in a pile: probes in the order of their placements, then hands in the order of spots.
pub(super) fn sources(
    reader: &Reader,
    pile: &PileRecord,
    quantity: Quantity,
    spot: Option<&str>,
) -> Result<Vec<Source>, StoreError> {
    let series = reader.series()?;
    let mut sources = Vec::new();
    for placement in pile.placements.iter().filter(|one| spot.is_none_or(|spot| one.spot == spot)) {
        let of_probe = series
            .iter()
            .filter(|(_, key)| key.quantity == quantity && key.probe.as_str() == placement.probe);
        for (id, key) in of_probe {
            sources.push(Source {
                name: placement.probe.clone(),
                spot: placement.spot.clone(),
                unit: key.unit,
                offset_c: placement.offset_c,
                origin: Origin::Probe {
                    series: *id,
                    probe: placement.probe.clone(),
                    from: At(placement.from_ms),
                    until: placement.until_ms.map_or(At::MAX, At),
                    every: Span(placement.every_ms),
                },
            });
        }
    }
    if quantity == Quantity::Temperature {
        sources.extend(by_hand(&all_entries(reader, &pile.id)?, pile, spot));
    }
    Ok(sources)
}

/// Every entry of a pile, in order.
pub(super) fn all_entries(reader: &Reader, pile: &str) -> Result<Vec<Entry>, StoreError> {
    let mut entries: Vec<Entry> = Vec::new();
    loop {
        let after = entries.last().map_or(0, |entry| entry.seq);
        let page = reader.entries(Some(pile), after, HISTORY_POINTS_MAX)?;
        let last = page.len() < HISTORY_POINTS_MAX;
        entries.extend(page);
        if last {
            return Ok(entries);
        }
    }
}

fn by_hand(entries: &[Entry], pile: &PileRecord, wanted: Option<&str>) -> Vec<Source> {
    let readings = hand_readings(entries);
    let mut sources = Vec::new();
    for spot in pile.spots.iter().filter(|spot| wanted.is_none_or(|wanted| spot.name == wanted)) {
        let here = RulesSource::Hand(SpotName::new(spot.name.as_str()));
        for unit in [Unit::Fahrenheit, Unit::Celsius] {
            let of_unit = readings.iter().filter(|one| one.source == here && one.unit == unit);
            let mut readings: Vec<(At, f64)> = of_unit.map(|one| (one.at, one.value)).collect();
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
    /// Readings in `[from, to)` in order of time, `limit` at most.
    pub(super) fn range(
        &self,
        reader: &Reader,
        from: At,
        to: At,
        limit: usize,
    ) -> Result<Vec<(At, f64)>, StoreError> {
        let (series, from, to) = match &self.origin {
            Origin::Probe { series, from: placed, until, .. } => (*series, from.max(*placed), to.min(*until)),
            Origin::Hand(readings) => {
                let inside = readings.iter().filter(|(at, _)| (from..to).contains(at));
                return Ok(inside.take(limit).copied().collect());
            }
        };
        let mut readings: Vec<(At, f64)> = Vec::new();
        let mut next = Some(from).filter(|from| *from < to);
        while let Some(from) = next {
            let part = reader.range(series, from, to, limit - readings.len())?;
            readings.extend(part.readings.iter().map(|one| (one.at, one.value)));
            next = part.next.filter(|_| readings.len() < limit);
        }
        readings.truncate(limit);
        Ok(readings)
    }

    /// `[from, to)` in pieces of `step`, the empty ones left out; only readings that belong to the spot are counted.
    /// `to - from` is a multiple of `step`.
    pub(super) fn buckets(
        &self,
        reader: &Reader,
        from: At,
        to: At,
        step: Span,
    ) -> Result<Vec<Piece>, StoreError> {
        let Origin::Probe { series, from: placed, until, .. } = &self.origin else {
            return Ok(counted_by_hand(&self.range(reader, from, to, usize::MAX)?, from, step));
        };
        // The pieces in which the placement begins and ends are cut where it does.
        let (begin, end) = (from.max(*placed), to.min(*until));
        if begin >= end {
            return Ok(Vec::new());
        }
        let mut bounds = vec![begin];
        let mut next = down(begin, from, step) + step;
        while next < end {
            bounds.push(next);
            next = next + step;
        }
        bounds.push(end);
        let buckets = reader.buckets_at(*series, &bounds)?;
        let full = buckets.into_iter().filter(|bucket| bucket.summary.count > 0);
        Ok(full
            .map(|bucket| {
                let first = down(bucket.from, from, step);
                Piece { from: first, to: first + step, summary: bucket.summary }
            })
            .collect())
    }

    /// `[from, to)` by the site's local days, which the store has summed up already. Days in which the placement begins
    /// or ends are counted anew; people's readings are too few to be summed up.
    pub(super) fn days(&self, reader: &Reader, from: At, to: At) -> Result<Vec<Piece>, StoreError> {
        let Origin::Probe { series, from: placed, until, .. } = &self.origin else {
            return Ok(Vec::new());
        };
        let (begin, end) = (from.max(*placed), to.min(*until));
        if begin >= end {
            return Ok(Vec::new());
        }
        let mut pieces = Vec::new();
        for day in reader.days(*series, begin, end)? {
            let (from, to) = (day.from.max(begin), day.to.min(end));
            let whole = (from, to) == (day.from, day.to);
            let part = if whole { Vec::new() } else { reader.buckets_at(*series, &[from, to])? };
            let summary = part.first().map_or(day.summary, |part| part.summary);
            if summary.count > 0 {
                pieces.push(Piece { from, to, summary });
            }
        }
        Ok(pieces)
    }
}

/// The last instant of the grid at or before `at`.
fn down(at: At, origin: At, step: Span) -> At {
    At(at.0 - (at - origin).0.rem_euclid(step.0))
}

fn counted_by_hand(readings: &[(At, f64)], origin: At, step: Span) -> Vec<Piece> {
    let mut pieces: Vec<Piece> = Vec::new();
    for (at, value) in readings {
        let from = down(*at, origin, step);
        if pieces.last().is_none_or(|piece| piece.from != from) {
            pieces.push(Piece { from, to: from + step, summary: Summary::EMPTY });
        }
        if let Some(piece) = pieces.last_mut() {
            piece.summary.add(*value);
        }
    }
    pieces
}
