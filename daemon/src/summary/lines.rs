//! The lines of a summary in their fixed order, twelve at most: a verdict for each pile, the day's one job, spots,
//! water, air, probes, what was not told, the machine and its record, one question.

use heapward_rules::finding::{Kind, Level};
use heapward_rules::units::{At, Celsius, Span};
use heapward_rules::verdict::Status;

use super::snapshot::{PileDay, ProbeDay, Snapshot, SpotDay, VerdictDay};
use crate::config::DisplayUnit;
use crate::limits;
use crate::model::incident::Incident;
use crate::model::words;
use crate::telling::gsm;
use crate::telling::topic::{Topic, parse_level};
use crate::telling::wording;

#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Line {
    pub(super) label: String,
    pub(super) text: String,
}

// === impl Line ===

impl Line {
    fn new(label: &str, text: impl Into<String>) -> Line {
        Line { label: label.to_owned(), text: text.into() }
    }
}

impl std::fmt::Display for Line {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{}: {}", self.label, self.text)
    }
}

/// At most twelve lines.
pub(super) fn lines(snapshot: &Snapshot) -> Vec<Line> {
    let verdicts: Vec<Line> = snapshot
        .piles
        .iter()
        .map(|pile| Line::new(&label(pile, snapshot), verdict(pile, snapshot)))
        .collect();
    let spots: Vec<Line> = snapshot
        .piles
        .iter()
        .filter(|pile| !pile.spots.is_empty())
        .map(|pile| Line::new(&format!("{} spots", name(&pile.id)), spots(pile, snapshot)))
        .collect();
    let harvest = (!snapshot.harvests.is_empty())
        .then(|| Line::new("Harvest", format!("{}.", gsm::one_line(&snapshot.harvests.join("; ")))));
    let tail = [
        Line::new("Water", water(snapshot)),
        Line::new("Air", air(snapshot)),
        Line::new("Probes", probes(snapshot)),
        Line::new("Since yesterday", happened(snapshot)),
        Line::new("Machine", machine(snapshot)),
        Line::new("Record", record(snapshot)),
        Line::new("Question", question(snapshot)),
    ];
    let room = limits::SUMMARY_LINES_MAX - tail.len() - 1 - usize::from(harvest.is_some());
    let (verdicts, spots) = fitted(verdicts, spots, room);
    let mut lines = verdicts;
    lines.push(Line::new("Today", job(snapshot)));
    lines.extend(harvest);
    lines.extend(spots);
    lines.extend(tail);
    lines
}

/// The same in one text of at most 160 characters of the basic set.
pub(super) fn one_line(snapshot: &Snapshot) -> String {
    let piles =
        snapshot.piles.iter().map(|pile| format!("{} {}", name(&pile.id), short_verdict(pile, snapshot)));
    let piles: Vec<String> = piles.collect();
    let job = job(snapshot);
    let text = gsm::basic(&format!("Heapward: {}. Today: {job}", piles.join("; ")));
    gsm::clip(&text, limits::TEXT_CHARS_MAX)
}

/// Verdicts and spots in the room that there is: with many piles, several share a line.
fn fitted(verdicts: Vec<Line>, spots: Vec<Line>, room: usize) -> (Vec<Line>, Vec<Line>) {
    if verdicts.is_empty() {
        return (vec![Line::new("Piles", "none at the moment.")], vec![]);
    }
    if verdicts.len() + spots.len() <= room {
        return (verdicts, spots);
    }
    let spots = if spots.is_empty() { spots } else { vec![joined("Spots", &spots, " spots")] };
    let left = room - spots.len();
    let each = verdicts.len().div_ceil(left);
    if each == 1 {
        return (verdicts, spots);
    }
    (verdicts.chunks(each).map(|some| joined("Piles", some, "")).collect(), spots)
}

fn joined(label: &str, lines: &[Line], cut: &str) -> Line {
    let parts = lines.iter().map(|line| format!("{}: {}", line.label.trim_end_matches(cut), line.text));
    Line::new(label, parts.collect::<Vec<_>>().join(" "))
}

fn label(pile: &PileDay, snapshot: &Snapshot) -> String {
    let days = (snapshot.now - pile.built).0.max(0) / Span::days(1).0 + 1;
    match pile.curing_since {
        Some(_) => format!("{}, day {days}, curing", name(&pile.id)),
        None => format!("{}, day {days}", name(&pile.id)),
    }
}

