//! The moments of telling, each driven from raw readings and entries through the recorder to the texts that may go out:
//! when, to whom, in which words (`moments.txt`), and how many. What the curves look like is invented; what they lead
//! to is for the rules to say.
//!
//! After a wanted change: `HEAPWARD_WRITE_TABLES=1 cargo nextest run -p heapward-tests --test season moments`, then read
//! the difference. A harvest that becomes too early (T15) is driven in `recorder::tests` of the daemon: entered at once
//! it is refused.

use std::fmt::Write as _;

use heapward::model::entry::{Event, NewEntry};
use heapward::model::pile::{PileRecord, PlacementRecord, SettingsRecord, SpotRecord};
use heapward::model::reading::{DatedBy, DatedReading};
use heapward::model::time::parse_rfc3339;
use heapward_rules::ids::ProbeId;
use heapward_rules::reading::{Quantity, Unit};
use heapward_rules::units::{At, Span};

use super::house::House;
use super::tape::{Item, Step};

/// A pile from its building on, told by what its probes would say.
pub(super) struct Tale {
    /// The moment, and what happens.
    pub(super) name: &'static str,
    /// Local times of building in New York, 20 April 2026: the same tale ends up in the day and in the quiet hours.
    pub(super) built: [&'static str; 2],
    pub(super) hours: f64,
    pub(super) every_minutes: i64,
    /// Probe, and its values at hours after building, straight lines between.
    pub(super) curves: &'static [(&'static str, &'static str)],
    /// Hours between which a probe says nothing; `all` for every one.
    pub(super) silent: &'static [(&'static str, f64, f64)],
    /// Hours between which the blower stands still.
    pub(super) off: &'static [(f64, f64)],
    /// Hours between which it does not pause.
    pub(super) on: &'static [(f64, f64)],
    pub(super) watered: &'static [f64],
    /// Texts that Odile and Bram get in all, for each time of building.
    pub(super) texts: [(usize, usize); 2],
    /// What has to be among Odile's: incident and step.
    pub(super) told: &'static [&'static str],
    /// Incidents that have to be in the store though nobody is told of them.
    pub(super) noted: &'static [&'static str],
}

pub(super) const fn tale(
    name: &'static str,
    hours: f64,
    curves: &'static [(&'static str, &'static str)],
) -> Tale {
    Tale {
        name,
        built: ["07:00", "19:00"],
        hours,
        every_minutes: 10,
        curves,
        silent: &[],
        off: &[],
        on: &[],
        watered: &[],
        texts: [(0, 0); 2],
        told: &[],
        noted: &[],
    }
}

/// Probe of the demo's configuration, spot, zone.
const PLACES: [(&str, &str, &str); 6] = [
    ("k1", "core", "core"),
    ("k2", "base-north", "base"),
    ("k4", "outer-south", "outer"),
    ("a1", "air", "ambient"),
    ("m1", "core", ""),
    ("b1", "core", ""),
];

pub(super) const WARM: &str = "0 60, 24 142, 999 142";
pub(super) const AIR: &str = "0 55, 999 55";

