//! One pile on the recorder's desk: its record, its judge and its watch.

use heapward_rules::finding::Finding;
use heapward_rules::ids::ProbeId;
use heapward_rules::judge::{Decided, Judge, Sample, Taken};
use heapward_rules::log::LogEntry;
use heapward_rules::pile::{Pile, Placement};
use heapward_rules::reading::{Quantity, Reading, Source};
use heapward_rules::standard::Standard;
use heapward_rules::units::{At, Span};
use heapward_rules::verdict::{Class, Judgement, Status};
use heapward_rules::watch::{Event, Observation, Params, Progress, Watch};

use super::facts;
use super::history::StoredHistory;
use super::probe_facts::{Probes, meaning};
use super::thermometers::Thermometers;
use crate::limits::HISTORY_SLICE_READINGS;
use crate::model::entry::Entry;
use crate::model::pile::PileRecord;
use crate::model::reading::{DatedBy, DatedReading};
use crate::store::{Reader, StoreError};

/// What is known of the farm's probes beside where they stand.
/// Everything of one pile that is judged and watched.
pub struct PileDesk {
    pub record: PileRecord,
    pub pile: Pile,
    pub judge: Judge,
    watch: Watch,
    pub entries: Vec<Entry>,
    by_hand: Vec<Reading>,
    /// What the watch was told last of the runs.
    progress: Option<Progress>,
    pub judgement: Judgement,
}

/// Stretches in which a stored pile is gone through again for the watch: the last days by the hour, as they were
/// watched live, what lies before by the day.
const CATCH_UP_BY_HOUR: Span = Span::days(8);

// === impl PileDesk ===

impl PileDesk {
    /// Judges a stored pile from the beginning, and lets the watch see all of it again.
    ///
    /// The findings are those that the watch had at the time; whoever takes them knows which were told.
    pub fn open(
        record: PileRecord,
        entries: Vec<Entry>,
        standards: Vec<Standard>,
        params: &Params,
        probes: &Probes,
        reader: &Reader,
        now: At,
    ) -> Result<(PileDesk, Vec<Finding>), OpenError> {
        let pile = judged(&record, probes, reader)?;
        let by_hand = facts::hand_readings(&entries);
        let log = facts::log(&entries);
        let mut judge = Judge::new(pile.clone(), standards, &log);
        judge.listen();
        let mut desk = PileDesk {
            watch: Watch::new(&with_others(&pile, &record)?, params),
            judgement: judge.judgement(),
            record,
            pile,
            judge,
            entries,
            by_hand,
            progress: None,
        };
        let findings = desk.catch_up(&log, probes, reader, now)?;
        Ok((desk, findings))
    }

    pub fn open_findings(&self) -> Vec<Finding> {
        self.watch.open().cloned().collect()
    }

    /// What is open and goes on changing, with its figures as they are now.
    pub fn present_findings(&self) -> Vec<Finding> {
        self.watch.present().collect()
    }

    /// Whether a probe stood in the pile at an instant; the name of its spot.
    pub fn spot_of(&self, probe: &str, at: At) -> Option<&str> {
        let mut placements: Vec<_> = self.record.placements.iter().filter(|p| p.probe == probe).collect();
        placements.sort_by_key(|placement| placement.from_ms);
        let placement = placements.into_iter().rfind(|placement| placement.from_ms <= at.0)?;
        placement.until_ms.is_none_or(|until| at.0 < until).then_some(placement.spot.as_str())
    }

