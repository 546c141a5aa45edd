//! `tests/data/judge_cases.json`: the cases of `tests/data/cases` in one file, written by
//! `tests/reference/judge_fixture.py`.

use std::collections::BTreeMap;
use std::sync::LazyLock;

use heapward_rules::ids::{PileId, ProbeId, SpotName, StandardId};
use heapward_rules::judge::{History, Judge, Sample, Sources};
use heapward_rules::log::{LogEntry, LogEvent};
use heapward_rules::pile::{Agreement, Material, Method, Pile, Placement, Settings, Spot, Zone};
use heapward_rules::reading::{Reading, Source, Unit};
use heapward_rules::standard::{Asks, MethodRule, Mode, Profile, Standard};
use heapward_rules::units::{At, Celsius, Span};
use heapward_rules::verdict::Class;
use serde_json::Value;

const FIXTURE: &str = include_str!("../../../tests/data/judge_cases.json");

/// All cases that can be read, with the answers that they must have.
pub(crate) static CASES: LazyLock<Vec<Case>> = LazyLock::new(|| {
    let fixture: Value = serde_json::from_str(FIXTURE).unwrap();
    let standards: Vec<Standard> = list(&fixture["standards"]).iter().map(standard).collect();
    list(&fixture["cases"]).iter().map(|raw| Case::new(raw, &standards)).collect()
});

pub(crate) struct Case {
    pub(crate) name: String,
    pub(crate) pile: Pile,
    pub(crate) standards: Vec<Standard>,
    pub(crate) log: Vec<LogEntry>,
    /// In order of source, unit and time.
    pub(crate) readings: Vec<Reading>,
    /// What becomes of each.
    pub(crate) classes: Vec<Class>,
    pub(crate) expected: Value,
}

/// Readings that have arrived, as a store would keep them.
#[derive(Default)]
pub(crate) struct Kept(BTreeMap<At, Vec<Reading>>);

// === impl Case ===

impl Case {
    fn new(raw: &Value, standards: &[Standard]) -> Case {
        let series: Vec<(Reading, Class)> = list(&raw["series"]).iter().flat_map(series).collect();
        let (readings, classes) = series.into_iter().unzip();
        let name = text(&raw["name"]).to_owned();
        let pile = pile(&name, &raw["pile"]);
        let of_id = |id: &StandardId| standards.iter().find(|known| known.id == *id).unwrap().clone();
        Case {
            standards: pile.standards.iter().map(of_id).collect(),
            log: list(&raw["log"]).iter().map(entry).collect(),
            expected: raw["expected"].clone(),
            name,
            pile,
            readings,
            classes,
        }
    }

    /// A judge that knows the pile and its log, but no reading.
    pub(crate) fn judge(&self) -> Judge {
        Judge::new(self.pile.clone(), self.standards.clone(), &self.log)
    }

    /// The judge of the whole set.
    pub(crate) fn of_set(&self) -> Judge {
        Judge::of_set(self.pile.clone(), self.standards.clone(), &self.log, &self.readings)
    }

    pub(crate) fn in_order(&self) -> Vec<Reading> {
        let mut readings = self.readings.clone();
        readings.sort_by_key(|reading| reading.at);
        readings
    }
}

// === impl Kept ===

impl Kept {
    pub(crate) fn of(readings: &[Reading]) -> Kept {
        let mut kept = Kept::default();
        kept.keep(readings);
        kept
    }

    pub(crate) fn keep(&mut self, readings: &[Reading]) {
        for reading in readings {
            self.0.entry(reading.at).or_default().push(reading.clone());
        }
    }
}

impl History for Kept {
    fn samples(&self, sources: &mut Sources, from: At, to: At) -> Vec<Sample> {
        let readings = self.0.range(from..to).flat_map(|(_, readings)| readings);
        readings.filter_map(|reading| sources.sample(reading)).collect()
    }
}

fn standard(raw: &Value) -> Standard {
    let rules = [Method::AeratedStatic, Method::InVessel, Method::Windrow].map(|method| {
        let profiles = &raw["profiles"][method_word(method)];
        MethodRule { methods: vec![method], profiles: list(profiles).iter().map(profile).collect() }
    });
    Standard {
        id: StandardId::new(text(&raw["id"])),
        title: String::new(),
        clause: String::new(),
        meaning: String::new(),
        verified: true,
        rules: rules.to_vec(),
        initial_cn: raw["initial_cn"].as_array().map(|ends| (number(&ends[0]), number(&ends[1]))),
        no_heat_for: list(&raw["no_heat_for"]).iter().map(|word| material(text(word))).collect(),
        asks_curing: false,
        readings_per_day: None,
        asks: Asks::default(),
    }
}