const TALES: &[Tale] = &[
    Tale {
        texts: [(1, 0); 2],
        told: &["qualified opened"],
        ..tale(
            "T3 a good pile has its 72 h at every spot",
            120.0,
            &[("k1", WARM), ("k4", "0 60, 30 140, 999 140"), ("a1", AIR)],
        )
    },
    Tale {
        texts: [(3, 0), (4, 0)],
        told: &["run-at-risk opened", "run-at-risk all-clear", "qualified opened"],
        ..tale(
            "T1 a spot falls towards 131 F with 41 h counted, and is saved",
            120.0,
            &[("k1", WARM), ("k4", "0 60, 24 138, 62 138, 68 131.6, 72 137, 78 141, 999 141"), ("a1", AIR)],
        )
    },
    Tale {
        texts: [(4, 0), (4, 0)],
        told: &["run-at-risk opened", "run-at-risk all-clear", "qualified opened"],
        ..tale(
            "T1 the same with 50 h counted: worth waking somebody",
            120.0,
            &[("k1", WARM), ("k4", "0 60, 24 138, 74 138, 79 131.6, 82 137, 88 141, 999 141"), ("a1", AIR)],
        )
    },
    Tale {
        texts: [(2, 0), (3, 0)],
        told: &["run-at-risk opened", "run-at-risk all-clear"],
        ..tale(
            "T2 it breaks after it was told: one closing line",
            100.0,
            &[("k1", WARM), ("k4", "0 60, 24 138, 62 138, 72 128, 80 120, 84 133, 999 140"), ("a1", AIR)],
        )
    },
    Tale {
        texts: [(0, 0); 2],
        ..tale(
            "T2 it breaks with 6 h counted: for the summary",
            60.0,
            &[("k1", WARM), ("k4", "0 60, 24 138, 29 138, 33 129, 36 133, 999 140"), ("a1", AIR)],
        )
    },
    Tale {
        texts: [(1, 0); 2],
        told: &["slow-to-heat opened"],
        ..tale(
            "T4 four days and no spot at 131 F, though it still climbs",
            110.0,
            &[("k1", "0 60, 999 615"), ("k4", "0 60, 999 560"), ("a1", AIR)],
        )
    },
    Tale {
        texts: [(1, 0); 2],
        told: &["stalled opened"],
        ..tale(
            "T4 three days, and it does not climb any more",
            110.0,
            &[("k1", "0 60, 30 104, 999 104"), ("k4", "0 60, 30 96, 999 96"), ("a1", AIR)],
        )
    },
    Tale {
        texts: [(1, 0); 2],
        told: &["spot-short opened"],
        ..tale(
            "T5 the core has its 72 h and one spot will not get there",
            120.0,
            &[("k1", "0 60, 20 142, 999 142"), ("k4", "0 60, 30 118, 999 118"), ("a1", AIR)],
        )
    },
    Tale {
        texts: [(3, 0), (4, 0)],
        told: &["overheating opened", "overheating reminder-1", "overheating all-clear"],
        ..tale(
            "T6 above 160 F, then cooled by air",
            48.0,
            &[
                ("k1", "0 60, 24 142, 34 158, 36 163, 39 166, 41 152, 999 150"),
                ("k4", "0 60, 24 138, 999 140"),
                ("a1", AIR),
            ],
        )
    },
    Tale {
        texts: [(6, 0), (5, 0)],
        told: &[
            "overheating opened",
            "overheating worsened-urgent",
            "overheating reminder-1",
            "overheating all-clear",
        ],
        ..tale(
            "T7 above 170 F",
            48.0,
            &[
                ("k1", "0 60, 24 142, 33 159, 35 166, 37 173, 39.5 173, 41 150, 999 148"),
                ("k4", "0 60, 24 138, 999 140"),
                ("a1", AIR),
            ],
        )
    },
    Tale {
        texts: [(10, 7), (9, 7)],
        told: &[
            "overheating worsened-danger",
            "overheating reminder-1",
            "overheating reminder-2",
            "overheating all-clear",
        ],
        ..tale(
            "T8 another spot goes to 187 F: everybody, at any hour",
            48.0,
            &[
                ("k1", "0 60, 24 142, 33 163, 39 164, 40 150, 999 148"),
                ("k4", "0 60, 24 138, 33.5 158, 37 187, 38 188, 39 150, 999 148"),
                ("a1", AIR),
            ],
        )
    },
    Tale {
        built: ["09:00", "19:00"],
        off: &[(60.0, 66.0)],
        texts: [(5, 0), (5, 0)],
        told: &["blower-off opened", "blower-off all-clear", "qualified opened"],
        ..tale(
            "T9 the blower stands still while a run is open",
            120.0,
            &[("k1", WARM), ("k4", "0 60, 30 140, 999 140"), ("a1", AIR), ("b1", "")],
        )
    },
    Tale {
        built: ["01:00", "11:00"],
        off: &[(12.0, 18.0)],
        texts: [(4, 0), (2, 0)],
        told: &["blower-off opened", "blower-off all-clear"],
        ..tale(
            "T9 the blower stands still before it is warm: held",
            24.0,
            &[("k1", "0 60, 30 130, 999 130"), ("k4", "0 60, 30 120, 999 120"), ("a1", AIR), ("b1", "")],
        )
    },
    Tale {
        built: ["07:00", "23:00"],
        every_minutes: 30,
        watered: &[206.0],
        texts: [(2, 0); 2],
        told: &["qualified opened", "drying opened"],
        ..tale(
            "T10 it dries while it cools",
            230.0,
            &[
                ("k1", "0 60, 24 152, 999 80"),
                ("k4", "0 60, 30 149, 999 80"),
                ("a1", AIR),
                ("m1", "0 62, 24 62, 216 44, 999 44"),
            ],
        )
    },
    Tale {
        built: ["09:00", "19:00"],
        silent: &[("k1", 60.0, 65.0)],
        texts: [(2, 0), (3, 0)],
        told: &["probe-silent opened", "probe-silent all-clear"],
        ..tale(
            "T11 the one probe of a zone falls silent in its run",
            120.0,
            &[("k1", WARM), ("k4", "0 60, 30 140, 999 140"), ("a1", AIR)],
        )
    },
    Tale {
        silent: &[("k1", 5.0, 9.0), ("a1", 12.0, 15.0)],
        noted: &["probe-silent core k1", "probe-silent air a1"],
        ..tale(
            "T12 probes fall silent while no run is open: for the summary",
            24.0,
            &[("k1", WARM), ("k4", "0 60, 30 140, 999 140"), ("a1", AIR)],
        )
    },
    Tale {
        built: ["09:00", "19:00"],
        silent: &[("all", 60.0, 63.5)],
        texts: [(3, 0), (4, 0)],
        told: &["all-silent opened", "all-silent all-clear"],
        ..tale(
            "T13 everything falls silent: one text for all",
            120.0,
            &[("k1", WARM), ("k4", "0 60, 30 140, 999 140"), ("a1", AIR)],
        )
    },
    Tale {
        built: ["07:00", "23:00"],
        every_minutes: 30,
        texts: [(2, 0); 2],
        told: &["qualified opened", "ready-to-move opened"],
        ..tale(
            "T14 it can be moved: the second text of a good pile",
            610.0,
            &[("k1", "0 60, 24 150, 200 140, 999 90"), ("k4", "0 60, 30 148, 200 136, 999 88"), ("a1", AIR)],
        )
    },
    Tale {
        noted: &["overheating-ahead core"],
        ..tale(
            "- heading for 160 F, and turns back: for the page and the summary",
            40.0,
            &[("k1", "0 60, 24 142, 32 158, 999 158"), ("k4", "0 60, 24 138, 999 140"), ("a1", AIR)],
        )
    },
];

