//! What is written, and what must be found after each step of it.

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::sync::Arc;

use heapward::model::entry::{Event, NewEntry};
use heapward::model::incident::{Incident, Stage};
use heapward::model::message::{Delivery, OutboxMessage};
use heapward::model::reading::SeriesKey;
use heapward::store::{
    Fate, IncidentFilter, NewReading, OpenReport, Reader, RecordState, SeriesId, Store, StoreError,
    StoreOptions,
};
use heapward_rules::ids::ProbeId;
use heapward_rules::reading::{Quantity, Unit};
use heapward_rules::units::At;

use crate::disk::{Files, MemoryDisk, Random};

/// 2026-05-01T00:00:00Z.
pub(crate) const START: i64 = 1_777_593_600_000;
/// Time that passes from step to step: six hundred steps are eight days.
const STEP_MS: i64 = 20 * 60_000;
const DAY_MS: i64 = 86_400_000;
const PROBES: u32 = 5;
pub(crate) const STEPS: u64 = 600;

/// One of so many cases is tried: all with `HEAPWARD_CRASH=all`, which takes minutes; each second in every run of the tests.
pub(crate) fn one_in() -> u32 {
    if std::env::var("HEAPWARD_CRASH").is_ok_and(|cases| cases == "all") { 1 } else { 2 }
}

/// A store on a disk in memory. The lock is a real file of its own.
pub(crate) struct House {
    pub(crate) store: Store,
    pub(crate) report: OpenReport,
}

/// What a store holds, in a form that can be compared.
#[derive(Clone, Debug, Default, PartialEq)]
pub(crate) struct Dump {
    sequence: u64,
    /// By series: instant, bits, conflict.
    rows: Vec<Vec<(i64, u64, bool)>>,
    /// By series: day and readings without conflict.
    days: Vec<Vec<(i64, u64)>>,
    entries: Vec<(u64, i64, String)>,
    open_incidents: Vec<String>,
    incidents: Vec<(String, Option<i64>)>,
    messages: Vec<String>,
    due: Vec<String>,
}

/// The same as a map in memory.
#[derive(Clone, Debug, Default)]
pub(crate) struct Model {
    values: BTreeMap<(u32, i64), Vec<u64>>,
    dump: Dump,
}

thread_local! {
    static LOCK_DIR: tempfile::TempDir = tempfile::tempdir().unwrap();
}

pub(crate) fn options(disk: &MemoryDisk) -> StoreOptions {
    let dir: PathBuf = LOCK_DIR.with(|dir| dir.path().to_owned());
    let mut options = StoreOptions::new(dir, chrono_tz::UTC);
    options.disk = Arc::new(disk.clone());
    // Sixty frames: it is full now and then.
    options.side_log_bytes = 60 * 4_096;
    options.cache_bytes = 1 << 20;
    options
}

impl House {
    pub(crate) fn open(disk: &MemoryDisk) -> Result<House, StoreError> {
        let (mut store, report) = Store::open(&options(disk))?;
        for i in 0..PROBES {
            let probe = ProbeId::new(format!("k{i}"));
            let key = SeriesKey { probe, quantity: Quantity::Temperature, unit: Unit::Celsius };
            assert_eq!(store.series(&key)?, SeriesId(i), "a series has changed its number");
        }
        Ok(House { store, report })
    }

    pub(crate) fn on(files: Files) -> Result<House, StoreError> {
        House::open(&MemoryDisk::new(files))
    }

    /// Does a step; it is acknowledged when this returns.
    pub(crate) fn step(&mut self, k: u64) -> Result<(), StoreError> {
        if k.is_multiple_of(4) {
            return self.store.transact(|tx| {
                tx.append_entry(entry(k))?;
                tx.put_incident(&incident(k))?;
                if k > 40 {
                    tx.put_incident(&Incident { closed_ms: Some(at(k)), ..incident(k - 40) })?;
                }
                tx.put_message(&message(k, Delivery::Waiting { due_ms: at(k) }))?;
                if k > 8 {
                    tx.put_message(&message(k - 8, Delivery::Sent { at_ms: at(k) }))?;
                }
                tx.put_document("sequence", &k.to_le_bytes())
            });
        }
        let readings = readings(k);
        let fates = self.store.append(&readings)?;
        assert!(!fates.contains(&Fate::Refused));
        if k % 50 == 1 {
            while self.store.seal(At(at(k)))?.more {}
        }
        Ok(())
    }
}

