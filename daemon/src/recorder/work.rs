//! The recorder's thread.

use std::collections::{BTreeMap, BTreeSet};
use std::thread;

use heapward_rules::finding::Finding;
use heapward_rules::ids::PileId;
use heapward_rules::standard::Standard;
use heapward_rules::units::{At, Span};
use heapward_rules::watch::{Farm, FarmFinding};
use tokio::runtime;
use tokio::sync::mpsc;
use tracing::{error, warn};

use super::batch::Batch;
use super::conclusions::{self, Concluded};
use super::handle::{Command, Handle, PileView};
use super::keeper::{self, Keeper};
use super::pile_desk::{OpenError, PileDesk};
use super::{Parts, tell};
use crate::after::After;
use crate::limits::{COMMIT_GATHER, COMMIT_GATHER_TIMES, SEAL_EVERY};
use crate::model::entry::{Event, NewEntry};
use crate::model::pile::PileRecord;
use crate::model::reading::DatedReading;
use crate::model::time;
use crate::store::{Fate, OpenReport, Reader, Store, StoreError};
use crate::telling::harvest;
use crate::telling::policy::Told;
use crate::telling::signs::Organ;
use crate::telling::trouble;

/// The only writer.
pub struct Recorder {
    pub(super) parts: Parts,
    pub(super) keeper: Keeper,
    pub(super) handle: Handle,
    pub(super) desks: BTreeMap<String, PileDesk>,
    pub(super) farm: Farm,
    pub(super) tell: tell::Desk,
    /// What was written of each pile's verdicts.
    concluded: BTreeMap<String, Concluded>,
    /// Decided, but not in the store yet.
    unwritten: Vec<Told>,
    /// Piles whose history could not be read: they are judged again from the beginning.
    stale: BTreeSet<String>,
    /// Piles that look different since they were shown last.
    pub(super) changed: BTreeSet<String>,
    batch: Batch,
    /// Monotonic time of the last commit.
    committed: Span,
    sealed_at: Option<At>,
    seal_goes_on: bool,
}

/// Entries of one pile that are read at a time.
const ENTRIES_SLICE: usize = 10_000;

// === impl Recorder ===

impl Recorder {
    /// Opens the store, and judges every pile that is not used up again from its stored history.
    pub fn open(mut parts: Parts, handle: Handle) -> Result<(Recorder, OpenReport), StoreError> {
        let (keeper, report) = Keeper::open(parts.store.clone(), parts.clock.clone())?;
        for (id, facts) in (parts.probes_kept)(keeper.reader(), parts.zone) {
            parts.probes.entry(id).or_insert(facts);
        }
        let now = parts.clock.now();
        let mut tell = tell::Desk::open(parts.teller.clone(), keeper.reader(), now)?;
        // What was told while the store could not be opened.
        let unwritten = parts.unwritten.all();
        for told in &unwritten {
            tell.adopt(told);
        }
        let mut recorder = Recorder {
            keeper,
            handle,
            desks: BTreeMap::new(),
            farm: Farm::new(parts.watch.silence),
            tell,
            concluded: BTreeMap::new(),
            unwritten,
            stale: BTreeSet::new(),
            changed: BTreeSet::new(),
            batch: Batch::default(),
            committed: Span(i64::MIN / 2),
            sealed_at: None,
            seal_goes_on: false,
            parts,
        };
        recorder.open_piles(&report, now)?;
        Ok((recorder, report))
    }

    pub fn reader(&self) -> Reader {
        self.keeper.reader().clone()
    }

    /// Works until [`Handle::stop`]; what waits is committed before it returns.
    pub fn run(mut self, runtime: &runtime::Handle, mut commands: mpsc::Receiver<Command>) {
        loop {
            let now = self.parts.clock.monotonic();
            let wait = self.batch.wait(now, self.parts.commit_every);
            let clock = self.parts.clock.clone();
            let idle = self.batch.is_empty();
            let next = runtime.block_on(async {
                tokio::select! {
                    biased;
                    command = commands.recv() => Some(command),
                    () = clock.sleep(wait), if !idle => None,
                }
            });
            match next {
                Some(None | Some(Command::Stop)) => break,
                Some(Some(command)) => self.take(command),
                None => {}
            }
            self.parts.signs.tick(Organ::Recorder);
            self.take_waiting(&mut commands);
            self.gather(&mut commands);
            let now = self.parts.clock.monotonic();
            if self.batch.is_full() || self.batch.is_due(now, self.parts.commit_every) {
                self.commit();
            }
            self.show_trouble();
        }
        self.commit();
        self.batch.refuse();
    }

