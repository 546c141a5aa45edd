//! The daemon's live judge, a replay of its store and `heapward judge` say the same of a pile, to the millisecond.
//!
//! What is known of a pile reaches the daemon one by one, in a random order: readings with their repetitions and
//! conflicts, hand readings and entries long after they happened, entries that are corrected or withdrawn (a correction
//! may be corrected again), probes that are placed later than they were put in. The store lies in memory.

use std::fmt::Write as _;
use std::path::Path;
use std::sync::Arc;

use heapward::cli::judge::{self, JudgeArgs};
use heapward::cli::replay::judge_stored;
use heapward::exchange::judgement_json::JudgementJson;
use heapward::model::entry::{Event, NewEntry};
use heapward::model::pile::{PileRecord, PlacementRecord, SettingsRecord, SpotRecord};
use heapward::model::reading::{DatedBy, DatedReading, SeriesKey, unit_word};
use heapward::model::time::rfc3339;
use heapward::model::words;
use heapward::recorder::entering;
use heapward::recorder::pile_desk::PileDesk;
use heapward::recorder::{Probes, all_entries};
use heapward::standards;
use heapward::store::{NewReading, Reader, Store, StoreOptions};
use heapward_rules::ids::{ProbeId, SpotName};
use heapward_rules::log::{LogEntry, LogEvent};
use heapward_rules::pile::{Pile, Placement};
use heapward_rules::reading::{Quantity, Reading, Source, Unit};
use heapward_rules::units::{At, Span};
use heapward_rules::verdict::Judgement;
use heapward_rules::watch::Params;
use proptest::prelude::*;
use serde_json::Value;

use super::memory_disk::MemoryDisk;
use super::scene::{
    BUILT, Scene, cases_of, entry, instant, judge_set, scene, shuffle, spot, standards_of, value,
};

/// Later than everything that a scene holds.
const NOW: At = At(BUILT.0 + 40 * 86_400_000);

/// What a person wrote down, with all its versions; each stands in for the one before.
#[derive(Clone, Debug)]
struct Story {
    versions: Vec<(At, Event)>,
    withdrawn: bool,
}

/// Something that reaches the daemon.
#[derive(Clone, Copy, Debug)]
enum Arrival {
    Reading(usize),
    /// The next version of a story; after the last, its withdrawal.
    Story(usize),
    Placement(usize),
}

#[derive(Clone, Debug)]
struct Tale {
    scene: Scene,
    stories: Vec<Story>,
    /// Moisture that a probe says beside: in no count, and no conflict with its temperatures.
    moisture: Vec<(At, Source)>,
    order: u64,
}

fn event() -> impl Strategy<Value = (At, Event)> {
    prop_oneof![
        entry().prop_map(|entry| (entry.at, entry_event(&entry.event))),
        (0_usize..3, -4_i64..480, value()).prop_map(|(at, quarters, value)| {
            let spot = spot(at).to_string();
            (instant(quarters), Event::HandReading { spot, value, unit: "C".to_owned() })
        }),
    ]
}

fn story() -> impl Strategy<Value = Story> {
    (prop::collection::vec(event(), 1..4), prop::bool::weighted(0.2))
        .prop_map(|(versions, withdrawn)| Story { versions, withdrawn })
}

fn tale() -> impl Strategy<Value = Tale> {
    let repeated = prop::collection::vec(any::<prop::sample::Index>(), 0..6);
    let moisture = prop::collection::vec(any::<prop::sample::Index>(), 0..3);
    (scene(), prop::collection::vec(story(), 0..5), repeated, moisture, any::<u64>(), 0_usize..4).prop_map(
        |(mut scene, mut stories, repeated, moisture, order, fahrenheit)| {
            stories.extend(scene.log.drain(..).map(|entry| once(entry.at, entry_event(&entry.event))));
            let (by_hand, mut by_probe): (Vec<Reading>, Vec<Reading>) =
                scene.readings.drain(..).partition(|reading| matches!(reading.source, Source::Hand(_)));
            stories.extend(by_hand.iter().filter_map(hand_story));
            stories.retain(|story| story.versions.iter().all(|(_, event)| is_known(&scene.pile, event)));
            if !by_probe.is_empty() {
                let again: Vec<Reading> = repeated.iter().map(|index| index.get(&by_probe).clone()).collect();
                by_probe.extend(again);
            }
            for reading in by_probe.iter_mut().skip(fahrenheit).step_by(fahrenheit + 2) {
                // Halves of a degree C are whole tenths of a degree F: the same value in another unit.
                reading.value = (reading.value * 18.0 + 320.0).round() / 10.0;
                reading.unit = Unit::Fahrenheit;
            }
            let beside = moisture.iter().filter(|_| !by_probe.is_empty()).map(|index| {
                let reading = index.get(&by_probe);
                (reading.at, reading.source.clone())
            });
            Tale { moisture: beside.collect(), scene: Scene { readings: by_probe, ..scene }, stories, order }
        },
    )
}

