//! What a chart shows: the readings of every spot, each as the judge has classed it.
//!
//! Up to [`CHART_READINGS_MAX`] readings are judged one by one. A longer stretch is drawn from the store's summaries;
//! a summary that may hold a reading that does not count (a fault value, a jump) is looked into.

use std::collections::{BTreeMap, BTreeSet};

use heapward_rules::ids::{ProbeId, SpotName};
use heapward_rules::judge::{Decided, Judge, Sample, SourceId};
use heapward_rules::pile::{Pile, Settings};
use heapward_rules::reading::{Quantity, Source as RulesSource, reported_c};
use heapward_rules::units::{At, Celsius, Span};
use heapward_rules::verdict::Class;

use super::Line;
use super::trail::{COLUMNS, Trail};
use crate::http::sources::{Origin, Piece, Source, sources};
use crate::http::words::Style;
use crate::limits::{CHART_READINGS_MAX, CHART_SUMMARIES_LOOKED_INTO_MAX};
use crate::model::pile::PileRecord;
use crate::recorder::facts;
use crate::store::{Reader, StoreError};

/// What the judge looked at before a stretch has no bearing on it any more after this time.
const BEFORE: Span = Span::hours(6);
/// Readings within one summary that lie further apart may hold a jump.
const SUSPICIOUS_C: f64 = 15.0;
/// From here on a column is drawn by whole days: half a year and more.
const BY_DAYS: Span = Span::hours(15);
/// Physical range of a temperature sensor.
const PHYSICAL_C: std::ops::RangeInclusive<f64> = -40.0..=110.0;

/// What the judge says of some readings, and which of the sources are people.
struct Judged {
    decided: Vec<Decided>,
    by_hand: BTreeSet<SourceId>,
}

/// Lines of all spots between two instants, in the pile's order.
pub(in crate::http::pages) fn temperatures(
    reader: &Reader,
    record: &PileRecord,
    (from, to): (At, At),
    style: Style,
) -> Result<Vec<Line>, StoreError> {
    let sources = sources(reader, record, Quantity::Temperature, None)?;
    let measures = |probe: &str| sources.iter().any(|source| source.name == probe);
    let pile = facts::pile(record, measures).map_err(StoreError::GivenUp)?;
    let mut lines: Vec<Line> =
        record.spots.iter().enumerate().map(|(n, spot)| empty(&spot.name, n, from, to)).collect();
    let few = sources.iter().map(|source| expected(source, from, to)).sum::<i64>() <= CHART_READINGS_MAX;
    if few {
        let judged = judged(reader, &pile, &sources, from - BEFORE, to)?;
        draw_judged(&mut lines, record, &judged, (from, to), style);
        return Ok(lines);
    }
    let step = Span(((to - from).0 / i64::try_from(COLUMNS).unwrap_or(1)).max(1) + 1);
    let mut looks = CHART_SUMMARIES_LOOKED_INTO_MAX;
    for source in &sources {
        let Some(line) =
            record.spots.iter().position(|spot| spot.name == source.spot).and_then(|n| lines.get_mut(n))
        else {
            continue;
        };
        draw_summaries(reader, line, &pile, source, (from, to, step), &mut looks, style)?;
    }
    Ok(lines)
}

fn empty(spot: &str, pattern: usize, from: At, to: At) -> Line {
    Line {
        name: spot.to_owned(),
        pattern,
        trail: Trail::new(from, to),
        crosses: Vec::new(),
        circles: Vec::new(),
    }
}

/// About how many readings a source has.
fn expected(source: &Source, from: At, to: At) -> i64 {
    match &source.origin {
        Origin::Probe { from: placed, until, every, .. } => {
            (to.min(*until) - from.max(*placed)).0.max(0) / every.0.max(1)
        }
        Origin::Hand(readings) => i64::try_from(readings.len()).unwrap_or(i64::MAX),
    }
}

/// What the judge says of every reading of some sources in [from, to).
fn judged(reader: &Reader, pile: &Pile, sources: &[Source], from: At, to: At) -> Result<Judged, StoreError> {
    let mut judge = Judge::new(pile.clone(), Vec::new(), &[]);
    judge.listen();
    let mut samples: Vec<Sample> = Vec::new();
    let mut by_hand = BTreeSet::new();
    for source in sources {
        let name = match &source.origin {
            Origin::Probe { probe, .. } => RulesSource::Probe(ProbeId::new(probe.as_str())),
            Origin::Hand(_) => RulesSource::Hand(SpotName::new(source.spot.as_str())),
        };
        let Some(number) = judge.sources().number(&name) else {
            continue;
        };
        if matches!(name, RulesSource::Hand(_)) {
            by_hand.insert(number);
        }
        let readings = source.range(reader, from, to, usize::MAX)?;
        samples.extend(readings.into_iter().map(|(at, value)| Sample {
            at,
            source: number,
            value,
            unit: source.unit,
        }));
    }
    samples.sort_by_key(|sample| sample.at);
    for sample in samples {
        judge.take(sample);
    }
    Ok(Judged { decided: judge.decided(), by_hand })
}

fn draw_judged(lines: &mut [Line], record: &PileRecord, judged: &Judged, (from, to): (At, At), style: Style) {
    let mut doubtful: BTreeMap<(usize, At), Celsius> = BTreeMap::new();
    for one in judged.decided.iter().filter(|one| (from..to).contains(&one.at)) {
        let Some(line) = lines.get_mut(one.spot) else {
            continue;
        };
        match one.class {
            Class::Counts => {
                doubtful.remove(&(one.spot, one.at));
                let value = style.number(one.value);
                if judged.by_hand.contains(&one.source) {
                    line.circles.push((one.at, value));
                } else {
                    line.trail.add(one.at, value, near(record, one.spot, one.at));
                }
            }
            _ => {
                doubtful.insert((one.spot, one.at), one.value);
            }
        }
    }
    for ((spot, at), value) in doubtful {
        if let Some(line) = lines.get_mut(spot) {
            line.crosses.push((at, style.number(value)));
        }
    }
    for line in lines {
        thin(&mut line.crosses, from, to);
    }
}

