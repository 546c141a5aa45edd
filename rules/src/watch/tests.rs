//! Scripts of a pile in, findings out.
//!
//! A line is an instant or a range with a step, then what happens. Instants are `HH:MM` or `NdHH:MM` from the building;
//! values go straight from the first to the last of a range. The lines are played in order of time.
//!
//! ```text
//! 2d10:00 heart 141F
//! 2d10:00..2d16:00/10m heart 141F..160F
//! 2d10:00 hand heart 60C            3d08:00 fault heart 85C            3d08:00 held heart 85C
//! 2d10:00 by k6 heart 60C           another probe than the spot's own
//! 2d10:00 moisture heart 52         2d10:00 battery heart 80       2d10:00 blower shed 1
//! 2d10:00 turned | watered | material-added | curing | used | aeration | give-up toe | tick
//! 2d10:00 run heart 41h             an open run with the time counted so far
//! 2d10:00 qualified heart           2d10:00 met | unmet            2d10:00 broken heart
//! 2d10:00 from-memory           the standard's figures are from memory
//! 2d10:00 unconfirmed heart         2d10:00 confirmed heart        the unit, by the judge
//! ```
//!
//! The pile has the spots heart, south-side, toe (required), lid (cover) and shed (ambient) with probes k1 to k5.

mod ahead;
mod blower;
mod curing;
mod drying;
mod entries;
mod fell_out;
mod figures;
mod overheating;
mod probes;
mod properties;
mod ready;
mod risk;
mod stall;

use super::*;
use crate::finding::Level;
use crate::ids::PileId;
use crate::pile::{Material, Method, Placement, Settings, Spot, Zone};
use crate::units::Span;
use std::collections::BTreeSet;

use crate::verdict::Run;

const SPOTS: [(&str, Zone); 5] = [
    ("heart", Zone::Core),
    ("south-side", Zone::Outer),
    ("toe", Zone::Base),
    ("lid", Zone::Cover),
    ("shed", Zone::Ambient),
];

fn pile(method: Method) -> Pile {
    let name = |(name, _): &(&str, Zone)| SpotName::new(*name);
    let spots =
        SPOTS.iter().map(|spot| Spot { name: name(spot), zone: spot.1, depth_in: None, watched_only: false });
    let placements = SPOTS.iter().enumerate().map(|(index, spot)| Placement {
        probe: ProbeId::new(format!("k{}", index + 1)),
        spot: name(spot),
        from: At(0),
        until: None,
        every: Span::minutes(10),
        offset_c: 0.0,
    });
    Pile {
        id: PileId::new("2026-03"),
        method,
        material: Material::Manure,
        built: At(0),
        initial_cn: None,
        standards: Vec::new(),
        spots: spots.collect(),
        placements: placements.collect(),
        settings: Settings::default(),
    }
}

fn instant(text: &str) -> At {
    let (days, time) = text.split_once('d').unwrap_or(("0", text));
    let (hours, minutes) = time.split_once(':').expect("HH:MM");
    let number = |text: &str| text.parse::<i64>().unwrap_or_else(|_| panic!("a number: {text}"));
    At(0) + Span::days(number(days)) + Span::hours(number(hours)) + Span::minutes(number(minutes))
}

fn shown(at: At) -> String {
    let minutes = at.0 / 60_000;
    format!("{}d{:02}:{:02}", minutes / 1440, minutes / 60 % 24, minutes % 60)
}

fn span(text: &str) -> Span {
    let (number, unit) = text.split_at(text.len() - 1);
    let number: i64 = number.parse().expect("a whole number");
    match unit {
        "m" => Span::minutes(number),
        "h" => Span::hours(number),
        "d" => Span::days(number),
        _ => panic!("m, h or d: {text}"),
    }
}

/// A temperature in °C, or a plain number.
fn value(text: &str) -> f64 {
    let number = |text: &str| text.parse::<f64>().unwrap_or_else(|_| panic!("a number: {text}"));
    match (text.strip_suffix('F'), text.strip_suffix('C')) {
        (Some(f), _) => Celsius::from_f(number(f)).0,
        (_, Some(c)) => number(c),
        _ => number(text),
    }
}

fn probe_of(spot: &str) -> ProbeId {
    let index = SPOTS.iter().position(|(name, _)| *name == spot).unwrap_or_else(|| panic!("no spot {spot}"));
    ProbeId::new(format!("k{}", index + 1))
}

/// The runs of the spots as the script has told them so far.
#[derive(Clone, Default)]
struct Told {
    runs: BTreeMap<String, Span>,
    qualified: BTreeMap<String, At>,
    met: Option<At>,
    from_memory: bool,
    unconfirmed: BTreeSet<String>,
}

impl Told {
    /// What the judge says, if the line is about that.
    fn take(&mut self, at: At, words: &[&str]) -> bool {
        match words {
            ["run", spot, counted] => {
                self.runs.insert((*spot).to_owned(), span(counted));
            }
            ["broken", spot] => {
                self.runs.remove(*spot);
            }
            ["qualified", spot] => {
                self.qualified.insert((*spot).to_owned(), at);
            }
            ["met"] => {
                self.met = Some(at);
            }
            ["from-memory"] => {
                self.from_memory = true;
            }
            ["unconfirmed", spot] => {
                self.unconfirmed.insert((*spot).to_owned());
            }
            ["confirmed", spot] => {
                self.unconfirmed.remove(*spot);
            }
            ["unmet"] => {
                *self = Told::default();
            }
            _ => return false,
        }
        true
    }

