//! Commands of people and of the sender, carried out.

use heapward_rules::units::At;

use super::entering;
use super::handle::{Command, Refusal};
use super::pile_desk::PileDesk;
use super::tell;
use super::work::Recorder;
use crate::after::uses;
use crate::limits::MUTE_MAX;
use crate::model::entry::{Entry, Event, NewEntry};
use crate::model::message::{Delivery, OutboxMessage};
use crate::model::pile::{PileRecord, PlacementRecord};
use crate::model::time::rfc3339;
use crate::store::StoreError;
use crate::telling::policy::Mute;

impl From<StoreError> for Refusal {
    fn from(problem: StoreError) -> Refusal {
        Refusal::Unavailable(problem.to_string())
    }
}

// === impl Recorder ===

impl Recorder {
    /// Carries out everything but readings and ticks. Whoever asked may have gone: the answer is then dropped.
    pub(super) fn enter(&mut self, command: Command) {
        let now = self.parts.clock.now();
        if matches!(command, Command::Delivered { .. } | Command::Merged { .. }) {
            // It may be about a message that went out before it could be written.
            self.write_rest(now);
        }
        match command {
            Command::Readings { .. } | Command::Tick | Command::Stop => {}
            Command::StartPile { pile, by, reply } => {
                let _ = reply.send(self.start_pile(pile, by, now));
            }
            Command::Place { pile, placement, by, reply } => {
                let _ = reply.send(self.place(&pile, &placement, by, now));
            }
            Command::Enter { entry, reply } => {
                let _ = reply.send(self.enter_entry(entry, now));
            }
            Command::Delivered { message, delivery, tries, reply } => {
                let _ = reply.send(self.delivered(&message, delivery, tries));
            }
            Command::Merged { merged, superseded, reply } => {
                let _ = reply.send(self.merged(&merged, &superseded));
            }
            Command::Seen { incident, reply } => {
                let _ = reply.send(self.seen(&incident, now));
            }
            Command::Summary { messages, document, text, reply } => {
                let _ = reply.send(self.summary(&messages, document, &text));
            }
            Command::Keep { document, text, reply } => {
                let kept =
                    self.keeper.with(|store| store.transact(|tx| tx.put_document(document, text.as_bytes())));
                let _ = reply.send(kept.map_err(Refusal::from));
            }
            Command::SetProbes { probes, reply } => {
                self.parts.probes = probes;
                let records = self.desks.values().map(|desk| desk.record.clone()).collect();
                let _ = reply.send(self.set_records(records));
            }
            Command::Mute { pile, until, reason, reply } => {
                let _ = reply.send(self.mute(&pile, until, &reason, now));
            }
        }
    }

    fn start_pile(&mut self, pile: PileRecord, by: String, now: At) -> Result<PileRecord, Refusal> {
        let known: Vec<&str> =
            self.parts.standards.keys().map(heapward_rules::ids::StandardId::as_str).collect();
        let piles: Vec<&PileRecord> = self.desks.values().map(|desk| &desk.record).collect();
        entering::new_pile(&pile, &piles, &known, now)?;
        let built = new_entry(&pile.id, At(pile.built_ms), now, by, Event::Built);
        let placed = pile.placements.iter().map(|placement| {
            let at = At(placement.from_ms);
            new_entry(&pile.id, at, now, built.by.clone(), placed_event(placement))
        });
        let entries: Vec<NewEntry> = std::iter::once(built.clone()).chain(placed).collect();
        let moved = self.taken_from_others(&pile.id, &pile.placements);
        let entries = self.write_piles(&[&pile], &moved, entries)?;
        self.set_records(moved)?;
        let standards = self.standards_of(&pile);
        let reader = self.reader();
        let opened = PileDesk::open(
            pile.clone(),
            entries,
            standards,
            self.parts.watch.of(&pile.id),
            &self.parts.probes,
            &reader,
            now,
        );
        let (mut desk, mut findings) = opened.map_err(|problem| Refusal::Unavailable(problem.to_string()))?;
        findings.extend(desk.judge_again());
        self.take_up(pile.id.clone(), desk);
        let told = self.tell.take(Some(&pile.id), &findings, now);
        self.conclude(&told, now);
        Ok(pile)
    }

