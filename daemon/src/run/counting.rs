//! The readings of a pile that count, for the figures and the chart of the daily summary: what the judge leaves out (a
//! probe's 85 degrees at power-on, a jump) is not shown as a maximum.

use heapward_rules::ids::ProbeId;
use heapward_rules::judge::{Judge, Sample};
use heapward_rules::pile::Pile;
use heapward_rules::reading::{Quantity, Source};
use heapward_rules::units::{At, Span};
use heapward_rules::verdict::Class;

use crate::limits::RANGE_READINGS_MAX;
use crate::model::entry::Entry;
use crate::model::pile::{PileRecord, PlacementRecord};
use crate::model::reading::SeriesKey;
use crate::recorder::facts;
use crate::store::{Reader, SeriesId, StoreError};

/// What the judge looked at before a stretch has no bearing on it any more after this time.
const BEFORE: Span = Span::hours(6);

/// Instants and °C after calibration, in order of time.
pub(super) type Points = Vec<(At, f64)>;

/// What was read from the store for one pile.
pub(super) struct Counting<'a> {
    reader: &'a Reader,
    record: &'a PileRecord,
    entries: &'a [Entry],
    pile: Pile,
    series: Vec<(SeriesId, std::sync::Arc<SeriesKey>)>,
}

// === impl Counting ===

impl<'a> Counting<'a> {
    pub(super) fn new(
        reader: &'a Reader,
        record: &'a PileRecord,
        entries: &'a [Entry],
    ) -> Result<Counting<'a>, StoreError> {
        let mut series = reader.series()?;
        series.retain(|(_, key)| key.quantity == Quantity::Temperature);
        let measures = |probe: &str| series.iter().any(|(_, key)| key.probe.as_str() == probe);
        let pile = facts::pile(record, measures).map_err(StoreError::GivenUp)?;
        Ok(Counting { reader, record, entries, pile, series })
    }

    /// The counting readings in [from, to] for each spot, in the pile's order. Read a day at a time, so that a week of
    /// a fast probe does not lie in memory.
    pub(super) fn by_spot(&self, from: At, to: At) -> Result<Vec<Points>, StoreError> {
        let mut judge = Judge::new(self.pile.clone(), Vec::new(), &[]);
        judge.listen();
        let mut samples = self.by_hand(&mut judge, from - BEFORE, to);
        for placement in &self.record.placements {
            self.of_placement(placement, &mut judge, (from - BEFORE, to), &mut samples)?;
        }
        samples.sort_by_key(|sample| sample.at);
        for sample in samples {
            judge.take(sample);
        }
        let mut spots = vec![Points::new(); self.record.spots.len()];
        for one in judge.decided().iter().filter(|one| one.class == Class::Counts && one.at >= from) {
            if let Some(points) = spots.get_mut(one.spot) {
                points.push((one.at, one.value.0));
            }
        }
        Ok(spots)
    }

    fn of_placement(
        &self,
        placement: &PlacementRecord,
        judge: &mut Judge,
        (from, to): (At, At),
        samples: &mut Vec<Sample>,
    ) -> Result<(), StoreError> {
        let name = Source::Probe(ProbeId::new(placement.probe.as_str()));
        let Some(source) = judge.sources().number(&name) else { return Ok(()) };
        let begin = from.max(At(placement.from_ms));
        let end = placement.until_ms.map_or(to, |until| to.min(At(until)));
        for (id, key) in self.series.iter().filter(|(_, key)| key.probe.as_str() == placement.probe) {
            let mut next = Some(begin).filter(|begin| *begin < end);
            while let Some(at) = next {
                let part = self.reader.range(*id, at, end, RANGE_READINGS_MAX)?;
                let sample = |at, value| Sample { at, source, value, unit: key.unit };
                samples.extend(part.readings.iter().map(|one| sample(one.at, one.value)));
                next = part.next;
            }
        }
        Ok(())
    }

    fn by_hand(&self, judge: &mut Judge, from: At, to: At) -> Vec<Sample> {
        let readings = facts::hand_readings(self.entries).into_iter();
        let inside = readings.filter(|one| one.at >= from && one.at <= to);
        let mut sample = |one: heapward_rules::reading::Reading| {
            let source = judge.sources().number(&one.source)?;
            Some(Sample { at: one.at, source, value: one.value, unit: one.unit })
        };
        inside.filter_map(&mut sample).collect()
    }
}

/// Means of stretches of time, for a chart.
pub(super) fn thinned(points: &[(At, f64)], step: Span) -> Points {
    let mut means: Vec<(At, f64, u32)> = Vec::new();
    for (at, c) in points {
        let slot = At(at.0 - at.0.rem_euclid(step.0.max(1)));
        match means.last_mut().filter(|(from, ..)| *from == slot) {
            Some((_, sum, count)) => {
                *sum += c;
                *count += 1;
            }
            None => means.push((slot, *c, 1)),
        }
    }
    means.into_iter().map(|(at, sum, count)| (at, sum / f64::from(count))).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn means_of_an_hour() {
        let at = |minutes: i64| At(0) + Span::minutes(minutes);
        let points = [(at(0), 50.0), (at(59), 52.0), (at(60), 60.0), (at(185), 61.0)];
        assert_eq!(thinned(&points, Span::hours(1)), [(at(0), 51.0), (at(60), 60.0), (at(180), 61.0)]);
    }
}