    /// Takes committed readings of probes; those that stood elsewhere at the time are passed over. `None` where none
    /// was of this pile.
    pub fn readings(
        &mut self,
        readings: &[DatedReading],
        probes: &Probes,
        reader: &Reader,
    ) -> Result<Option<Vec<Finding>>, StoreError> {
        let mut events: Vec<Event> = Vec::new();
        let mut late: Vec<Sample> = Vec::new();
        let has_changed = self.has_other_thermometers(readings, probes, reader)?;
        if has_changed {
            self.refresh(probes, reader)?;
        }
        let mut placed: Vec<&DatedReading> = readings
            .iter()
            .filter(|reading| self.spot_of(reading.probe.as_str(), reading.at).is_some())
            .collect();
        if placed.is_empty() {
            return Ok(has_changed.then(Vec::new));
        }
        placed.sort_by_key(|reading| reading.at);
        for reading in placed {
            if reading.quantity == Quantity::Temperature {
                let source = Source::Probe(reading.probe.clone());
                let temperature =
                    Reading { at: reading.at, source, value: reading.value, unit: reading.unit };
                late.extend(self.take(&temperature));
            } else {
                events.extend(self.other(reading, probes));
            }
        }
        let decided = self.settle(&late, reader)?;
        events
            .extend(decided.into_iter().filter_map(|decided| self.observation(&decided)).map(Event::Reading));
        events.sort_by_key(Event::at);
        Ok(Some(self.step(&events)))
    }

    /// Whether these readings, which are committed, tell of a probe that is configured nowhere that it is a thermometer
    /// or is none: its placements end those of others, whether or not it stood there when it sent them.
    fn has_other_thermometers(
        &self,
        readings: &[DatedReading],
        probes: &Probes,
        reader: &Reader,
    ) -> Result<bool, StoreError> {
        let is_judged = |probe: &ProbeId| self.pile.placements.iter().any(|one| one.probe == *probe);
        let is_placed =
            |probe: &ProbeId| self.record.placements.iter().any(|one| one.probe == probe.as_str());
        let tells = |reading: &DatedReading| {
            reading.quantity != Quantity::Battery
                && !probes.contains_key(&reading.probe)
                && is_placed(&reading.probe)
                && is_judged(&reading.probe) != (reading.quantity == Quantity::Temperature)
        };
        if !readings.iter().any(tells) {
            return Ok(false);
        }
        match judged(&self.record, probes, reader) {
            Ok(pile) => Ok(pile.placements != self.pile.placements),
            Err(OpenError::Store(problem)) => Err(problem),
            Err(OpenError::Record(_)) => Ok(false),
        }
    }

    /// Judges everything again from the store; the watch has seen what it could.
    pub fn refresh(&mut self, probes: &Probes, reader: &Reader) -> Result<(), StoreError> {
        match self.set_record(self.record.clone(), probes, reader) {
            Err(OpenError::Store(problem)) => Err(problem),
            Ok(()) | Err(OpenError::Record(_)) => Ok(()),
        }
    }

    /// Takes a committed entry of the log.
    pub fn entry(&mut self, entry: Entry, reader: &Reader) -> Result<Vec<Finding>, StoreError> {
        let mut events: Vec<Event> = facts::log_entry(&entry).map(Event::Entry).into_iter().collect();
        let corrects = entry.entry.corrects.is_some();
        let by_hand = facts::hand_reading(&entry);
        self.entries.push(entry);
        self.by_hand = facts::hand_readings(&self.entries);
        let log = facts::log(&self.entries);
        let history = StoredHistory::new(reader, &self.pile, &self.by_hand);
        self.judge.set_log(&log, &history);
        history.checked()?;
        if corrects {
            // A hand reading may have gone: only judging everything again takes it out.
            let history = StoredHistory::new(reader, &self.pile, &self.by_hand);
            self.judge.rejudge(At::MIN, At::MAX, &history);
            history.checked()?;
            self.judge.decided();
        } else if let Some(reading) = by_hand {
            let late: Vec<Sample> = self.take(&reading).into_iter().collect();
            let decided = self.settle(&late, reader)?;
            events.extend(
                decided.into_iter().filter_map(|decided| self.observation(&decided)).map(Event::Reading),
            );
        }
        Ok(self.step(&events))
    }

    /// Takes over another record of the pile: a probe was placed, moved or taken out.
    pub fn set_record(
        &mut self,
        record: PileRecord,
        probes: &Probes,
        reader: &Reader,
    ) -> Result<(), OpenError> {
        let pile = judged(&record, probes, reader)?;
        self.record = record;
        self.watch.set_pile(&with_others(&pile, &self.record)?);
        self.pile = pile;
        let log = facts::log(&self.entries);
        let standards = self.judge.standards().to_vec();
        let history = StoredHistory::new(reader, &self.pile, &self.by_hand);
        self.judge.set_pile(self.pile.clone(), standards, &log, &history);
        history.checked()?;
        self.judge.decided();
        Ok(())
    }