    fn place(
        &mut self,
        id: &str,
        placement: &PlacementRecord,
        by: String,
        now: At,
    ) -> Result<PileRecord, Refusal> {
        let desk = self.desks.get(id).ok_or_else(|| no_pile(id))?;
        let mut record = desk.record.clone();
        let quantity = |probe: &str| {
            let probe = heapward_rules::ids::ProbeId::new(probe);
            self.parts
                .probes
                .get(&probe)
                .map_or(heapward_rules::reading::Quantity::Temperature, |facts| facts.quantity)
        };
        entering::place(&mut record, placement, |other| quantity(other) == quantity(&placement.probe))?;
        let moved = self.taken_from_others(id, std::slice::from_ref(placement));
        let entry = new_entry(id, At(placement.from_ms), now, by, placed_event(placement));
        let entries = self.write_piles(&[&record], &moved, vec![entry])?;
        if let Some(desk) = self.desks.get_mut(id) {
            desk.entries.extend(entries);
        }
        let mut records = moved;
        records.push(record.clone());
        self.set_records(records)?;
        self.judge_now(id, now);
        Ok(record)
    }

    fn enter_entry(&mut self, entry: NewEntry, now: At) -> Result<Entry, Refusal> {
        let Some(id) = entry.pile.clone() else {
            entering::entry(&entry, None, &[], now)?;
            return Ok(self.keeper.with(|store| store.transact(|tx| tx.append_entry(entry)))?);
        };
        let desk = self.desks.get(&id).ok_or_else(|| no_pile(&id))?;
        entering::entry(&entry, Some(&desk.record), &desk.entries, now)?;
        uses::refuse_early(&entry, &desk.record, &desk.entries, &desk.judgement, self.parts.zone)
            .map_err(Refusal::Conflict)?;
        let record = record_after(&desk.record, &desk.entries, &entry);
        let written = self.keeper.with(|store| {
            store.transact(|tx| {
                if let Some(record) = &record {
                    tx.put_pile(record)?;
                }
                tx.append_entry(entry)
            })
        })?;
        let reader = self.reader();
        let mut findings = Vec::new();
        if let Some(desk) = self.desks.get_mut(&id) {
            findings.extend(desk.entry(written.clone(), &reader)?);
        }
        if let Some(record) = record {
            self.set_records(vec![record])?;
        }
        let told = self.tell.take(Some(&id), &findings, now);
        self.judge_now(&id, now);
        if matches!(written.entry.event, Event::Used { .. }) {
            let found = self.farm.drop_pile(&heapward_rules::ids::PileId::new(id.as_str()), now);
            let _ = self.farm_told(&found, now);
        }
        self.conclude(&told, now);
        Ok(written)
    }

    fn delivered(&mut self, id: &str, delivery: Delivery, tries: u32) -> Result<(), Refusal> {
        let done = self.keeper.with(|store| {
            store.transact(|tx| {
                let Some(message) = tx.message(id)? else { return Ok(false) };
                tx.put_message(&OutboxMessage { tries, ..message }.with(delivery))?;
                Ok(true)
            })
        })?;
        if done { Ok(()) } else { Err(Refusal::Unknown(format!("there is no message {id} in the outbox"))) }
    }

    fn merged(&mut self, merged: &OutboxMessage, superseded: &[String]) -> Result<(), Refusal> {
        Ok(self.keeper.with(|store| {
            store.transact(|tx| {
                // A summary that took messages along is out by now: its pictures go.
                tx.put_message(&merged.clone().with(merged.delivery.clone()))?;
                for id in superseded {
                    if let Some(message) = tx.message(id)? {
                        let delivery = Delivery::Superseded { by: merged.id.clone() };
                        tx.put_message(&message.with(delivery))?;
                    }
                }
                Ok(())
            })
        })?)
    }

    fn summary(&mut self, messages: &[OutboxMessage], document: &str, text: &str) -> Result<(), Refusal> {
        self.keeper.with(|store| {
            store.transact(|tx| {
                for message in messages {
                    if tx.message(&message.id)?.is_none() {
                        tx.put_message(message)?;
                    }
                }
                tx.put_document(document, text.as_bytes())
            })
        })?;
        self.parts.outbox.notify_one();
        Ok(())
    }

    fn seen(&mut self, id: &str, now: At) -> Result<(), Refusal> {
        let incident = self.tell.seen(id, now);
        let incident = incident.ok_or_else(|| Refusal::Unknown(format!("there is no open incident {id}")))?;
        Ok(self.keeper.with(|store| store.transact(|tx| tx.put_incident(&incident)))?)
    }