    /// Takes what waits in the queue.
    fn take_waiting(&mut self, commands: &mut mpsc::Receiver<Command>) {
        while !self.batch.is_full() {
            match commands.try_recv() {
                Ok(Command::Stop) => commands.close(),
                Ok(command) => self.take(command),
                Err(_) => break,
            }
        }
    }

    /// In a stream of messages, waits a moment for more of them; asleep, so that not each of them wakes this thread.
    fn gather(&mut self, commands: &mut mpsc::Receiver<Command>) {
        for _ in 0..COMMIT_GATHER_TIMES {
            if !self.batch.is_worth_a_wait(self.parts.clock.monotonic() - self.committed) {
                return;
            }
            thread::sleep(COMMIT_GATHER);
            self.take_waiting(commands);
        }
    }

    /// Lets the pages say since when readings can't be kept, and why.
    fn show_trouble(&self) {
        let failing = self.keeper.failing();
        if failing.is_some() != self.handle.store_trouble().is_some() {
            self.handle.show_store_trouble(failing.cloned());
        }
    }

    fn take(&mut self, command: Command) {
        match command {
            Command::Readings { readings, acks } => {
                self.batch.take(readings, acks, self.parts.clock.monotonic());
            }
            Command::Tick => self.tick(),
            other => {
                // What a person enters is judged with every reading that came before it.
                self.commit();
                self.enter(other);
            }
        }
    }

    /// Commits the readings that wait, acknowledges and judges them.
    fn commit(&mut self) {
        if self.batch.is_empty() {
            return;
        }
        let readings = &self.batch.readings;
        match self.keeper.keep(|store| append(store, readings)) {
            Ok(fates) => {
                self.committed = self.parts.clock.monotonic();
                let mut readings = self.batch.committed();
                let mut fates = fates.into_iter();
                readings.retain(|_| matches!(fates.next(), Some(Fate::New | Fate::Conflict)));
                self.judge(&readings);
            }
            Err(problem) if problem.must_reopen() => keeper::rest(),
            Err(problem) => {
                error!("readings could not be kept: {problem}");
                self.batch.refuse();
            }
        }
    }

    fn judge(&mut self, readings: &[DatedReading]) {
        let now = self.parts.clock.now();
        let mut told = Vec::new();
        let reader = self.reader();
        let Recorder { desks, parts, stale, farm, .. } = self;
        let mut by_pile: Vec<(String, Vec<Finding>)> = Vec::new();
        for (id, desk) in desks.iter_mut() {
            let judged = if stale.remove(id) {
                desk.refresh(&parts.probes, &reader).map(|()| Some(Vec::new()))
            } else {
                desk.readings(readings, &parts.probes, &reader)
            };
            match judged {
                Ok(None) => {}
                Ok(Some(mut findings)) => {
                    findings.extend(desk.judge_again());
                    if let Some(progress) = desk.progress() {
                        farm.progress(&desk.pile.id, progress.clone());
                    }
                    by_pile.push((id.clone(), findings));
                }
                Err(problem) => {
                    warn!(pile = id, "the pile is judged again when the store can be read: {problem}");
                    stale.insert(id.clone());
                }
            }
        }
        for (pile, findings) in by_pile {
            told.extend(self.tell.take(Some(&pile), &findings, now));
            self.changed.insert(pile);
        }
        for reading in readings {
            let found = self.farm.came_in(&reading.probe, reading.at, now);
            told.extend(self.farm_told(&found, now));
        }
        self.conclude(&told, now);
    }

    /// Time has passed: deadlines, reminders, sealing.
    fn tick(&mut self) {
        self.keeper.look_after();
        let now = self.parts.clock.now();
        let is_set = self.parts.clock.is_trusted();
        let judge = (!self.stale.is_empty()).then_some("a pile can't be judged");
        let ails = self.keeper.failing_since().map(|_| "the store can't be written").or(judge);
        self.parts.signs.ails(Organ::Recorder, ails);
        let mut told = self.troubles(is_set, now);
        let found: Vec<(String, Vec<Finding>)> =
            self.desks.iter_mut().map(|(id, desk)| (id.clone(), desk.tick(now))).collect();
        for (pile, findings) in found.into_iter().filter(|(_, findings)| !findings.is_empty()) {
            told.extend(self.tell.take(Some(&pile), &findings, now));
            self.changed.insert(pile);
        }
        if is_set {
            let found = self.farm.tick(now);
            told.extend(self.farm_told(&found, now));
            told.extend(self.harvests(now));
        }
        for (pile, desk) in &self.desks {
            told.extend(self.tell.follow(pile, &desk.present_findings(), now));
        }
        let open = self.tell.recent().iter().filter(|incident| incident.closed_ms.is_none());
        self.handle.show_open(open.cloned());
        let reader = self.reader();
        told.extend(self.tell.due(now, is_set, &reader));
        if !(told.is_empty() && self.unwritten.is_empty() && self.changed.is_empty()) {
            self.conclude(&told, now);
        }
        self.seal(now);
    }