fn once(at: At, event: Event) -> Story {
    Story { versions: vec![(at, event)], withdrawn: false }
}

fn hand_story(reading: &Reading) -> Option<Story> {
    let Source::Hand(spot) = &reading.source else { return None };
    let unit = unit_word(reading.unit).to_owned();
    Some(once(reading.at, Event::HandReading { spot: spot.to_string(), value: reading.value, unit }))
}

/// The daemon refuses entries about spots that a pile doesn't have.
fn is_known(pile: &Pile, event: &Event) -> bool {
    match event {
        Event::HandReading { spot, .. } | Event::SpotGivenUp { spot, .. } => {
            pile.spots.iter().any(|known| known.name.as_str() == spot)
        }
        _ => true,
    }
}

fn entry_event(event: &LogEvent) -> Event {
    match event {
        LogEvent::Turned => Event::Turned,
        LogEvent::MaterialAdded => Event::MaterialAdded { what: "two loads of bedding".to_owned() },
        LogEvent::SpotGivenUp { spot, reason } => {
            Event::SpotGivenUp { spot: spot.to_string(), reason: reason.clone() }
        }
        _ => Event::Note,
    }
}

// === impl Tale ===

impl Tale {
    /// What stands at the end: the set that every way has to judge alike.
    fn set(&self) -> Scene {
        let mut scene = self.scene.clone();
        let last =
            self.stories.iter().filter(|story| !story.withdrawn).filter_map(|story| story.versions.last());
        for (at, event) in last {
            match event {
                Event::HandReading { spot, value, .. } => {
                    let source = Source::Hand(SpotName::new(spot.as_str()));
                    scene.readings.push(Reading { at: *at, source, value: *value, unit: Unit::Celsius });
                }
                event => scene.log.push(LogEntry { at: *at, event: log_event(event) }),
            }
        }
        scene
    }

    fn arrivals(&self) -> Vec<Arrival> {
        let stories = self.stories.iter().enumerate().flat_map(|(index, story)| {
            std::iter::repeat_n(Arrival::Story(index), story.versions.len() + usize::from(story.withdrawn))
        });
        let readings = (0..self.scene.readings.len()).map(Arrival::Reading);
        let placements = (0..self.scene.pile.placements.len()).map(Arrival::Placement);
        let mut arrivals: Vec<Arrival> = readings.chain(stories).chain(placements).collect();
        shuffle(&mut arrivals, self.order);
        arrivals
    }
}

fn log_event(event: &Event) -> LogEvent {
    match event {
        Event::Turned => LogEvent::Turned,
        Event::MaterialAdded { .. } => LogEvent::MaterialAdded,
        Event::SpotGivenUp { spot, reason } => {
            LogEvent::SpotGivenUp { spot: SpotName::new(spot.as_str()), reason: reason.clone() }
        }
        _ => LogEvent::Other,
    }
}

/// The daemon's store with the pile on the recorder's desk.
struct Farm {
    store: Store,
    reader: Reader,
    desk: PileDesk,
    probes: Probes,
    /// The newest entry of each story.
    newest: Vec<Option<u64>>,
    told: Vec<usize>,
}

// === impl Farm ===

impl Farm {
    /// `folder`: for the store's lock; everything else lies in memory.
    fn new(tale: &Tale, folder: &Path) -> Farm {
        let options = StoreOptions::new(folder, chrono_tz::America::New_York);
        let options = StoreOptions {
            disk: Arc::new(MemoryDisk::default()),
            cache_bytes: 1 << 20,
            side_log_bytes: 1 << 17,
            ..options
        };
        let (mut store, _) = Store::open(&options).unwrap();
        let record = PileRecord { placements: Vec::new(), ..record_of(&tale.scene.pile) };
        store.transact(|tx| tx.put_pile(&record)).unwrap();
        let (reader, probes) = (store.reader(), Probes::new());
        let standards = standards_of(&tale.scene.pile);
        let opened =
            PileDesk::open(record, Vec::new(), standards, &Params::default(), &probes, &reader, BUILT);
        let desk = opened.unwrap().0;
        let stories = tale.stories.len();
        Farm { store, reader, desk, probes, newest: vec![None; stories], told: vec![0; stories] }
    }

    fn arrives(&mut self, tale: &Tale, arrival: Arrival) {
        match arrival {
            Arrival::Reading(index) => self.reading(&tale.scene.readings[index]),
            Arrival::Story(index) => self.next_version(index, &tale.stories[index]),
            Arrival::Placement(index) => self.place(&tale.scene.pile.placements[index]),
        }
    }

