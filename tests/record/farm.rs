//! A pile of an invented farm with everything that a record can hold: gaps, faults, a conflict, a correction, readings
//! by hand, comparisons, incidents, curing and use.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use heapward::model::entry::{Event, NewEntry};
use heapward::model::incident::{Incident, Stage, Telling};
use heapward::model::pile::{PileRecord, PlacementRecord, SettingsRecord, SpotRecord};
use heapward::model::reading::SeriesKey;
use heapward::store::{NewReading, Store, StoreOptions};
use heapward_rules::ids::{ProbeId, SpotName};
use heapward_rules::reading::{Quantity, Reading, Source, Unit};
use heapward_rules::units::{At, Celsius, Span};

/// 2026-05-01T15:00:00Z.
pub(crate) const BUILT: At = At(1_777_647_600_000);
pub(crate) const ZONE: chrono_tz::Tz = chrono_tz::America::New_York;

/// Spot, zone, depth, its probe, the probe's unit, and the minute in which it begins to get warm.
pub(crate) const SPOTS: [SpotLine; 4] = [
    ("core-north", "core", 24.0, "k1", Unit::Celsius, 240),
    ("core-south", "core", 24.0, "k2", Unit::Fahrenheit, 300),
    ("outer-south", "outer", 10.0, "k3", Unit::Celsius, 700),
    ("toe", "base", 8.0, "k4", Unit::Celsius, 900),
];
/// Six more, for a large pile.
const MORE: [SpotLine; 6] = [
    ("core-east", "core", 24.0, "k5", Unit::Celsius, 260),
    ("core-west", "core", 24.0, "k6", Unit::Celsius, 280),
    ("outer-north", "outer", 10.0, "k7", Unit::Celsius, 720),
    ("outer-east", "outer", 10.0, "k8", Unit::Celsius, 740),
    ("outer-west", "outer", 10.0, "k9", Unit::Celsius, 760),
    ("base-west", "base", 8.0, "k10", Unit::Celsius, 880),
];
type SpotLine = (&'static str, &'static str, f64, &'static str, Unit, i64);
const EVERY_MINUTES: i64 = 10;
const DAYS: i64 = 14;

/// A store with the pile, and a configuration beside it.
pub(crate) struct Farm {
    pub(crate) dir: tempfile::TempDir,
    pub(crate) readings: Vec<Reading>,
}

// === impl Farm ===

impl Farm {
    pub(crate) fn new() -> Farm {
        Farm::with_spots(SPOTS.len())
    }

    /// A farm that has sealed days before its pile is built, as every farm but in its first days.
    pub(crate) fn with_days_before() -> Farm {
        Farm::made(SPOTS.len(), &[], |store| {
            let key = SeriesKey {
                probe: ProbeId::new("shed"),
                quantity: Quantity::Temperature,
                unit: Unit::Celsius,
            };
            let series = store.series(&key).unwrap();
            let reading = |hours| NewReading { series, at: BUILT - Span::hours(hours), value: 8.5 };
            store.append(&[120, 96, 72, 48].map(reading)).unwrap();
            while store.seal(BUILT).unwrap().more {}
        })
    }

    /// A farm with a moisture probe at the toe, beside the thermometer and as long, that is in no configuration any more.
    pub(crate) fn with_moisture() -> Farm {
        Farm::made(SPOTS.len(), &[("m1", "toe")], |store| {
            let key =
                SeriesKey { probe: ProbeId::new("m1"), quantity: Quantity::Moisture, unit: Unit::Percent };
            let series = store.series(&key).unwrap();
            let reading = |hour| NewReading { series, at: BUILT + Span::hours(hour), value: 57.5 };
            store.append(&(0..DAYS * 24).map(reading).collect::<Vec<_>>()).unwrap();
        })
    }

    /// With so many spots, ten at most.
    pub(crate) fn with_spots(count: usize) -> Farm {
        Farm::made(count, &[], |_| {})
    }

    /// `others` are more probes in the pile, with their spots.
    fn made(count: usize, others: &[(&str, &str)], before: impl FnOnce(&mut Store)) -> Farm {
        let spots: Vec<SpotLine> = SPOTS.into_iter().chain(MORE).take(count).collect();
        let dir = tempfile::tempdir().unwrap();
        let readings = readings(&spots);
        let mut store = Store::open(&StoreOptions::new(dir.path().join("records"), ZONE)).unwrap().0;
        before(&mut store);
        let mut pile = pile(&spots);
        pile.placements.extend(others.iter().map(|(probe, spot)| placement(probe, spot)));
        fill(&mut store, &pile, &readings);
        drop(store);
        let config = format!(
            "[farm]\nname = \"Quillback Farm\"\ntimezone = \"America/New_York\"\nhardware_clock = true\n\
             [store]\ndir = \"{}\"\n[endpoint]\nlisten = \"127.0.0.1:1883\"\n",
            dir.path().join("records").display()
        );
        std::fs::write(dir.path().join("heapward.toml"), config).unwrap();
        Farm { dir, readings }
    }

    /// Makes a store of the pile with these readings.
    pub(crate) fn fill(records: &Path, readings: &[Reading]) {
        let mut store = Store::open(&StoreOptions::new(records, ZONE)).unwrap().0;
        fill(&mut store, &pile(&SPOTS), readings);
    }

    pub(crate) fn config(&self) -> PathBuf {
        self.dir.path().join("heapward.toml")
    }

    /// Writes the record of the pile with the command.
    pub(crate) fn record(&self, folder: &str) -> PathBuf {
        let out = self.dir.path().join(folder);
        run_record(&self.config(), "2026-03", &out);
        out
    }
}

pub(crate) fn run_record(config: &Path, pile: &str, out: &Path) {
    let (config, folder) = (config.display().to_string(), out.display().to_string());
    let done = heapward_tests::daemon::heapward(&["record", pile, "--out", &folder, "--config", &config]);
    assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
}

/// A climb of 1 C in a quarter of an hour to 62 C and some, and after six days a slow fall.
fn curve(minute: i64, start: i64, spot: i64) -> f64 {
    let climbing = ((minute - start).max(0) / 15).min(48);
    let falling = (minute - 6 * 1_440).max(0) / 200;
    let ripple = (minute / EVERY_MINUTES * 7 + spot * 3) % 10;
    #[expect(clippy::cast_precision_loss, reason = "a temperature")]
    let tenths = ((14 + climbing - falling) * 10 + ripple) as f64;
    tenths / 10.0
}

fn readings(spots: &[SpotLine]) -> Vec<Reading> {
    let mut readings = Vec::new();
    let mut add = |probe: &str, minute: i64, value: f64, unit: Unit| {
        let source = Source::Probe(ProbeId::new(probe));
        readings.push(Reading { at: BUILT + Span(minute * 60_000 + 123), source, value, unit });
    };
    for (index, (_, _, _, probe, unit, start)) in spots.iter().copied().enumerate() {
        for step in 0..DAYS * 1_440 / EVERY_MINUTES {
            let minute = step * EVERY_MINUTES;
            // The toe's probe was silent for six hours, and somebody read there by hand; nobody did at the other.
            let silent = match probe {
                "k4" => 3_000..3_360,
                "k2" => 16_000..16_320,
                _ => 0..0,
            };
            if silent.contains(&minute) {
                continue;
            }
            let c = curve(minute, start, i64::try_from(index).unwrap());
            let value = if unit == Unit::Fahrenheit { (Celsius(c).to_f() * 10.0).round() / 10.0 } else { c };
            add(probe, minute, value, unit);
        }
    }
    // A sensor that starts again, a jump that nothing confirms, and two values for one instant.
    add("k3", 5_003, 85.0, Unit::Celsius);
    add("k2", 12_001, 62.0, Unit::Fahrenheit);
    add("k1", 13_000, 41.25, Unit::Celsius);
    readings
}

fn placement(probe: &str, spot: &str) -> PlacementRecord {
    PlacementRecord {
        probe: probe.to_owned(),
        spot: spot.to_owned(),
        from_ms: BUILT.0,
        until_ms: Some((BUILT + Span::days(DAYS)).0),
        every_ms: EVERY_MINUTES * 60_000,
        offset_c: if probe == "k3" { 0.25 } else { 0.0 },
    }
}

fn pile(spots: &[SpotLine]) -> PileRecord {
    let spot = |(name, zone, depth, _, _, _): SpotLine| SpotRecord {
        name: name.to_owned(),
        zone: zone.to_owned(),
        depth_in: Some(depth),
        watched_only: false,
    };
    PileRecord {
        recipe: None,
        id: "2026-03".to_owned(),
        bay: Some("1".to_owned()),
        method: "aerated-static".to_owned(),
        material: "manure".to_owned(),
        built_ms: BUILT.0,
        initial_cn: Some(29.5),
        standards: ["us-organic", "us-organic-5021", "us-produce"].map(str::to_owned).to_vec(),
        spots: spots.iter().copied().map(spot).collect(),
        placements: spots.iter().map(|(name, _, _, probe, _, _)| placement(probe, name)).collect(),
        settings: SettingsRecord::default(),
    }
}

/// Hours after building, who, what, note, and the entry that it corrects.
fn entries() -> Vec<(f64, &'static str, Event, &'static str, Option<u64>)> {
    let feedstock = |name: &str, class: &str, amount: &str, source: &str| Event::Feedstock {
        name: name.to_owned(),
        class: class.to_owned(),
        amount: Some(amount.to_owned()),
        source: Some(source.to_owned()),
    };
    let by_hand =
        |spot: &str, value: f64| Event::HandReading { spot: spot.to_owned(), value, unit: "F".to_owned() };
    let compared =
        |probe: &str, read_c: f64| Event::Calibration { probe: probe.to_owned(), reference_c: 0.0, read_c };
    vec![
        (0.0, "OM", Event::Built, "", None),
        (
            0.0,
            "OM",
            feedstock("Horse manure with bedding", "manure", "6 loads", "Tansy Ford stables"),
            "",
            None,
        ),
        (0.0, "OM", feedstock("Leaves, last autumn's", "plant", "40 buckets", "own farm"), "", None),
        (
            0.0,
            "OM",
            feedstock("Wood chips", "plant", "2 cubic yards", "tree crew of the town"),
            "no treated wood",
            None,
        ),
        (
            0.0,
            "OM",
            Event::Recipe {
                initial_cn: Some(29.5),
                moisture_percent: Some(57.0),
                how: "table values, range 25 to 35".to_owned(),
            },
            "",
            None,
        ),
        (-24.0, "BO", compared("k1", 0.1), "ice slush", None),
        (-24.0, "BO", compared("k3", -0.25), "ice slush", None),
        (0.5, "OM", Event::Covered { depth_in: Some(6.0) }, "finished compost", None),
        (20.0, "OM", by_hand("toe", 98.0), "", None),
        (44.0, "BO", by_hand("core-north", 114.0), "", None),
        (44.0, "BO", by_hand("core-north", 144.0), "read the wrong line", Some(10)),
        (53.0, "BO", by_hand("toe", 143.5), "probe was silent", None),
        (100.0, "OM", Event::AerationChanged { on_seconds: Some(120), off_seconds: Some(1_500) }, "", None),
        (150.0, "OM", Event::Watered { litres: Some(150.0) }, "in three portions", None),
        (300.0, "OM", Event::MovedToCuring, "bay 4", None),
        (
            1_100.0,
            "OM",
            Event::Used {
                bed: "bed 4".to_owned(),
                cubic_yards: Some(1.5),
                crop: Some("tomatoes".to_owned()),
                touches_soil: None,
                harvest: None,
            },
            "",
            None,
        ),
    ]
}

fn incident() -> Incident {
    let opened = BUILT + Span::hours(70);
    Incident {
        id: format!("2026-03/probe-silent/k4/{}", opened.0),
        pile: Some("2026-03".to_owned()),
        kind: "probe-silent".to_owned(),
        level: "act".to_owned(),
        spot: Some("toe".to_owned()),
        read_spot: None,
        probe: Some("k4".to_owned()),
        opened_ms: (BUILT + Span::minutes(3_020)).0,
        closed_ms: Some((BUILT + Span::minutes(3_360)).0),
        stage: Stage::Over,
        figures: BTreeMap::new(),
        tellings: vec![Telling {
            at_ms: (BUILT + Span::minutes(3_120)).0,
            step: "opened".to_owned(),
            level: "act".to_owned(),
            messages: vec!["m1".to_owned()],
        }],
        muted_until_ms: None,
    }
}

fn fill(store: &mut Store, pile: &PileRecord, readings: &[Reading]) {
    store
        .transact(|tx| {
            tx.put_pile(pile)?;
            tx.put_incident(&incident())?;
            for (hours, by, event, note, corrects) in entries() {
                let at = BUILT + Span::from_hours(hours);
                tx.append_entry(NewEntry {
                    pile: Some("2026-03".to_owned()),
                    at_ms: at.0,
                    entered_ms: at.0.max(BUILT.0) + 60_000,
                    by: by.to_owned(),
                    note: note.to_owned(),
                    corrects,
                    event,
                })?;
            }
            Ok(())
        })
        .unwrap();
    let mut rows = Vec::new();
    for reading in readings {
        let Source::Probe(probe) = &reading.source else { continue };
        let key = SeriesKey { probe: probe.clone(), quantity: Quantity::Temperature, unit: reading.unit };
        rows.push(NewReading { series: store.series(&key).unwrap(), at: reading.at, value: reading.value });
    }
    rows.sort_by_key(|row| row.at);
    for rows in rows.chunks(1_000) {
        store.append(rows).unwrap();
    }
    // The last day is not over.
    while store.seal(BUILT + Span::days(60)).unwrap().more {}
}

/// What the judge has to be told beside the probes' readings: those by hand that are in force.
pub(crate) fn by_hand() -> Vec<Reading> {
    let corrected: Vec<u64> = entries().iter().filter_map(|(_, _, _, _, corrects)| *corrects).collect();
    let entries = entries().into_iter().zip(1..).filter(|(_, seq)| !corrected.contains(seq));
    entries
        .filter_map(|((hours, _, event, _, _), _)| match event {
            Event::HandReading { spot, value, .. } => Some(Reading {
                at: BUILT + Span::from_hours(hours),
                source: Source::Hand(SpotName::new(spot)),
                value,
                unit: Unit::Fahrenheit,
            }),
            _ => None,
        })
        .collect()
}