    /// What ails the daemon itself, from the last look and from the store.
    fn troubles(&mut self, is_set: bool, now: At) -> Vec<Told> {
        let Some(mut health) = self.parts.vitals.get() else { return Vec::new() };
        health.store_failing_since = self.keeper.failing_since();
        if is_set {
            // The look may be some seconds old.
            health.clock_untrusted_since = None;
        }
        let matters = trouble::matters(&health, self.tell.recent(), now);
        matters.iter().filter_map(|matter| self.tell.matter(matter, now)).collect()
    }

    /// Harvests that are planned too early, of the piles as they were shown last.
    fn harvests(&mut self, now: At) -> Vec<Told> {
        let mut told = Vec::new();
        for view in self.handle.views() {
            let (pile, uses) = (&view.pile.id, &view.after.uses);
            for matter in harvest::matters(pile, uses, self.tell.recent(), self.parts.zone, now) {
                told.extend(self.tell.matter(&matter, now));
            }
        }
        told
    }

    /// Writes what was decided in one transaction, shows the judgements, wakes the sender.
    pub(super) fn conclude(&mut self, told: &[Told], now: At) {
        self.unwritten.extend_from_slice(told);
        let mut entries = Vec::new();
        let mut concluded = Vec::new();
        for (id, desk) in &self.desks {
            let before = self.concluded.get(id);
            let mut after = before.cloned().unwrap_or_default();
            entries.extend(after.update(id, &desk.judgement, now));
            if before != Some(&after) {
                concluded.push((id.clone(), after));
            }
        }
        if !(self.unwritten.is_empty() && concluded.is_empty()) {
            self.write(&entries, concluded);
        }
        self.show();
    }

    /// Tries again to write what could not be written before.
    pub(super) fn write_rest(&mut self, now: At) {
        if !self.unwritten.is_empty() {
            self.conclude(&[], now);
        }
    }

    fn write(&mut self, entries: &[NewEntry], concluded: Vec<(String, Concluded)>) {
        let told = &self.unwritten;
        let written = self.keeper.with(|store| {
            store.transact(|tx| {
                for entry in entries {
                    tx.append_entry(entry.clone())?;
                }
                for (id, concluded) in &concluded {
                    tx.put_document(&conclusions::document_name(id), &concluded.to_bytes())?;
                }
                tell::put(tx, told)
            })
        });
        match written {
            Ok(()) => {
                self.concluded.extend(concluded);
                self.parts.unwritten.clear();
                if self.unwritten.drain(..).any(|told| !told.messages.is_empty()) {
                    self.parts.outbox.notify_one();
                }
            }
            // It is tried again with the next turn; after a restart it is found again in the readings. What there is to
            // tell goes out meanwhile.
            Err(problem) => {
                if self.parts.unwritten.set(&self.unwritten) {
                    warn!("what was concluded could not be written yet: {problem}");
                    self.parts.outbox.notify_one();
                }
            }
        }
    }

    fn show(&mut self) {
        for id in std::mem::take(&mut self.changed) {
            let Some(desk) = self.desks.get(&id) else { continue };
            let mut open = desk.open_findings();
            let after = After::of(&desk.record, &desk.entries, &desk.judgement, &open, self.parts.zone);
            open.extend(self.farm.open_in(&desk.pile.id));
            self.handle.show(PileView {
                pile: desk.record.clone(),
                judgement: desk.judgement.clone(),
                open,
                after,
                judged_to: desk.judge.newest().unwrap_or(desk.pile.built),
            });
        }
    }