/// How far apart readings of a spot may lie to be one line: `near` of design 5.1.
fn near(record: &PileRecord, spot: usize, at: At) -> Span {
    let name = record.spots.get(spot).map(|spot| spot.name.as_str());
    let placed =
        record.placements.iter().rev().find(|one| Some(one.spot.as_str()) == name && one.from_ms <= at.0);
    placed.map_or(Span::hours(1), |one| near_of(Span(one.every_ms)))
}

fn near_of(every: Span) -> Span {
    Span::hours(1).max(every + every)
}

/// One cross a column is as plain as a hundred.
fn thin(crosses: &mut Vec<(At, f64)>, from: At, to: At) {
    let columns = i64::try_from(COLUMNS).unwrap_or(1);
    let mut seen = BTreeSet::new();
    crosses.retain(|(at, _)| seen.insert((*at - from).0.saturating_mul(columns) / (to - from).0.max(1)));
}

fn draw_summaries(
    reader: &Reader,
    line: &mut Line,
    pile: &Pile,
    source: &Source,
    (from, to, step): (At, At, Span),
    looks: &mut usize,
    style: Style,
) -> Result<(), StoreError> {
    let Origin::Probe { every, .. } = &source.origin else {
        let readings = source.range(reader, from, to, usize::MAX)?;
        let c = readings.iter().filter_map(|(at, value)| Some((*at, reported_c(*value, source.unit)?)));
        line.circles
            .extend(c.filter(|(_, c)| PHYSICAL_C.contains(&c.0)).map(|(at, c)| (at, style.number(c))));
        return Ok(());
    };
    for bucket in pieces(reader, source, from, step)? {
        let end = bucket.to;
        if is_suspicious(&bucket, source, &pile.settings) && *looks > 0 {
            *looks -= 1;
            let inside = judged(reader, pile, std::slice::from_ref(source), bucket.from - BEFORE, end)?;
            for one in inside.decided.iter().filter(|one| one.at >= bucket.from) {
                let value = style.number(one.value);
                match one.class {
                    Class::Counts => line.trail.add(one.at, value, (end - bucket.from) + near_of(*every)),
                    _ if line.crosses.last().is_none_or(|(at, _)| *at < bucket.from) => {
                        line.crosses.push((one.at, value));
                    }
                    _ => {}
                }
            }
            continue;
        }
        let shown =
            |value: f64| reported_c(value, source.unit).map(|c| style.number(Celsius(c.0 + source.offset_c)));
        if let (Some(low), Some(high), Some(mean)) =
            (shown(bucket.summary.min), shown(bucket.summary.max), bucket.summary.mean().and_then(shown))
        {
            line.trail.extend(bucket.from, end, (low, high), mean, near_of(*every));
        }
    }
    Ok(())
}

/// The pieces of a stretch: one for each column, or one a day where a column is about a day.
fn pieces(reader: &Reader, source: &Source, from: At, step: Span) -> Result<Vec<Piece>, StoreError> {
    let to = from + Span(step.0 * i64::try_from(COLUMNS).unwrap_or(1));
    if step >= BY_DAYS { source.days(reader, from, to) } else { source.buckets(reader, from, to, step) }
}

/// Whether a summary may hold a reading that does not count.
fn is_suspicious(piece: &Piece, source: &Source, settings: &Settings) -> bool {
    let ends = [piece.summary.min, piece.summary.max].map(|value| reported_c(value, source.unit));
    let [Some(low), Some(high)] = ends else {
        return false;
    };
    let at_end = |value: &Celsius| value.is_within(low, 0.0) || value.is_within(high, 0.0);
    high.0 - low.0 > SUSPICIOUS_C
        || !PHYSICAL_C.contains(&low.0)
        || !PHYSICAL_C.contains(&high.0)
        || settings.fault_values.iter().any(at_end)
}

/// Line of another quantity at a spot: nothing is judged, everything is drawn.
pub(in crate::http::pages) fn others(
    reader: &Reader,
    record: &PileRecord,
    quantity: Quantity,
    (from, to): (At, At),
) -> Result<Vec<Line>, StoreError> {
    let mut lines: Vec<Line> = Vec::new();
    let step = Span(((to - from).0 / i64::try_from(COLUMNS).unwrap_or(1)).max(1) + 1);
    for source in sources(reader, record, quantity, None)? {
        let Origin::Probe { every, .. } = source.origin else {
            continue;
        };
        let at = record.spots.iter().position(|spot| spot.name == source.spot).unwrap_or(0);
        let mut line = empty(&source.spot, at, from, to);
        for piece in pieces(reader, &source, from, step)? {
            let summary = piece.summary;
            let mean = summary.mean().unwrap_or(summary.max);
            // A blower goes on and off all the time: from least to most would be one black block.
            let ends = if quantity == Quantity::Blower { (mean, mean) } else { (summary.min, summary.max) };
            line.trail.extend(piece.from, piece.to, ends, mean, near_of(every));
        }
        match lines.iter_mut().find(|other| other.name == line.name) {
            // A probe that took over a spot: its line goes on in the same pattern, under the same name.
            Some(_) => lines.push(Line { name: format!("{} ({})", line.name, source.name), ..line }),
            None => lines.push(line),
        }
    }
    Ok(lines)
}
