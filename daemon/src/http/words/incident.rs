//! Incidents as sentences.

use heapward_rules::units::{At, Celsius, Span};

use super::{Style, about};
use crate::model::incident::{Incident, Stage};

/// What it was, where, how bad and for how long, and whether anybody was told.
pub(crate) fn sentence(incident: &Incident, now: At, style: Style) -> String {
    let place = match (&incident.spot, &incident.probe) {
        (Some(spot), _) => format!(" at {spot}"),
        (None, Some(probe)) => format!(" of probe {probe}"),
        (None, None) => String::new(),
    };
    let worst = incident.figures.get("worst_c").or_else(|| incident.figures.get("temperature_c"));
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
        other => return other.replace('-', " "),
    };
    words.to_owned()
}