fn at(k: u64) -> i64 {
    START + i64::try_from(k).unwrap() * STEP_MS
}

/// Readings of a step: one of each probe, now and then late ones, repetitions and conflicts.
fn readings(k: u64) -> Vec<NewReading> {
    let mut random = Random(k);
    let reading = |series: u32, k: u64, value: u64| NewReading {
        series: SeriesId(series),
        at: At(at(k) + i64::from(series) * 1_700),
        value: 50.0 + f64::from(u32::try_from(value % 200).unwrap()) * 0.0625,
    };
    let mut readings: Vec<NewReading> =
        (0..PROBES).map(|s| reading(s, k, Random(k * 7 + u64::from(s)).next())).collect();
    if k % 7 == 3 && k > 120 {
        for _ in 0..3 {
            let (series, back) = (u32::try_from(random.below(PROBES.into())).unwrap(), random.below(119));
            let mut late = reading(series, k - back, random.next());
            late.at = At(late.at.0 + 300_000);
            readings.push(late);
            readings.push(readings[usize::try_from(random.below(3)).unwrap()]);
            readings.push(reading(series, k - back, random.next()));
        }
    }
    readings
}

fn entry(k: u64) -> NewEntry {
    NewEntry {
        pile: k.is_multiple_of(8).then(|| "2026-03".to_owned()),
        at_ms: at(k),
        entered_ms: at(k),
        by: "om".to_owned(),
        note: format!("{k:03}").repeat(300),
        corrects: None,
        event: Event::Note,
    }
}

fn incident(k: u64) -> Incident {
    Incident {
        id: format!("2026-03/overheating/-/{}", at(k)),
        pile: Some("2026-03".to_owned()),
        kind: "overheating".to_owned(),
        level: "urgent".to_owned(),
        spot: None,
        read_spot: None,
        probe: None,
        opened_ms: at(k),
        closed_ms: None,
        stage: Stage::Told,
        figures: BTreeMap::new(),
        tellings: Vec::new(),
        muted_until_ms: None,
    }
}

fn message(k: u64, delivery: Delivery) -> OutboxMessage {
    OutboxMessage {
        id: format!("m{k:04}"),
        channel: "text".to_owned(),
        contact: "odile".to_owned(),
        incident: None,
        level: "urgent".to_owned(),
        created_ms: at(k),
        about_ms: at(k),
        subject: String::new(),
        text: "Pile 2026-03: core 163 F and rising".to_owned(),
        html: None,
        images: Vec::new(),
        tries: 0,
        delivery,
    }
}

// === impl Model ===

impl Model {
    pub(crate) fn step(&mut self, k: u64) {
        if !k.is_multiple_of(4) {
            for reading in readings(k) {
                let values = self.values.entry((reading.series.0, reading.at.0)).or_default();
                if !values.contains(&reading.value.to_bits()) {
                    values.push(reading.value.to_bits());
                }
            }
            return;
        }
        let dump = &mut self.dump;
        dump.sequence = k;
        dump.entries.push((k / 4, at(k), entry(k).note));
        dump.open_incidents.push(incident(k).id);
        dump.incidents.push((incident(k).id, None));
        if k > 40 {
            let id = incident(k - 40).id;
            dump.open_incidents.retain(|open| *open != id);
            dump.incidents.iter_mut().filter(|(i, _)| *i == id).for_each(|(_, closed)| *closed = Some(at(k)));
        }
        dump.messages.push(format!("m{k:04}"));
        dump.due.push(format!("m{k:04}"));
        if k > 8 {
            dump.due.retain(|id| *id != format!("m{:04}", k - 8));
        }
    }