    fn reading(&mut self, reading: &Reading) {
        let Source::Probe(probe) = &reading.source else { panic!("hand readings are entries") };
        self.keep(probe, Quantity::Temperature, reading.unit, (reading.at, reading.value));
        let dated = DatedReading {
            probe: probe.clone(),
            quantity: Quantity::Temperature,
            unit: reading.unit,
            at: reading.at,
            value: reading.value,
            dated_by: DatedBy::Payload,
        };
        self.desk.readings(&[dated], &self.probes, &self.reader).unwrap();
    }

    fn keep(&mut self, probe: &ProbeId, quantity: Quantity, unit: Unit, (at, value): (At, f64)) {
        let series = self.store.series(&SeriesKey { probe: probe.clone(), quantity, unit }).unwrap();
        self.store.append(&[NewReading { series, at, value }]).unwrap();
    }

    fn next_version(&mut self, index: usize, story: &Story) {
        let withdrawal = || (NOW, Event::Withdrawn { reason: "another pile".to_owned() });
        let (at, event) = story.versions.get(self.told[index]).cloned().unwrap_or_else(withdrawal);
        let entry = NewEntry {
            pile: Some(self.desk.record.id.clone()),
            at_ms: at.0,
            entered_ms: NOW.0,
            by: "OM".to_owned(),
            note: String::new(),
            corrects: self.newest[index],
            event,
        };
        let entry = self.store.transact(|tx| tx.append_entry(entry)).unwrap();
        self.told[index] += 1;
        self.newest[index] = Some(entry.seq);
        self.desk.entry(entry, &self.reader).unwrap();
    }

    fn place(&mut self, placement: &Placement) {
        let mut record = self.desk.record.clone();
        entering::place(&mut record, &placement_record(placement), |_| true).unwrap();
        self.store.transact(|tx| tx.put_pile(&record)).unwrap();
        self.desk.set_record(record, &self.probes, &self.reader).unwrap();
    }
}

fn record_of(pile: &Pile) -> PileRecord {
    let settings = &pile.settings;
    PileRecord {
        id: pile.id.to_string(),
        bay: None,
        method: words::method_word(pile.method).to_owned(),
        material: words::material_word(pile.material).to_owned(),
        built_ms: pile.built.0,
        initial_cn: pile.initial_cn,
        recipe: None,
        standards: pile.standards.iter().map(ToString::to_string).collect(),
        spots: pile
            .spots
            .iter()
            .map(|spot| SpotRecord {
                name: spot.name.to_string(),
                zone: words::zone_word(spot.zone).to_owned(),
                depth_in: spot.depth_in,
                watched_only: spot.watched_only,
            })
            .collect(),
        placements: pile.placements.iter().map(placement_record).collect(),
        settings: SettingsRecord {
            max_gap_ms: Some(settings.max_gap.0),
            hand_gap_ms: Some(settings.hand_gap.0),
            turn_allowance_ms: Some(settings.turn_allowance.0),
            guard_c: Some(settings.guard_c),
            agreement: Some(words::agreement_word(settings.agreement).to_owned()),
            settle_ms: Some(settings.settle.0),
            fault_values_c: None,
        },
    }
}

fn placement_record(placement: &Placement) -> PlacementRecord {
    PlacementRecord {
        probe: placement.probe.to_string(),
        spot: placement.spot.to_string(),
        from_ms: placement.from.0,
        until_ms: placement.until.map(|until| until.0),
        every_ms: placement.every.0,
        offset_c: placement.offset_c,
    }
}

/// The three files of design 5.4, and what `heapward judge --json` says of them.
fn judged_from_files(scene: &Scene, moisture: &[(At, Source)], folder: &Path) -> Value {
    let time = |n: usize, at: At| if n.is_multiple_of(3) { at.0.to_string() } else { rfc3339(at) };
    let mut readings = "time,source,value,unit\n".to_owned();
    for (n, reading) in scene.readings.iter().enumerate() {
        let unit = unit_word(reading.unit);
        let (at, source) = (time(n, reading.at), source_word(&reading.source));
        writeln!(readings, "{at},{source},{},{unit}", reading.value).unwrap();
    }
    for (at, source) in moisture {
        writeln!(readings, "{},{},61.5,%", rfc3339(*at), source_word(source)).unwrap();
    }
    let mut log = "time,event,detail\n".to_owned();
    for (n, entry) in scene.log.iter().enumerate() {
        let (event, detail) = match &entry.event {
            LogEvent::Turned => ("turned", String::new()),
            LogEvent::MaterialAdded => ("material-added", "two loads of bedding".to_owned()),
            LogEvent::SpotGivenUp { spot, reason } => ("spot-given-up", format!("{spot}: {reason}")),
            _ => ("note", String::new()),
        };
        writeln!(log, "{},{event},{detail}", time(n, entry.at)).unwrap();
    }
    let files = [("pile.toml", pile_text(&scene.pile)), ("readings.csv", readings), ("log.csv", log)];
    for (name, text) in files {
        std::fs::write(folder.join(name), text).unwrap();
    }
    let args = JudgeArgs {
        pile: folder.join("pile.toml"),
        readings: folder.join("readings.csv"),
        log: Some(folder.join("log.csv")),
        json: true,
        standards: None,
    };
    serde_json::from_str(&judge::run(&args).unwrap()).unwrap()
}