    /// Time has passed.
    pub fn tick(&mut self, now: At) -> Vec<Finding> {
        self.watch.step(&Event::Tick(now))
    }

    /// Brings the judgement up to date, and tells the watch of new, broken and finished runs.
    pub fn judge_again(&mut self) -> Vec<Finding> {
        self.judgement = self.judge.judgement();
        let Some(at) = self.judge.newest() else { return Vec::new() };
        let steering = self.judgement.verdicts.iter().find(|verdict| verdict.status != Status::NotRequired);
        let Some(progress) = steering.map(|verdict| Progress::of(verdict, at)) else { return Vec::new() };
        if self.progress.as_ref().is_some_and(|known| is_as_far(known, &progress)) {
            return Vec::new();
        }
        self.progress = Some(progress.clone());
        self.watch.step(&Event::Progress(progress))
    }

    /// Where probes stand that measure something else than heat.
    pub fn others(&self) -> Vec<Placement> {
        let all = with_others(&self.pile, &self.record).map(|pile| pile.placements).unwrap_or_default();
        all.into_iter().filter(|placement| !self.pile.placements.contains(placement)).collect()
    }

    pub fn progress(&self) -> Option<&Progress> {
        self.progress.as_ref()
    }

    /// The sample, if it came late.
    fn take(&mut self, reading: &Reading) -> Option<Sample> {
        let sample = self.judge.sources().sample(reading)?;
        (self.judge.take(sample) == Taken::Late).then_some(sample)
    }

    /// Judges late samples and gives what became of the new ones.
    fn settle(&mut self, late: &[Sample], reader: &Reader) -> Result<Vec<Decided>, StoreError> {
        let mut decided = self.judge.decided();
        let instants = late.iter().map(|sample| sample.at);
        if let (Some(first), Some(last)) = (instants.clone().min(), instants.max()) {
            let history = StoredHistory::new(reader, &self.pile, &self.by_hand);
            self.judge.rejudge(first, last, &history);
            history.checked()?;
            let is_new = |decided: &Decided| {
                late.iter().any(|sample| sample.at == decided.at && sample.source == decided.source)
            };
            decided.extend(self.judge.decided().into_iter().filter(is_new));
        }
        Ok(decided)
    }

    fn observation(&self, decided: &Decided) -> Option<Observation> {
        let spot = self.pile.spots.get(decided.spot)?.name.clone();
        let probe = match self.judge.source_of(decided.source)? {
            Source::Probe(probe) => Some(probe),
            Source::Hand(_) => None,
        };
        Some(Observation {
            at: decided.at,
            spot,
            probe,
            quantity: Quantity::Temperature,
            value: decided.value.0,
            class: decided.class,
        })
    }

    /// A reading of another quantity: taken as it is.
    fn other(&self, reading: &DatedReading, probes: &Probes) -> Option<Event> {
        let spot = self.spot_of(reading.probe.as_str(), reading.at)?;
        let facts = probes.get(&reading.probe);
        let value = meaning(reading.quantity, reading.unit, reading.value, facts)?;
        Some(Event::Reading(Observation {
            at: reading.at,
            spot: heapward_rules::ids::SpotName::new(spot),
            probe: Some(reading.probe.clone()),
            quantity: reading.quantity,
            value,
            class: Class::Counts,
        }))
    }