    pub(crate) fn dump(&self) -> Dump {
        let series = |s: u32| self.values.range((s, i64::MIN)..=(s, i64::MAX));
        let rows = |s| {
            let all = series(s).flat_map(|((_, at), bits)| bits.iter().map(|b| (*at, *b, bits.len() > 1)));
            all.collect()
        };
        let days = |s| {
            let mut days: BTreeMap<i64, u64> = BTreeMap::new();
            for ((_, at), _) in series(s).filter(|(_, bits)| bits.len() == 1) {
                *days.entry(at.div_euclid(DAY_MS)).or_default() += 1;
            }
            days.into_iter().collect()
        };
        Dump {
            rows: (0..PROBES).map(rows).collect(),
            days: (0..PROBES).map(days).collect(),
            ..self.dump.clone()
        }
    }
}

/// Everything that a store holds, through its doors.
pub(crate) fn dump(reader: &Reader) -> Result<Dump, StoreError> {
    let mut dump = Dump::default();
    if let Some(bytes) = reader.document("sequence")? {
        dump.sequence = u64::from_le_bytes(bytes.try_into().unwrap());
    }
    for series in (0..PROBES).map(SeriesId) {
        let readings = reader.range(series, At(0), At::MAX, usize::MAX)?.readings;
        dump.rows.push(readings.iter().map(|r| (r.at.0, r.value.to_bits(), r.conflict)).collect());
        let days = reader.days(series, At(START - DAY_MS), At(START + 40 * DAY_MS))?;
        dump.days.push(days.iter().map(|day| (day.from.0 / DAY_MS, day.summary.count)).collect());
    }
    let of_pile = reader.entries(Some("2026-03"), 0, usize::MAX)?;
    let entries = reader.entries(None, 0, usize::MAX)?;
    assert_eq!(of_pile.len(), entries.iter().filter(|e| e.entry.pile.is_some()).count());
    dump.entries = entries.into_iter().map(|e| (e.seq, e.entry.at_ms, e.entry.note)).collect();
    let ids = |filter: &IncidentFilter| -> Result<Vec<_>, StoreError> {
        let mut found = reader.incidents(filter, None, usize::MAX)?;
        found.reverse();
        Ok(found.into_iter().map(|i| (i.id, i.closed_ms)).collect())
    };
    dump.incidents = ids(&IncidentFilter::default())?;
    let open = ids(&IncidentFilter { open_only: true, pile: None })?;
    dump.open_incidents = open.into_iter().map(|(id, _)| id).collect();
    let mut messages = reader.messages(None, usize::MAX)?;
    messages.reverse();
    dump.messages = messages.into_iter().map(|m| m.id).collect();
    dump.due = reader.messages_due(At::MAX, usize::MAX)?.into_iter().map(|m| m.id).collect();
    Ok(dump)
}

/// Opens what a power cut has left and compares it with what it may be. An error says what is wrong.
pub(crate) fn judge(files: Files, may_be: &[&Dump], check_record: bool) -> Result<House, String> {
    let house = House::on(files).map_err(|error| format!("it does not open: {error}"))?;
    if house.report.record != RecordState::Agrees {
        return Err(format!("the record is said to be wrong: {:?}", house.report.record));
    }
    let reader = house.store.reader();
    let found = dump(&reader).map_err(|error| format!("it can't be read: {error}"))?;
    if !may_be.contains(&&found) {
        let expected =
            may_be.iter().map(|dump| (dump.sequence, dump.rows.iter().map(Vec::len).sum::<usize>()));
        let found = (found.sequence, found.rows.iter().map(Vec::len).sum::<usize>());
        return Err(format!("sequence and readings {found:?}, allowed {:?}", expected.collect::<Vec<_>>()));
    }
    if check_record {
        let check = reader.check_record().map_err(|error| format!("the record can't be checked: {error}"))?;
        if !check.doubts.is_empty() {
            return Err(format!("the record is in doubt: {:?}", check.doubts));
        }
    }
    Ok(house)
}

impl Dump {
    /// Whether nothing is in it that is not in another; entries that the store adds on its own aside.
    pub(crate) fn is_part_of(&self, whole: &Dump) -> bool {
        let rows = self.rows.iter().zip(&whole.rows);
        let known = |(at, bits): (i64, u64), all: &[(i64, u64, bool)]| {
            all.iter().any(|row| (row.0, row.1) == (at, bits))
        };
        rows.into_iter().all(|(some, all)| some.iter().all(|row| known((row.0, row.1), all)))
            && self.entries.iter().all(|entry| whole.entries.contains(entry))
    }
}