fn profile(raw: &Value) -> Profile {
    Profile {
        lo: Celsius::from_f(number(&raw["lo_f"])),
        hi: raw["hi_f"].as_f64().map(Celsius::from_f),
        required: span(&raw["required"]),
        mode: if raw["mode"] == "cumulative" { Mode::Cumulative } else { Mode::Consecutive },
        turns: usize::try_from(raw["turns"].as_u64().unwrap()).unwrap(),
    }
}

fn pile(name: &str, raw: &Value) -> Pile {
    let settings = &raw["settings"];
    let methods = [Method::AeratedStatic, Method::InVessel, Method::Windrow];
    Pile {
        id: PileId::new(name),
        method: methods.into_iter().find(|method| raw["method"] == method_word(*method)).unwrap(),
        material: material(text(&raw["material"])),
        built: at(&raw["built"]),
        initial_cn: raw["initial_cn"].as_f64(),
        standards: list(&raw["standards"]).iter().map(|id| StandardId::new(text(id))).collect(),
        spots: list(&raw["spots"]).iter().map(spot).collect(),
        placements: list(&raw["placements"]).iter().map(placement).collect(),
        settings: Settings {
            max_gap: span(&settings["max_gap"]),
            hand_gap: span(&settings["hand_gap"]),
            turn_allowance: span(&settings["turn_allowance"]),
            guard_c: number(&settings["guard"]),
            agreement: if settings["agreement"] == "together" {
                Agreement::Together
            } else {
                Agreement::Each
            },
            settle: span(&settings["settle"]),
            fault_values: list(&settings["fault_values"]).iter().map(|c| Celsius(number(c))).collect(),
        },
    }
}

fn spot(raw: &Value) -> Spot {
    let zone = match text(&raw[1]) {
        "core" => Zone::Core,
        "middle" => Zone::Middle,
        "outer" => Zone::Outer,
        "base" => Zone::Base,
        "cover" => Zone::Cover,
        "ambient" => Zone::Ambient,
        other => panic!("{other} is no zone"),
    };
    let has_to_heat = !matches!(zone, Zone::Cover | Zone::Ambient);
    Spot {
        name: SpotName::new(text(&raw[0])),
        zone,
        depth_in: None,
        watched_only: has_to_heat && raw[2] == false,
    }
}

fn placement(raw: &Value) -> Placement {
    Placement {
        probe: ProbeId::new(text(&raw["probe"])),
        spot: SpotName::new(text(&raw["spot"])),
        from: at(&raw["from"]),
        until: raw["until"].as_i64().map(At),
        every: span(&raw["every"]),
        offset_c: number(&raw["offset_c"]),
    }
}

fn entry(raw: &Value) -> LogEntry {
    let event = match text(&raw[1]) {
        "turned" => LogEvent::Turned,
        "material-added" => LogEvent::MaterialAdded,
        "spot-given-up" => {
            LogEvent::SpotGivenUp { spot: SpotName::new(text(&raw[2])), reason: text(&raw[3]).to_owned() }
        }
        _ => LogEvent::Other,
    };
    LogEntry { at: at(&raw[0]), event }
}

fn series(raw: &Value) -> Vec<(Reading, Class)> {
    let source = match text(&raw["source"]).strip_prefix("hand:") {
        Some(spot) => Source::Hand(SpotName::new(spot)),
        None => Source::Probe(ProbeId::new(text(&raw["source"]))),
    };
    let unit = if raw["unit"] == "F" { Unit::Fahrenheit } else { Unit::Celsius };
    let instants = list(&raw["at"]).iter().scan(Span::ZERO, |since, step| {
        *since = *since + span(step);
        Some(At(since.0))
    });
    let values = text(&raw["values"]).split(' ').map(|value| value.parse().unwrap());
    let classes = text(&raw["states"]).chars().map(class);
    let readings =
        instants.zip(values).map(|(at, value)| Reading { at, source: source.clone(), value, unit });
    readings.zip(classes).collect()
}

fn class(letter: char) -> Class {
    match letter {
        'c' => Class::Counts,
        'x' => Class::Conflict,
        'f' => Class::Fault,
        'u' => Class::Unplaced,
        'w' => Class::WarmingUp,
        'h' => Class::Held,
        other => panic!("{other} is no class"),
    }
}

fn method_word(method: Method) -> &'static str {
    match method {
        Method::AeratedStatic => "aerated-static",
        Method::InVessel => "in-vessel",
        Method::Windrow => "windrow",
    }
}

fn material(word: &str) -> Material {
    match word {
        "plant" => Material::Plant,
        "animal" => Material::Animal,
        "manure" => Material::Manure,
        other => panic!("{other} is no material"),
    }
}

fn list(value: &Value) -> &[Value] {
    value.as_array().unwrap()
}

fn text(value: &Value) -> &str {
    value.as_str().unwrap()
}

fn number(value: &Value) -> f64 {
    value.as_f64().unwrap()
}

fn at(value: &Value) -> At {
    At(value.as_i64().unwrap())
}

fn span(value: &Value) -> Span {
    Span(value.as_i64().unwrap())
}
