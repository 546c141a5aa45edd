//! What the store and the judge say of a pile, gathered for its record.

use std::collections::BTreeMap;

use heapward_rules::ids::{ProbeId, StandardId};
use heapward_rules::judge::{Decided, History, Judge, Sample, SourceId};
use heapward_rules::pile::{Pile, Placement};
use heapward_rules::reading::{Quantity, Source, reported_c, same_value};
use heapward_rules::standard::Standard;
use heapward_rules::units::{At, Celsius, Span};
use heapward_rules::verdict::{Class, Judgement};

use super::evidence::{Evidence, Gathering};
use super::sealed::Sealed;
use crate::config::{Config, DisplayUnit};
use crate::limits::{RECORD_INCIDENTS_MAX, RECORD_LOG_SLICE};
use crate::model::entry::{Entry, Event};
use crate::model::incident::Incident;
use crate::model::pile::PileRecord;
use crate::recorder::history::StoredHistory;
use crate::recorder::thermometers::Thermometers;
use crate::recorder::{all_entries, facts};
use crate::store::{IncidentFilter, Reader, StoreError};

/// The farm as the record names it.
#[derive(Clone, Debug)]
pub struct Farm {
    pub name: String,
    pub zone: chrono_tz::Tz,
    pub shows: DisplayUnit,
}

/// Everything that a record says.
#[derive(Clone, Debug)]
pub struct Facts {
    pub farm: Farm,
    pub record: PileRecord,
    /// The pile as the judge sees it: temperature probes only.
    pub pile: Pile,
    pub standards: Vec<Standard>,
    pub judgement: Judgement,
    pub entries: Vec<Entry>,
    /// Oldest first.
    pub incidents: Vec<Incident>,
    pub evidence: Evidence,
    pub sealed: Sealed,
    /// First and last instant of which there is anything: readings that were judged, and entries.
    pub from: At,
    pub to: At,
}

/// What is known beside the store: the farm, the standards, and which configured probe measures what.
pub struct Surroundings<'a> {
    pub farm: Farm,
    pub standards: &'a BTreeMap<StandardId, Standard>,
    pub quantities: BTreeMap<String, Quantity>,
}

// === impl Surroundings ===