fn verdict(pile: &PileDay, snapshot: &Snapshot) -> String {
    if pile.verdicts.is_empty() {
        return "no standard chosen.".to_owned();
    }
    let one = |verdict: &VerdictDay| {
        let held = verdict.held_up_by.as_ref();
        let what = match (verdict.status, verdict.at) {
            (Status::Qualified, Some(at)) => format!("QUALIFIED {}", moment(at, snapshot)),
            (Status::Qualified, None) => "QUALIFIED".to_owned(),
            (Status::TemperatureMet, _) => {
                "temperature met; the recipe's C:N is missing or not right".to_owned()
            }
            (Status::Running, _) => running(pile, held.map(String::as_str), snapshot),
            (Status::NotMet, _) => match held {
                Some(spot) => format!("not met, {} lags", name(spot)),
                None => "not met".to_owned(),
            },
            (Status::NotRequired, _) => "asks for no heat of this material".to_owned(),
        };
        let cautions = if verdict.cautions.is_empty() {
            String::new()
        } else {
            format!(" ({})", gsm::one_line(&verdict.cautions.join(", ")))
        };
        let doubt = words::doubt(verdict.verified);
        format!("{} {what}{doubt}{cautions}", name(&verdict.standard))
    };
    let all: Vec<String> = pile.verdicts.iter().map(one).collect();
    format!("{}.", all.join("; "))
}

fn running(pile: &PileDay, held_up_by: Option<&str>, snapshot: &Snapshot) -> String {
    let spot = held_up_by.and_then(|spot| pile.spots.iter().find(|s| s.name == spot));
    match spot.and_then(|spot| Some((spot, spot.counted?))) {
        Some((spot, counted)) => {
            format!("running, {} lags with {}", name(&spot.name), of_required(counted, snapshot))
        }
        None => "running".to_owned(),
    }
}

fn short_verdict(pile: &PileDay, snapshot: &Snapshot) -> String {
    let Some(verdict) = pile.verdicts.first() else { return "no standard".to_owned() };
    let doubt = words::short_doubt(verdict.verified);
    let what = match verdict.status {
        Status::Qualified => "qualified".to_owned(),
        Status::TemperatureMet => "temperature met".to_owned(),
        Status::Running => {
            let slowest = pile.spots.iter().filter(|s| !s.qualified).filter_map(|spot| spot.counted).min();
            slowest.map_or_else(|| "running".to_owned(), |counted| of_required(counted, snapshot))
        }
        Status::NotMet => "not met".to_owned(),
        Status::NotRequired => "no heat asked".to_owned(),
    };
    what + doubt
}

fn of_required(counted: Span, snapshot: &Snapshot) -> String {
    let hours = counted.0 / Span::hours(1).0;
    match snapshot.house.required {
        Some(required) => format!("{hours} of {} h", required.0 / Span::hours(1).0),
        None => format!("{hours} h"),
    }
}

/// `core-north 140/150/158 (72 h)`: minimum, mean and maximum of the last day, and the time counted.
fn spots(pile: &PileDay, snapshot: &Snapshot) -> String {
    let shows = snapshot.site.shows;
    let one = |spot: &SpotDay| {
        let range = spot.range_c.map_or_else(
            || "no reading".to_owned(),
            |(low, mean, high)| {
                format!("{}/{}/{}", degrees(low, shows), degrees(mean, shows), degrees(high, shows))
            },
        );
        let counted = match (spot.given_up, spot.qualified, spot.counted) {
            (true, _, _) => " (given up)".to_owned(),
            (_, true, _) => " (done)".to_owned(),
            (_, _, Some(counted)) => format!(" ({} h)", counted.0 / Span::hours(1).0),
            _ => String::new(),
        };
        format!("{} {range}{counted}", name(&spot.name))
    };
    let unit = if shows == DisplayUnit::Fahrenheit { "F" } else { "C" };
    let all: Vec<String> = pile.spots.iter().map(one).collect();
    format!("{}. Min/mean/max of 24 h, {unit}.", all.join(", "))
}

fn degrees(c: f64, shows: DisplayUnit) -> String {
    match shows {
        DisplayUnit::Fahrenheit => format!("{:.0}", Celsius(c).to_f()),
        DisplayUnit::Celsius => format!("{c:.0}"),
    }
}