/// The value of a curve at an hour, on straight lines between its points.
fn value(curve: &str, hour: f64) -> f64 {
    let points: Vec<(f64, f64)> = curve
        .split(", ")
        .map(|point| {
            let (at, value) = point.split_once(' ').unwrap();
            (at.parse().unwrap(), value.parse().unwrap())
        })
        .collect();
    let next = points.iter().position(|(at, _)| *at >= hour).unwrap_or(points.len() - 1).max(1);
    let ((from, a), (to, b)) = (points[next - 1], points[next]);
    a + (b - a) * ((hour - from) / (to - from)).clamp(0.0, 1.0)
}

fn built_at(clock: &str) -> At {
    parse_rfc3339(&format!("2026-04-20T{clock}:00-04:00")).unwrap()
}

impl Tale {
    fn is_silent(&self, probe: &str, hour: f64) -> bool {
        let covers = |(of, from, to): &&(&str, f64, f64)| {
            (*of == probe || *of == "all") && *from <= hour && hour < *to
        };
        self.silent.iter().any(|stretch| covers(&stretch))
    }

    fn record(&self, built: At) -> PileRecord {
        let of = |probe: &str| PLACES.iter().find(|(id, ..)| *id == probe).unwrap();
        let spots = self.curves.iter().map(|(probe, _)| of(probe)).filter(|(.., zone)| !zone.is_empty());
        PileRecord {
            id: "2026-07".to_owned(),
            bay: None,
            method: "aerated-static".to_owned(),
            material: "manure".to_owned(),
            built_ms: built.0,
            initial_cn: Some(29.0),
            recipe: None,
            standards: vec!["us-organic".to_owned()],
            spots: spots
                .map(|(_, name, zone)| SpotRecord {
                    name: (*name).to_owned(),
                    zone: (*zone).to_owned(),
                    depth_in: None,
                    watched_only: false,
                })
                .collect(),
            placements: self
                .curves
                .iter()
                .map(|(probe, _)| PlacementRecord {
                    probe: (*probe).to_owned(),
                    spot: of(probe).1.to_owned(),
                    from_ms: built.0,
                    until_ms: None,
                    every_ms: Span::minutes(self.every_minutes).0,
                    offset_c: 0.0,
                })
                .collect(),
            settings: SettingsRecord::default(),
        }
    }

    /// What a probe says at a minute after building. The blower runs for five minutes of each half hour.
    fn says(&self, probe: &str, curve: &str, minute: i64) -> (Quantity, Unit, f64) {
        #[expect(clippy::cast_precision_loss, reason = "minutes of a month")]
        let (hour, wave) = (minute as f64 / 60.0, (minute as f64 / 7.0).sin());
        match &probe[..1] {
            "b" => {
                let stands = self.off.iter().any(|(from, to)| *from <= hour && hour < *to);
                let is_stuck = self.on.iter().any(|(from, to)| *from <= hour && hour < *to);
                let runs = is_stuck || (minute % 30 == 0 && !stands);
                (Quantity::Blower, Unit::Watt, if runs { 118.0 } else { 0.0 })
            }
            "m" => (Quantity::Moisture, Unit::Percent, (value(curve, hour) + 0.3 * wave).round()),
            // A sensor's noise, in steps of a tenth.
            _ => (
                Quantity::Temperature,
                Unit::Fahrenheit,
                (10.0 * value(curve, hour) + 2.0 * wave).round() / 10.0,
            ),
        }
    }