    pub(super) fn farm_told(&mut self, found: &[FarmFinding], now: At) -> Vec<Told> {
        let mut told = Vec::new();
        for found in found {
            let pile = found.pile.as_ref().map(PileId::as_str);
            self.changed.extend(pile.map(str::to_owned));
            told.extend(self.tell.take(pile, std::slice::from_ref(&found.finding), now));
        }
        told
    }

    pub(super) fn standards_of(&self, record: &PileRecord) -> Vec<Standard> {
        let known = &self.parts.standards;
        let of = |id: &String| known.get(&heapward_rules::ids::StandardId::new(id.as_str())).cloned();
        record.standards.iter().filter_map(of).collect()
    }

    /// Seals every six hours and at local midnight, a slice at a turn.
    fn seal(&mut self, now: At) {
        let midnight = time::local_day(now, self.parts.zone).0;
        let due = self.sealed_at.is_none_or(|at| now - at >= SEAL_EVERY || at < midnight);
        if !(due || self.seal_goes_on) || !self.parts.clock.is_trusted() {
            return;
        }
        match self.keeper.with(|store| store.seal(now)) {
            Ok(report) => {
                self.seal_goes_on = report.more;
                self.sealed_at = Some(now);
            }
            // That the store fails was said when it began.
            Err(StoreError::Closed) => {}
            Err(problem) => warn!("sealing waits: {problem}"),
        }
    }

    fn open_piles(&mut self, report: &OpenReport, now: At) -> Result<(), StoreError> {
        let reader = self.reader();
        let mut told = Vec::new();
        // Before any placement is known: else the first probe heard would find all others silent since theirs.
        for latest in reader.latest()? {
            self.farm.heard(&latest.key.probe, latest.reading.at);
        }
        self.farm.begin(now);
        for record in reader.piles()? {
            let id = record.id.clone();
            let standards = self.standards_of(&record);
            let entries = all_entries(&reader, &id)?;
            let params = self.parts.watch.of(&id);
            match PileDesk::open(record, entries, standards, params, &self.parts.probes, &reader, now) {
                Ok((mut desk, mut findings)) => {
                    findings.extend(desk.judge_again());
                    told.extend(self.tell.take_again(&id, &findings, &reader, now)?);
                    told.extend(self.tell.close_stale(&id, &desk.open_findings(), now));
                    let document = reader.document(&conclusions::document_name(&id))?;
                    self.concluded.insert(id.clone(), Concluded::from_bytes(&document.unwrap_or_default()));
                    self.take_up(id, desk);
                }
                Err(OpenError::Store(problem)) => return Err(problem),
                Err(problem @ OpenError::Record(_)) => error!(pile = id, "{problem}"),
            }
        }
        told.extend(self.note_start(report, now)?);
        self.conclude(&told, now);
        Ok(())
    }

    pub(super) fn take_up(&mut self, id: String, desk: PileDesk) {
        self.farm.set_pile(&desk.pile, &desk.others());
        if let Some(progress) = desk.progress() {
            self.farm.progress(&desk.pile.id, progress.clone());
        }
        self.changed.insert(id.clone());
        self.desks.insert(id, desk);
    }

    /// The record says where it was interrupted, and somebody is told.
    fn note_start(&mut self, report: &OpenReport, now: At) -> Result<Option<Told>, StoreError> {
        let sentences = report.sentences();
        let is_damage = !sentences.is_empty();
        for what in sentences {
            error!("{what}");
            let entry = NewEntry {
                pile: None,
                at_ms: now.0,
                entered_ms: now.0,
                by: "heapward".to_owned(),
                note: String::new(),
                corrects: None,
                event: Event::RecordEvent { what },
            };
            self.keeper.with(|store| store.transact(|tx| tx.append_entry(entry)))?;
        }
        let found = trouble::records_damaged(now);
        Ok(is_damage.then_some(found).and_then(|found| self.tell.matter(&found, now)))
    }
}

/// All entries of a pile, in order.
pub fn all_entries(reader: &Reader, pile: &str) -> Result<Vec<crate::model::entry::Entry>, StoreError> {
    let mut entries = Vec::new();
    loop {
        let after = entries.last().map_or(0, |entry: &crate::model::entry::Entry| entry.seq);
        let slice = reader.entries(Some(pile), after, ENTRIES_SLICE)?;
        if slice.is_empty() {
            return Ok(entries);
        }
        entries.extend(slice);
    }
}

fn append(store: &mut Store, readings: &[DatedReading]) -> Result<Vec<Fate>, StoreError> {
    let rows = store.numbered(readings);
    store.append(&rows)
}