impl<'a> Surroundings<'a> {
    pub fn of(config: &Config, standards: &'a BTreeMap<StandardId, Standard>) -> Surroundings<'a> {
        let quantity = |probe: &crate::config::ProbeConfig| (probe.id.to_string(), probe.quantity);
        Surroundings {
            farm: Farm {
                name: config.farm.name.clone(),
                zone: config.farm.timezone,
                shows: config.farm.shows,
            },
            standards,
            quantities: config.probes.iter().map(quantity).collect(),
        }
    }

    /// Gathers the facts of a pile; `None` if there is no such pile.
    ///
    /// The readings are gone through twice, a day at a time: the judge has to know the runs before their lowest and
    /// highest reading can be found, and a year of minutes does not have to fit into memory.
    pub fn gather(&self, reader: &Reader, id: &str) -> Result<Option<Facts>, StoreError> {
        let Some(record) = reader.pile(id)? else { return Ok(None) };
        let configured = self.quantities.iter().map(|(probe, quantity)| (probe.as_str(), *quantity));
        let thermometers = Thermometers::of(configured, reader)?;
        let pile = facts::pile(&record, |probe| thermometers.have(probe)).map_err(StoreError::GivenUp)?;
        let entries = all_entries(reader, id)?;
        let by_hand = facts::hand_readings(&entries);
        let standards: Vec<Standard> = record
            .standards
            .iter()
            .filter_map(|id| self.standards.get(&StandardId::new(id.as_str())).cloned())
            .collect();
        let history = StoredHistory::new(reader, &pile, &by_hand);
        let hands = by_hand.iter().map(|reading| reading.at);
        let placed = pile.placements.iter().map(|placement| placement.from);
        let first = hands.clone().chain(placed).chain([pile.built]).min().unwrap_or(pile.built);
        let last = newest(reader, &pile)?.into_iter().chain(hands).max().unwrap_or(pile.built);
        let days = (first, last);

        let mut judge = Judge::new(pile.clone(), standards.clone(), &facts::log(&entries));
        feed(&mut judge, &history, days, |_, _| {});
        let judgement = judge.judgement();
        let mut classifier = Judge::new(pile.clone(), Vec::new(), &[]);
        classifier.listen();
        let mut gathering = Gathering::new(&pile, &judgement, (pile.built.min(first), last));
        feed(&mut classifier, &history, days, |decided, source| gathering.take(decided, source));
        history.checked()?;

        let filter = IncidentFilter { open_only: false, pile: Some(id.to_owned()) };
        let mut incidents = reader.incidents(&filter, None, RECORD_INCIDENTS_MAX)?;
        incidents.reverse();
        let entered = entries.iter().map(|entry| At(entry.entry.at_ms)).max();
        let mut entries = entries;
        entries.extend(of_the_records(reader, pile.built)?);
        entries.sort_by_key(|entry| entry.seq);
        Ok(Some(Facts {
            farm: self.farm.clone(),
            evidence: gathering.finish(),
            sealed: Sealed::of(reader, &record, &entries)?,
            from: pile.built,
            to: entered.into_iter().chain([last]).max().unwrap_or(last),
            record,
            pile,
            standards,
            judgement,
            entries,
            incidents,
        }))
    }
}

/// What happened to the records as a whole since an instant: where they were damaged or interrupted, every pile says so.
fn of_the_records(reader: &Reader, from: At) -> Result<Vec<Entry>, StoreError> {
    let mut found = Vec::new();
    let mut after = 0;
    loop {
        let slice = reader.entries(None, after, RECORD_LOG_SLICE)?;
        let Some(last) = slice.last() else { return Ok(found) };
        after = last.seq;
        let is_one = |entry: &Entry| {
            entry.entry.pile.is_none()
                && entry.entry.at_ms >= from.0
                && entry.entry.by == "heapward"
                && matches!(entry.entry.event, Event::RecordEvent { .. })
        };
        found.extend(slice.into_iter().filter(is_one));
    }
}

/// The newest reading of the pile's probes while they stood in it, or where their placement ended if it goes on.
fn newest(reader: &Reader, pile: &Pile) -> Result<Option<At>, StoreError> {
    let latest = reader.latest()?;
    let ends = pile.placements.iter().filter_map(|placement| {
        let of_probe = latest.iter().filter(|latest| {
            latest.key.probe == placement.probe && latest.key.quantity == Quantity::Temperature
        });
        let newest = of_probe.map(|latest| latest.reading.at).max()?;
        (newest >= placement.from).then(|| newest.min(placement.until.unwrap_or(At::MAX)))
    });
    Ok(ends.max())
}

/// Feeds a judge with stored readings, a day at a time, and hands on what it decides with who took the reading.
fn feed(
    judge: &mut Judge,
    history: &StoredHistory,
    (first, last): (At, At),
    mut each: impl FnMut(&Decided, &Source),
) {
    let mut next = first;
    while next <= last {
        let end = next + Span::days(1);
        let samples = history.samples(judge.sources(), next, end);
        for sample in &samples {
            judge.take(*sample);
        }
        for decided in judge.decided() {
            if let Some(source) = judge.source_of(decided.source) {
                each(&decided, &source);
            }
        }
        for conflict in conflicts(judge.pile(), &samples, |id| judge.source_of(id)) {
            if let Some(source) = judge.source_of(conflict.source) {
                each(&conflict, &source);
            }
        }
        next = end;
    }
}

/// Different values of one source for one instant: the judge counts them and says no more.
fn conflicts(
    pile: &Pile,
    samples: &[Sample],
    source_of: impl Fn(SourceId) -> Option<Source>,
) -> Vec<Decided> {
    let mut found = Vec::new();
    for instant in samples.chunk_by(|a, b| a.at == b.at).filter(|instant| instant.len() > 1) {
        let mut different: Vec<Sample> = Vec::new();
        for sample in instant {
            let known = |other: &Sample| {
                other.source == sample.source
                    && same_value((other.value, other.unit), (sample.value, sample.unit))
            };
            if !different.iter().any(known) {
                different.push(*sample);
            }
        }
        for sample in &different {
            if different.iter().filter(|other| other.source == sample.source).count() < 2 {
                continue;
            }
            let (spot, offset_c) = match source_of(sample.source) {
                Some(Source::Probe(probe)) => match placed(pile, &probe, sample.at) {
                    Some(placement) => (placement.spot.clone(), placement.offset_c),
                    None => continue,
                },
                Some(Source::Hand(spot)) => (spot, 0.0),
                None => continue,
            };
            let spot = pile.spots.iter().position(|one| one.name == spot);
            if let (Some(spot), Some(c)) = (spot, reported_c(sample.value, sample.unit)) {
                let value = Celsius(c.0 + offset_c);
                found.push(Decided {
                    at: sample.at,
                    source: sample.source,
                    spot,
                    value,
                    class: Class::Conflict,
                });
            }
        }
    }
    found
}

/// Where a probe stood at an instant.
fn placed<'a>(pile: &'a Pile, probe: &ProbeId, at: At) -> Option<&'a Placement> {
    let before = pile.placements.iter().filter(|one| one.probe == *probe && one.from <= at);
    before.max_by_key(|one| one.from).filter(|one| one.until.is_none_or(|until| at < until))
}

// === impl Facts ===

impl Facts {
    pub fn standard(&self, id: &StandardId) -> Option<&Standard> {
        self.standards.iter().find(|standard| standard.id == *id)
    }
}