    fn progress(&self, at: At) -> Event {
        let spots = SPOTS.iter().map(|(name, zone)| SpotProgress {
            spot: SpotName::new(*name),
            required: zone.has_to_heat(),
            qualified_at: self.qualified.get(*name).copied(),
            open_run: self.runs.get(*name).map(|counted| Run {
                start: at - *counted,
                end: at,
                counted: *counted,
                turns: 0,
            }),
            unit_unconfirmed: self.unconfirmed.contains(*name),
        });
        Event::Progress(Progress {
            at,
            required: Some(Span::hours(72)),
            met_at: self.met,
            qualified: self.met.is_some(),
            verified: !self.from_memory,
            spots: spots.collect(),
        })
    }
}

/// One line at one of its instants; `part` goes from 0 to 1 over the range.
fn event(at: At, part: f64, words: &[&str], told: &mut Told) -> Event {
    let between = |text: &str| {
        let (from, to) = text.split_once("..").unwrap_or((text, text));
        value(from) + part * (value(to) - value(from))
    };
    let observation = |spot: &str, quantity, text: &str, class| {
        Event::Reading(Observation {
            at,
            spot: SpotName::new(spot),
            probe: Some(probe_of(spot)),
            quantity,
            value: between(text),
            class,
        })
    };
    let entry = |event| Event::Entry(LogEntry { at, event });
    if told.take(at, words) {
        return told.progress(at);
    }
    match words {
        ["tick"] => Event::Tick(at),
        ["turned"] => entry(LogEvent::Turned),
        ["aeration"] => entry(LogEvent::AerationChanged),
        ["watered"] => entry(LogEvent::Watered { litres: None }),
        ["material-added"] => entry(LogEvent::MaterialAdded),
        ["curing"] => entry(LogEvent::MovedToCuring),
        ["used"] => entry(LogEvent::Used),
        ["give-up", spot] => {
            entry(LogEvent::SpotGivenUp { spot: SpotName::new(*spot), reason: "too wet".into() })
        }
        ["hand", spot, text] => Event::Reading(Observation {
            at,
            spot: SpotName::new(*spot),
            probe: None,
            quantity: Quantity::Temperature,
            value: between(text),
            class: Class::Counts,
        }),
        ["by", probe, spot, text] => Event::Reading(Observation {
            at,
            spot: SpotName::new(*spot),
            probe: Some(ProbeId::new(*probe)),
            quantity: Quantity::Temperature,
            value: between(text),
            class: Class::Counts,
        }),
        ["fault", spot, text] => observation(spot, Quantity::Temperature, text, Class::Fault),
        ["held", spot, text] => observation(spot, Quantity::Temperature, text, Class::Held),
        ["moisture", spot, text] => observation(spot, Quantity::Moisture, text, Class::Counts),
        ["battery", spot, text] => observation(spot, Quantity::Battery, text, Class::Counts),
        ["blower", spot, text] => observation(spot, Quantity::Blower, text, Class::Counts),
        [spot, text] => observation(spot, Quantity::Temperature, text, Class::Counts),
        _ => panic!("no such line: {words:?}"),
    }
}

/// The events of a script in order of time.
fn events(script: &str) -> Vec<Event> {
    let mut steps: Vec<(At, f64, Vec<&str>)> = Vec::new();
    for line in script.lines().map(str::trim).filter(|line| !line.is_empty()) {
        let mut words = line.split_whitespace();
        let when = words.next().expect("an instant");
        let words: Vec<&str> = words.collect();
        let (range, step) = when.split_once('/').unwrap_or((when, "1d"));
        let (from, to) = range.split_once("..").unwrap_or((range, range));
        let (from, to, step) = (instant(from), instant(to), span(step));
        let mut at = from;
        while at <= to {
            let part = if to == from { 0.0 } else { (at - from).as_hours() / (to - from).as_hours() };
            steps.push((at, part, words.clone()));
            at = at + step;
        }
    }
    steps.sort_by_key(|(at, _, _)| *at);
    let mut told = Told::default();
    steps.iter().map(|(at, part, words)| event(*at, *part, words, &mut told)).collect()
}

fn text(finding: &Finding) -> String {
    let change = match finding.change {
        Change::Opened => "opened",
        Change::Worsened => "worsened",
        Change::Closed => "closed",
    };
    let level = match finding.level {
        Level::Note => "note",
        Level::Act => "act",
        Level::Urgent => "urgent",
        Level::Danger => "danger",
    };
    let place = finding.spot.as_ref().map_or(String::from("pile"), ToString::to_string);
    let probe = finding.probe.as_ref().map_or(String::new(), |probe| format!("/{probe}"));
    format!("{} {:?} {place}{probe} {change} {level}", shown(finding.at), finding.kind)
}

fn play(method: Method, script: &str) -> Vec<Finding> {
    let mut watch = Watch::new(&pile(method), &Params::default());
    events(script).iter().flat_map(|event| watch.step(event)).collect()
}

/// The findings of some kinds that a script makes in an aerated static pile, one a line.
fn check(kinds: &[Kind], script: &str, expected: &[&str]) {
    let found = play(Method::AeratedStatic, script);
    let texts: Vec<String> = found.iter().filter(|finding| kinds.contains(&finding.kind)).map(text).collect();
    assert_eq!(texts, expected, "of {:?}", found.iter().map(text).collect::<Vec<_>>());
}