/// What the gravest open thing asks for; good news is no job except a move.
fn job(snapshot: &Snapshot) -> String {
    let is_job = |incident: &&Incident| {
        let topic = Topic::parse(&incident.kind);
        incident.closed_ms.is_none()
            && !matches!(topic, Some(Topic::Pile(Kind::Qualified | Kind::Cured | Kind::BatteryLow)))
    };
    let open = snapshot.incidents.iter().filter(is_job);
    let gravest =
        open.max_by_key(|incident| (parse_level(&incident.level), std::cmp::Reverse(incident.opened_ms)));
    let action = gravest.and_then(|incident| {
        let action = wording::action(incident, &snapshot.site, snapshot.now)?;
        let place = [&incident.pile, &incident.spot].into_iter().flatten().map(|text| name(text));
        let place = place.collect::<Vec<_>>().join(" ");
        Some(if place.is_empty() { action } else { format!("{place}: {action}") })
    });
    action.unwrap_or_else(|| "nothing to do; a look, a sniff, an ear for the blower.".to_owned())
}

fn water(snapshot: &Snapshot) -> String {
    let one = |pile: &PileDay| {
        let reading = pile.water.moisture.map(|m| format!("moisture reading {m:.0}"));
        let watered = pile.water.last_watered.map(|at| format!("watered {}", moment(at, snapshot)));
        let parts: Vec<String> = [reading, watered].into_iter().flatten().collect();
        (!parts.is_empty()).then(|| format!("{} {}", name(&pile.id), parts.join(", ")))
    };
    let all: Vec<String> = snapshot.piles.iter().filter_map(one).collect();
    if all.is_empty() {
        "no moisture probe; a squeeze test tells.".to_owned()
    } else {
        format!("{}.", all.join("; "))
    }
}

fn air(snapshot: &Snapshot) -> String {
    let one = |pile: &PileDay| {
        let on = pile.air.on_share.map(|share| format!("blower on {:.0} % of the day", share * 100.0));
        let changed = pile.air.last_changed.map(|at| format!("timer changed {}", moment(at, snapshot)));
        let parts: Vec<String> = [on, changed].into_iter().flatten().collect();
        (!parts.is_empty()).then(|| format!("{} {}", name(&pile.id), parts.join(", ")))
    };
    let all: Vec<String> = snapshot.piles.iter().filter_map(one).collect();
    if all.is_empty() {
        "blower not measured; listen to it.".to_owned()
    } else {
        format!("{}.", all.join("; "))
    }
}

fn probes(snapshot: &Snapshot) -> String {
    let silent: Vec<String> =
        snapshot.probes.iter().filter(|probe| probe.is_silent).map(|p| silent(p, snapshot)).collect();
    let heard = snapshot.probes.len() - silent.len();
    let low = snapshot.probes.iter().filter_map(|probe| {
        let left = probe.battery_percent.filter(|left| *left < limits::BATTERY_NOTED_PERCENT)?;
        Some(format!("{} {left:.0} %", name(&probe.id)))
    });
    let low: Vec<String> = low.collect();
    let has_batteries = snapshot.probes.iter().any(|probe| probe.battery_percent.is_some());
    let batteries = match (has_batteries, low.is_empty()) {
        (false, _) => String::new(),
        (true, true) => "; batteries good".to_owned(),
        (true, false) => format!("; low batteries: {}", low.join(", ")),
    };
    let silent = if silent.is_empty() { String::new() } else { format!("; silent: {}", silent.join(", ")) };
    let refused = match snapshot.house.refused {
        0 => String::new(),
        1 => "; 1 message refused".to_owned(),
        count => format!("; {count} messages refused"),
    };
    format!("{heard} of {} heard{silent}{batteries}{refused}.", snapshot.probes.len())
}

fn silent(probe: &ProbeDay, snapshot: &Snapshot) -> String {
    match probe.heard {
        Some(at) => format!("{} since {}", name(&probe.id), moment(at, snapshot)),
        None => format!("{} never heard", name(&probe.id)),
    }
}

