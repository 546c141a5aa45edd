//! Incidents as sentences.

use heapward_rules::units::{At, Celsius, Span};

use super::{Style, about};
use crate::http::receipts::Receipts;
use crate::model::incident::{Incident, Stage};
use crate::model::message::{Delivery, OutboxMessage};
use crate::telling::step::Step;

/// What it was, where, how bad and for how long, and whether anybody was told.
pub(crate) fn sentence(incident: &Incident, now: At, style: Style) -> String {
    let place = match (&incident.spot, &incident.probe) {
        (Some(spot), _) => format!(" at {spot}"),
        (None, Some(probe)) => format!(" of probe {probe}"),
        (None, None) => String::new(),
    };
    let of_heat = matches!(incident.kind.as_str(), "overheating" | "overheating-ahead" | "reheating");
    let worst = incident.figures.get("worst_c").or_else(|| incident.figures.get("temperature_c"));
    let worst = worst.filter(|_| of_heat);
    let worst = worst.map(|c| format!(", {} at worst", style.temperature(Celsius(*c)))).unwrap_or_default();
    let opened = At(incident.opened_ms);
    let lasted = match incident.closed_ms {
        Some(closed) => format!("over after {}", about(At(closed) - opened)),
        None => format!("for {} so far", about((now - opened).max(Span::ZERO))),
    };
    if is_good_news(&incident.kind) {
        return format!("{}.", title(&incident.kind));
    }
    let told = match incident.stage {
        Stage::Noted => "noted for the summary",
        Stage::Told | Stage::Reminded => "told",
        Stage::Seen => "seen",
        Stage::Over if incident.tellings.iter().any(|telling| !telling.messages.is_empty()) => "told",
        Stage::Over => "nobody was troubled with it",
    };
    format!("{}{place}{worst}, {lasted}; {told}.", title(&incident.kind))
}

/// One line for each telling that went to somebody: when, what it was, to whom and by which channel.
pub(in crate::http) fn tellings(incident: &Incident, receipts: &Receipts, style: Style) -> Vec<String> {
    let told = incident.tellings.iter().filter(|telling| !telling.messages.is_empty());
    told.map(|telling| {
        let messages: Vec<&OutboxMessage> = receipts.of_telling(telling).collect();
        let mut people: Vec<&str> = messages.iter().map(|message| message.contact.as_str()).collect();
        people.dedup();
        let one = |person: &str| {
            let of_person = messages.iter().filter(|message| message.contact == person);
            let ways: Vec<String> = of_person.map(|message| way(message, receipts)).collect();
            format!("{person} by {}", ways.join(" and "))
        };
        let people: Vec<String> = people.into_iter().map(one).collect();
        format!("{} {}: {}.", style.when(At(telling.at_ms)), step(&telling.step), people.join(", "))
    })
    .collect()
}

fn way(message: &OutboxMessage, receipts: &Receipts) -> String {
    let channel = &message.channel;
    match &message.delivery {
        _ if receipts.sent_ms(message).is_some() => channel.clone(),
        Delivery::Superseded { .. } => format!("{channel} (in another message)"),
        Delivery::Failed { .. } => format!("{channel} (could not be sent)"),
        Delivery::Sent { .. } | Delivery::Waiting { .. } => format!("{channel} (waits)"),
    }
}

/// A stored step as people say it.
fn step(word: &str) -> &'static str {
    match Step::parse(word) {
        Some(Step::Worsened(_)) => "told that it got worse",
        Some(Step::Reminder(_)) => "reminded",
        Some(Step::SecondPerson) => "told, as nobody had answered",
        Some(Step::Unstable) => "told that it comes and goes",
        Some(Step::WeekBefore) => "told again, a week before",
        Some(Step::AllClear) => "told that it is over",
        Some(Step::Opened | Step::Noted | Step::Seen) | None => "told",
    }
}

/// Good news has neither an end nor a worst point worth a word, and nobody has to see to it.
pub(crate) fn is_good_news(kind: &str) -> bool {
    matches!(kind, "qualified" | "ready-to-move" | "cured")
}

pub(crate) fn title(kind: &str) -> String {
    let words = match kind {
        "overheating" => "Too hot",
        "overheating-ahead" => "Will be too hot",
        "run-at-risk" => "Run about to break",
        "slow-to-heat" => "Slow to heat",
        "stalled" => "Stalled",
        "spot-short" => "Spot that will not get there",
        "fell-out-early" => "Fell out of the range early",
        "drying" => "Drying",
        "probe-silent" => "Probe silent",
        "probe-stuck" => "Probe stuck",
        "probe-faulty" => "Probe faulty",
        "probe-pulled-out" => "Probe pulled out",
        "probe-moved" => "Probe moved",
        "wrong-unit" => "Unit in doubt",
        "all-silent" => "All probes silent",
        "battery-low" => "Battery low",
        "blower-off" => "Blower off",
        "blower-stuck-on" => "Blower stuck on",
        "reheating" => "Heats up again",
        "qualified" => "Qualified",
        "ready-to-move" => "Ready to be moved",
        "cured" => "Cured",
        "store-failing" => "Readings could not be kept",
        "backup-failing" => "No copy of the records",
        "records-damaged" => "Records damaged",
        "disk-low" => "Card nearly full",
        "broker-away" => "Broker not reached",
        "clock-untrusted" => "Clock not set",
        "channel-failing" => "Messages not sent",
        "harvest-too-soon" => "Harvest planned too soon",
        other => return other.replace('-', " "),
    };
    words.to_owned()
}