fn source_word(source: &Source) -> String {
    match source {
        Source::Probe(probe) => probe.to_string(),
        Source::Hand(spot) => format!("hand:{spot}"),
    }
}

fn pile_text(pile: &Pile) -> String {
    let record = record_of(pile);
    let ms = |span: Span| format!("\"{}ms\"", span.0);
    let mut text = format!(
        "id = {:?}\nmethod = {:?}\nmaterial = {:?}\nbuilt = \"{}\"\nstandards = {:?}\n",
        record.id,
        record.method,
        record.material,
        rfc3339(pile.built),
        record.standards
    );
    if let Some(cn) = pile.initial_cn {
        writeln!(text, "initial_cn = {cn:?}").unwrap();
    }
    for spot in &record.spots {
        let (name, zone, watched_only) = (&spot.name, &spot.zone, spot.watched_only);
        writeln!(text, "[[spot]]\nname = {name:?}\nzone = {zone:?}\nwatched_only = {watched_only}").unwrap();
    }
    for placement in &pile.placements {
        let (probe, spot) = (placement.probe.to_string(), placement.spot.to_string());
        writeln!(
            text,
            "[[placement]]\nprobe = {probe:?}\nspot = {spot:?}\nfrom = \"{}\"",
            rfc3339(placement.from)
        )
        .unwrap();
        if let Some(until) = placement.until {
            writeln!(text, "until = \"{}\"", rfc3339(until)).unwrap();
        }
        writeln!(text, "every = {}\noffset_c = {:?}", ms(placement.every), placement.offset_c).unwrap();
    }
    let settings = &pile.settings;
    writeln!(
        text,
        "[settings]\nmax_gap = {}\nhand_gap = {}\nturn_allowance = {}\nsettle = {}\nguard = {:?}\nagreement = {:?}",
        ms(settings.max_gap),
        ms(settings.hand_gap),
        ms(settings.turn_allowance),
        ms(settings.settle),
        settings.guard_c,
        words::agreement_word(settings.agreement)
    )
    .unwrap();
    text
}

/// By way of text, as the command's answer comes: the reader of JSON may miss a number's last bit.
fn as_json(pile: &Pile, judgement: &Judgement) -> Value {
    let text = serde_json::to_string(&JudgementJson::new(&pile.id, judgement)).unwrap();
    serde_json::from_str(&text).unwrap()
}

/// The daemon looks at no reading from outside the time in which its probe stood in the pile: only what could lie
/// there is in none of its counts.
fn without_what_lies_outside(mut judgement: Judgement) -> Judgement {
    judgement.counts.unplaced = 0;
    judgement.counts.fault = 0;
    judgement.counts.conflict = 0;
    judgement
}

proptest! {
    // Each opens two stores and writes three files: some 20 ms.
    #![proptest_config(cases_of(500))]

    #[test]
    fn the_daemon_a_replay_and_files_say_the_same(tale in tale()) {
        let set = tale.set();
        let expected = judge_set(&set);
        let folder = tempfile::tempdir().unwrap();
        prop_assert_eq!(judged_from_files(&set, &tale.moisture, folder.path()), as_json(&set.pile, &expected));

        let mut farm = Farm::new(&tale, folder.path());
        for (at, source) in &tale.moisture {
            let Source::Probe(probe) = source else { panic!("hand readings are temperatures") };
            farm.keep(probe, Quantity::Moisture, Unit::Percent, (*at, 61.5));
        }
        for arrival in tale.arrivals() {
            farm.arrives(&tale, arrival);
        }
        farm.desk.judge_again();
        let expected = without_what_lies_outside(expected);
        prop_assert_eq!(without_what_lies_outside(farm.desk.judgement.clone()), expected.clone());

        let known = standards::built_in().unwrap();
        let record = farm.reader.pile(&farm.desk.record.id).unwrap().unwrap();
        let replayed = judge_stored(&record, &known, |_| true, &farm.reader).unwrap();
        prop_assert_eq!(without_what_lies_outside(replayed), expected.clone());

        let entries = all_entries(&farm.reader, &record.id).unwrap();
        let standards = standards_of(&tale.scene.pile);
        let again = PileDesk::open(record, entries, standards, &Params::default(), &farm.probes, &farm.reader, NOW);
        let (mut again, _) = again.unwrap();
        again.judge_again();
        prop_assert_eq!(without_what_lies_outside(again.judgement.clone()), expected);
    }
}