/// Everything of the last day: what is open first, the gravest first.
fn happened(snapshot: &Snapshot) -> String {
    let mut all: Vec<&Incident> =
        snapshot.incidents.iter().filter(|i| is_news_of_the_day(i, snapshot.since)).collect();
    all.sort_by_key(|incident| {
        let level = std::cmp::Reverse(parse_level(&incident.level));
        (incident.closed_ms.is_some(), level, incident.opened_ms)
    });
    if all.is_empty() {
        return "nothing.".to_owned();
    }
    let shown = all.iter().take(limits::SUMMARY_INCIDENTS_MAX);
    let shown: Vec<String> = shown.map(|i| wording::line(i, &snapshot.site, snapshot.now)).collect();
    let more = all.len().saturating_sub(limits::SUMMARY_INCIDENTS_MAX);
    let more = if more > 0 { format!("; {more} more on the page") } else { String::new() };
    format!("{}{more}.", shown.join("; "))
}

/// Good news is news on its day; everything else as long as it is open.
fn is_news_of_the_day(incident: &Incident, since: At) -> bool {
    let is_good = matches!(
        Topic::parse(&incident.kind),
        Some(Topic::Pile(Kind::Qualified | Kind::ReadyToMove | Kind::Cured))
    );
    let is_new = incident.opened_ms >= since.0 || incident.closed_ms.is_some_and(|closed| closed >= since.0);
    is_new || (!is_good && incident.closed_ms.is_none() && parse_level(&incident.level) >= Level::Note)
}

fn machine(snapshot: &Snapshot) -> String {
    let house = &snapshot.house;
    #[expect(clippy::cast_precision_loss, reason = "gigabytes of a card, for the eye")]
    let card = house.free_mb.map(|mb| format!("card {:.1} GB free", mb as f64 / 1_000.0));
    let clock = if house.clock_trusted { "clock set" } else { "CLOCK NOT SET" };
    let backup = house
        .last_copy
        .map_or_else(|| "no backup yet".to_owned(), |at| format!("last backup {}", moment(at, snapshot)));
    let failing = house.channels.iter().filter_map(|(channel, state)| {
        state.failing_since.map(|at| format!("{} FAILS since {}", name(channel), moment(at, snapshot)))
    });
    let old = house.channels.iter().filter_map(|(channel, state)| {
        let last = state.last_sent.filter(|at| snapshot.now - *at > limits::CHANNEL_PROOF)?;
        Some(format!("{} last worked {}, try heapward send-test", name(channel), moment(last, snapshot)))
    });
    let week = house.week;
    let messages = match week.things {
        0 => "no texts in 7 days".to_owned(),
        1 => format!("texts in 7 days: {} about 1 thing, acted on {}", week.texts, week.acted_on),
        things => {
            format!("texts in 7 days: {} about {things} things, acted on {}", week.texts, week.acted_on)
        }
    };
    let parts = card.into_iter().chain([clock.to_owned(), backup, messages]).chain(failing).chain(old);
    format!("{}.", parts.collect::<Vec<_>>().join(", "))
}

/// What a later check compares with: kept in a mailbox, out of reach of whoever changes the record.
fn record(snapshot: &Snapshot) -> String {
    let entries = match &snapshot.house.record {
        Some((seq, digest)) => format!("{seq} entries, SHA-256 {}", gsm::one_line(digest)),
        None => "no entry yet".to_owned(),
    };
    match &snapshot.house.sealed {
        Some((seq, digest)) => format!("HEAD {seq}:{} (keep this mail); {entries}.", gsm::one_line(digest)),
        None => format!("no day sealed yet; {entries}."),
    }
}

/// One question a day, by turns.
fn question(snapshot: &Snapshot) -> String {
    let questions = [
        "Does a handful squeeze to a few drops? Enter dry, right or wet.",
        "How does it smell? Enter earthy, sour, ammonia, rotten or none.",
        "Did you hear the blower run and stop? Enter it.",
    ];
    let days = usize::try_from(snapshot.now.0.max(0) / Span::days(1).0).unwrap_or(0);
    questions.get(days % questions.len()).copied().unwrap_or_default().to_owned()
}

fn moment(at: At, snapshot: &Snapshot) -> String {
    wording::when(at, snapshot.now, snapshot.site.zone)
}

fn name(text: &str) -> String {
    gsm::clip(&gsm::one_line(text), limits::NAME_CHARS_SHOWN)
}