    fn mute(&mut self, pile: &str, until: At, reason: &str, now: At) -> Result<(), Refusal> {
        if !self.desks.contains_key(pile) {
            return Err(no_pile(pile));
        }
        if until <= now {
            return Err(Refusal::Wrong("until: a mute needs an end that lies ahead".to_owned()));
        }
        if until - now > MUTE_MAX {
            return Err(Refusal::Wrong(format!(
                "until: a pile can be kept quiet for {MUTE_MAX} at most; ask again when it is over"
            )));
        }
        let what = format!("no messages until {}: {reason}", rfc3339(until));
        let mute = Mute { pile: pile.to_owned(), until, reason: reason.to_owned() };
        let document = self.tell.mute(mute).map_err(|problem| Refusal::Unavailable(problem.to_string()))?;
        let entry = new_entry(pile, now, now, "heapward".to_owned(), Event::RecordEvent { what });
        let muted = self.tell.muted(pile, until);
        Ok(self.keeper.with(|store| {
            store.transact(|tx| {
                tell::Desk::put_mutes(tx, &document)?;
                for incident in &muted {
                    tx.put_incident(incident)?;
                }
                tx.append_entry(entry).map(|_| ())
            })
        })?)
    }

    /// Records of other piles in which the probes of these placements stood until now.
    fn taken_from_others(&self, id: &str, placements: &[PlacementRecord]) -> Vec<PileRecord> {
        let others = self.desks.values().filter(|desk| desk.record.id != id);
        let ended = others.filter_map(|desk| {
            let mut record = desk.record.clone();
            for new in placements {
                for old in record.placements.iter_mut().filter(|old| old.probe == new.probe) {
                    entering::end_at(old, new.from_ms);
                }
            }
            (record != desk.record).then_some(record)
        });
        ended.collect()
    }

    fn write_piles(
        &mut self,
        piles: &[&PileRecord],
        moved: &[PileRecord],
        entries: Vec<NewEntry>,
    ) -> Result<Vec<Entry>, StoreError> {
        self.keeper.with(|store| {
            store.transact(|tx| {
                for pile in piles.iter().copied().chain(moved) {
                    tx.put_pile(pile)?;
                }
                entries.into_iter().map(|entry| tx.append_entry(entry)).collect()
            })
        })
    }

    fn set_records(&mut self, records: Vec<PileRecord>) -> Result<(), Refusal> {
        let reader = self.reader();
        for record in records {
            let Some(desk) = self.desks.get_mut(&record.id) else { continue };
            desk.set_record(record, &self.parts.probes, &reader)
                .map_err(|problem| Refusal::Unavailable(problem.to_string()))?;
            self.farm.set_pile(&desk.pile, &desk.others());
            self.changed.insert(desk.record.id.clone());
        }
        Ok(())
    }

    fn judge_now(&mut self, id: &str, now: At) {
        let Some(desk) = self.desks.get_mut(id) else { return };
        let findings = desk.judge_again();
        if let Some(progress) = desk.progress() {
            self.farm.progress(&desk.pile.id, progress.clone());
        }
        let told = self.tell.take(Some(id), &findings, now);
        self.changed.insert(id.to_owned());
        self.conclude(&told, now);
    }
}

/// The pile's record after an entry that changes where probes stand; `None` where it stays.
fn record_after(record: &PileRecord, entries: &[Entry], entry: &NewEntry) -> Option<PileRecord> {
    let mut after = record.clone();
    if let Some(corrected) = entry.corrects.and_then(|seq| entries.iter().find(|old| old.seq == seq))
        && let Event::ProbePlaced { probe, spot, .. } = &corrected.entry.event
    {
        let is_it =
            |p: &PlacementRecord| p.probe == *probe && p.spot == *spot && p.from_ms == corrected.entry.at_ms;
        after.placements.retain(|placement| !is_it(placement));
    }
    match &entry.event {
        Event::ProbeRemoved { probe } => {
            for placement in after.placements.iter_mut().filter(|placement| placement.probe == *probe) {
                entering::end_at(placement, entry.at_ms);
            }
        }
        // The pile is forked over: no probe stands where it stood. One that cures on is placed anew.
        Event::MovedToCuring | Event::Used { .. } => {
            for placement in &mut after.placements {
                entering::end_at(placement, entry.at_ms);
            }
        }
        _ => {}
    }
    (after != *record).then_some(after)
}

fn placed_event(placement: &PlacementRecord) -> Event {
    Event::ProbePlaced {
        probe: placement.probe.clone(),
        spot: placement.spot.clone(),
        every_ms: placement.every_ms,
        offset_c: placement.offset_c,
    }
}

fn new_entry(pile: &str, at: At, now: At, by: String, event: Event) -> NewEntry {
    NewEntry {
        pile: Some(pile.to_owned()),
        at_ms: at.0,
        entered_ms: now.0,
        by,
        note: String::new(),
        corrects: None,
        event,
    }
}

fn no_pile(id: &str) -> Refusal {
    Refusal::Unknown(format!("there is no pile {id}"))
}