    fn steps(&self, built: At) -> Vec<Step> {
        let mut steps = vec![Step { at: built, item: Item::Start(Box::new(self.record(built))) }];
        #[expect(clippy::cast_possible_truncation, reason = "hours of a month")]
        let minutes = (self.hours * 60.0) as i64;
        for minute in (0..minutes).step_by(usize::try_from(self.every_minutes).unwrap()) {
            let at = built + Span::minutes(minute);
            #[expect(clippy::cast_precision_loss, reason = "minutes of a month")]
            let hour = minute as f64 / 60.0;
            let heard = self.curves.iter().filter(|(probe, _)| !self.is_silent(probe, hour));
            let readings: Vec<DatedReading> = heard
                .map(|(probe, curve)| {
                    let (quantity, unit, value) = self.says(probe, curve, minute);
                    let probe = ProbeId::new(*probe);
                    DatedReading { probe, quantity, unit, at, value, dated_by: DatedBy::Payload }
                })
                .collect();
            steps.push(Step { at, item: Item::Readings(readings) });
            for _ in self.watered.iter().filter(|at| (**at - hour).abs() < 0.01) {
                let event = Event::Watered { litres: Some(300.0) };
                let (pile, by, note) = (Some("2026-07".to_owned()), "OM".to_owned(), String::new());
                let entry = NewEntry { pile, at_ms: at.0, entered_ms: at.0, by, note, corrects: None, event };
                steps.push(Step { at, item: Item::Enter(entry) });
            }
        }
        steps
    }
}

/// What went to the telephones in a tale that begins at a time of the day, in order of the time at which it may come.
pub(super) async fn play(tale: &Tale, clock: &str) -> Vec<String> {
    let memory = std::path::Path::new("/dev/shm");
    let dir = if memory.is_dir() { tempfile::tempdir_in(memory) } else { tempfile::tempdir() }.unwrap();
    let built = built_at(clock);
    let house = House::open(dir.path(), built);
    for step in tale.steps(built) {
        house.take(&step).await;
    }
    let texts = house.texts_of(&["Odile Marsh", "Bram Okafor"]).await;
    let incidents = house.outcome().await.incidents;
    for noted in tale.noted {
        let is_there = incidents.iter().any(|incident| incident.contains(&format!(" {noted} ")));
        assert!(is_there, "{} at {clock}: no `{noted}` in {incidents:#?}", tale.name);
    }
    house.stop().await;
    texts
}

#[tokio::test(flavor = "multi_thread")]
async fn each_moment_comes_from_its_readings_at_its_time_and_as_often_as_it_should() {
    let mut table = String::new();
    let mut wrong = String::new();
    for tale in TALES {
        writeln!(table, "{}", tale.name).unwrap();
        for (clock, count) in tale.built.iter().zip(tale.texts) {
            writeln!(table, "  built at {clock}").unwrap();
            let texts = play(tale, clock).await;
            let to = |who: &str| texts.iter().filter(|text| text.starts_with(who)).collect::<Vec<_>>();
            let counts = (to("Odile").len(), to("Bram").len());
            if counts != count {
                writeln!(wrong, "{} at {clock}: {counts:?}, not {count:?}: {texts:#?}", tale.name).unwrap();
            }
            for told in tale.told {
                if !to("Odile").iter().any(|text| text.contains(&format!(" {told}, "))) {
                    writeln!(wrong, "{} at {clock}: no `{told}` in {texts:#?}", tale.name).unwrap();
                }
            }
            for text in &texts {
                writeln!(table, "    {text}").unwrap();
            }
            if texts.is_empty() {
                writeln!(table, "    nobody").unwrap();
            }
        }
    }
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/season/moments.txt");
    if std::env::var_os("HEAPWARD_WRITE_TABLES").is_some() {
        std::fs::write(path, &table).unwrap();
    } else {
        let written = std::fs::read_to_string(path).unwrap();
        for (is, was) in table.lines().zip(written.lines()) {
            assert_eq!(is, was);
        }
        assert_eq!(table.lines().count(), written.lines().count());
    }
    assert!(wrong.is_empty(), "{wrong}");
}