    /// What the store holds of the pile's other quantities.
    fn stored_others(
        &self,
        probes: &Probes,
        reader: &Reader,
        from: At,
        to: At,
    ) -> Result<Vec<Event>, StoreError> {
        let mut events = Vec::new();
        let series = reader.series()?;
        for (id, key) in series.iter().filter(|(_, key)| key.quantity != Quantity::Temperature) {
            if !self.record.placements.iter().any(|placement| placement.probe == key.probe.as_str()) {
                continue;
            }
            let mut next = from;
            while next < to {
                let slice = reader.range(*id, next, to, HISTORY_SLICE_READINGS)?;
                let readings = slice.readings.iter().filter(|reading| !reading.conflict);
                events.extend(readings.filter_map(|reading| {
                    let reading = DatedReading {
                        probe: key.probe.clone(),
                        quantity: key.quantity,
                        unit: key.unit,
                        at: reading.at,
                        value: reading.value,
                        dated_by: DatedBy::Payload,
                    };
                    self.other(&reading, probes)
                }));
                next = slice.next.unwrap_or(to);
            }
        }
        Ok(events)
    }

    fn step(&mut self, events: &[Event]) -> Vec<Finding> {
        events.iter().flat_map(|event| self.watch.step(event)).collect()
    }

    fn catch_up(
        &mut self,
        log: &[LogEntry],
        probes: &Probes,
        reader: &Reader,
        now: At,
    ) -> Result<Vec<Finding>, StoreError> {
        let mut findings = Vec::new();
        let mut log: Vec<&LogEntry> = log.iter().collect();
        log.sort_by_key(|entry| entry.at);
        let first_by_hand = self.by_hand.iter().map(|reading| reading.at).min();
        let mut next = self.pile.built.min(first_by_hand.unwrap_or(At::MAX));
        while next <= now {
            let step = if now - next > CATCH_UP_BY_HOUR { Span::days(1) } else { Span::hours(1) };
            let end = next + step;
            let history = StoredHistory::new(reader, &self.pile, &self.by_hand);
            let samples = heapward_rules::judge::History::samples(&history, self.judge.sources(), next, end);
            history.checked()?;
            for sample in samples {
                self.judge.take(sample);
            }
            let decided = self.judge.decided();
            let readings =
                decided.into_iter().filter_map(|decided| self.observation(&decided)).map(Event::Reading);
            let entries = log.iter().filter(|entry| (next..end).contains(&entry.at));
            let mut events: Vec<Event> =
                readings.chain(entries.map(|entry| Event::Entry((*entry).clone()))).collect();
            events.extend(self.stored_others(probes, reader, next, end)?);
            events.sort_by_key(Event::at);
            if !events.is_empty() {
                findings.extend(self.step(&events));
                findings.extend(self.judge_again());
            }
            next = end;
        }
        Ok(findings)
    }
}

/// Why a stored pile cannot be taken up.
#[derive(Debug, thiserror::Error)]
pub enum OpenError {
    #[error("the pile's record cannot be used: {0}")]
    Record(String),
    #[error(transparent)]
    Store(#[from] StoreError),
}

/// The pile with the placements of all its probes, as the watch sees it.
fn with_others(pile: &Pile, record: &PileRecord) -> Result<Pile, OpenError> {
    let whole = facts::pile(record, |_| true).map_err(OpenError::Record)?;
    Ok(Pile { placements: whole.placements, ..pile.clone() })
}

fn thermometers(probes: &Probes, reader: &Reader) -> Result<Thermometers, StoreError> {
    Thermometers::of(probes.iter().map(|(id, facts)| (id.as_str(), facts.quantity)), reader)
}

/// The pile as the judge sees it.
fn judged(record: &PileRecord, probes: &Probes, reader: &Reader) -> Result<Pile, OpenError> {
    let thermometers = thermometers(probes, reader)?;
    facts::pile(record, |probe| thermometers.have(probe)).map_err(OpenError::Record)
}

/// Whether the same runs are open and the same things met.
fn is_as_far(known: &Progress, now: &Progress) -> bool {
    known.met_at == now.met_at
        && known.qualified == now.qualified
        && known.verified == now.verified
        && known.required == now.required
        && known.spots.iter().zip(&now.spots).all(|(known, now)| {
            let start = |run: &Option<heapward_rules::verdict::Run>| run.map(|run| run.start);
            known.required == now.required
                && known.qualified_at == now.qualified_at
                && known.unit_unconfirmed == now.unit_unconfirmed
                && start(&known.open_run) == start(&now.open_run)
        })
}
