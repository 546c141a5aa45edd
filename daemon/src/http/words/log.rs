//! Entries of the log as sentences, and as words on the chart's time axis.

use heapward_rules::reading::Unit;

use super::Style;
use crate::after::maturity;
use crate::mix::asked;
use crate::model::entry::Event;
use crate::model::reading::parse_unit;
use crate::model::time::parse_rfc3339;

/// What an entry says, without its note.
pub(crate) fn sentence(event: &Event, style: Style) -> String {
    match event {
        Event::Built => "Built.".to_owned(),
        Event::Feedstock { name, class, amount, source } => {
            let amount = after(", ", amount.as_deref().unwrap_or_default());
            let source = after(", from ", source.as_deref().unwrap_or_default());
            format!("Built of {name} ({class}){amount}{source}.")
        }
        Event::Recipe { initial_cn, moisture_percent, how } => {
            let cn = initial_cn.map(|cn| format!("carbon to nitrogen {cn}:1, ")).unwrap_or_default();
            let moisture = moisture_percent.map(|m| format!("moisture {m} %, ")).unwrap_or_default();
            format!("Recipe: {cn}{moisture}by {how}.")
        }
        Event::Asked { .. } => format!("The usual questions: {}.", asked::in_words(event)),
        Event::Turned => "Turned.".to_owned(),
        Event::MaterialAdded { what } => format!("Fresh material added{}.", after(": ", what)),
        Event::SpotGivenUp { spot, reason } => format!("Spot {spot} given up: {reason}."),
        Event::Watered { litres } => {
            format!(
                "Watered{}.",
                litres
                    .map(|l| format!(" with {:.0} gallons ({l:.0} litres)", l / LITRES_PER_GALLON))
                    .unwrap_or_default()
            )
        }
        Event::Covered { depth_in } => {
            format!("Covered{}.", depth_in.map(|d| format!(", {d} inches deep")).unwrap_or_default())
        }
        Event::AerationChanged { on_seconds, off_seconds } => aeration(*on_seconds, *off_seconds),
        Event::HandReading { spot, value, unit } => {
            let sign = match parse_unit(unit) {
                Some(Unit::Celsius) => "°C",
                _ => "°F",
            };
            format!("Read by hand at {spot}: {value} {sign}.")
        }
        Event::Check { squeeze, smell, blower_heard } => {
            check(squeeze.as_deref(), smell.as_deref(), *blower_heard)
        }
        Event::ProbePlaced { probe, spot, .. } => format!("Probe {probe} placed at {spot}."),
        Event::ProbeRemoved { probe } => format!("Probe {probe} taken out."),
        Event::Calibration { probe, reference_c, read_c } => {
            let said = |c: f64| style.temperature(heapward_rules::units::Celsius(c));
            format!("Probe {probe} compared: it said {} at {}.", said(*read_c), said(*reference_c))
        }
        Event::MovedToCuring => "Moved to curing.".to_owned(),
        Event::MaturityTested { test, figure, passed } => maturity::sentence(test, *figure, *passed),
        Event::Used { bed, cubic_yards, crop, touches_soil, harvest } => {
            let amount = cubic_yards.map(|yards| format!(" {yards} cubic yards")).unwrap_or_default();
            let crop = after(", for ", crop.as_deref().unwrap_or_default());
            let soil = match touches_soil {
                Some(true) => ", which touches the soil",
                Some(false) => ", which does not touch the soil",
                None => "",
            };
            let harvest = after(", harvest planned for ", harvest.as_deref().unwrap_or_default());
            format!("Used{amount} on {bed}{crop}{soil}{harvest}.")
        }
        Event::Withdrawn { reason } => format!("Withdrawn: {reason}."),
        Event::Note => String::new(),
        Event::RunQualified { standard } => format!("Qualified under {standard}."),
        Event::RunBroken { standard, spot, reason } => {
            format!("The run at {spot} under {standard} ended: {reason}.")
        }
        Event::VerdictAmended { standard, was, is } => {
            let (was, is) = (local_times(was, style), local_times(is, style));
            format!("The verdict under {standard} was amended from {was} to {is}.")
        }
        Event::RecordEvent { what } => format!("{}.", local_times(what, style)),
    }
}

/// A line of the daemon's with its instants on the farm's clock.
fn local_times(text: &str, style: Style) -> String {
    let words = text.split(' ').map(|word| parse_rfc3339(word).map_or(word.to_owned(), |at| style.when(at)));
    words.collect::<Vec<_>>().join(" ")
}

/// The word on the time axis; whether the hours begin anew there.
pub(crate) fn mark(event: &Event) -> Option<(&'static str, bool)> {
    match event {
        Event::Turned => Some(("turned", true)),
        Event::MaterialAdded { .. } => Some(("material", true)),
        Event::Watered { .. } => Some(("watered", false)),
        Event::Covered { .. } => Some(("covered", false)),
        Event::AerationChanged { .. } => Some(("air", false)),
        Event::SpotGivenUp { .. } => Some(("given up", false)),
        Event::MovedToCuring => Some(("to curing", false)),
        Event::Used { .. } => Some(("used", false)),
        Event::RunQualified { .. } => Some(("qualified", false)),
        _ => None,
    }
}

pub(in crate::http) const LITRES_PER_GALLON: f64 = 3.785_411_784;

fn after(separator: &str, text: &str) -> String {
    if text.trim().is_empty() { String::new() } else { format!("{separator}{}", text.trim()) }
}

fn aeration(on: Option<u32>, off: Option<u32>) -> String {
    let minutes = |seconds: u32| match (seconds / 60, seconds % 60) {
        (0, s) => format!("{s} s"),
        (m, 0) => format!("{m} min"),
        (m, s) => format!("{m} min {s} s"),
    };
    match (on, off) {
        (Some(on), Some(off)) => format!("Aeration set to {} on, {} off.", minutes(on), minutes(off)),
        _ => "Aeration changed.".to_owned(),
    }
}

fn check(squeeze: Option<&str>, smell: Option<&str>, blower: Option<bool>) -> String {
    let blower = blower.map(|heard| if heard { "blower heard" } else { "blower not heard" }.to_owned());
    let parts = [
        squeeze.map(|word| format!("a squeezed handful is {word}")),
        smell.map(|word| match word {
            "none" => "no smell".to_owned(),
            word => format!("smells {word}"),
        }),
        blower,
    ];
    let said: Vec<String> = parts.into_iter().flatten().collect();
    if said.is_empty() { "Looked at.".to_owned() } else { format!("Looked at: {}.", said.join(", ")) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::DisplayUnit;

    #[test]
    fn sentences() {
        let style = Style { zone: chrono_tz::America::New_York, unit: DisplayUnit::Fahrenheit };
        for (event, wanted) in [
            (Event::Watered { litres: Some(151.4) }, "Watered with 40 gallons (151 litres)."),
            (Event::Watered { litres: None }, "Watered."),
            (
                Event::AerationChanged { on_seconds: Some(90), off_seconds: Some(1_200) },
                "Aeration set to 1 min 30 s on, 20 min off.",
            ),
            (
                Event::HandReading { spot: "core-north".to_owned(), value: 131.5, unit: "F".to_owned() },
                "Read by hand at core-north: 131.5 °F.",
            ),
            (
                Event::Check { squeeze: Some("dry".to_owned()), smell: None, blower_heard: Some(false) },
                "Looked at: a squeezed handful is dry, blower not heard.",
            ),
            (
                Event::VerdictAmended {
                    standard: "us-organic".to_owned(),
                    was: "running".to_owned(),
                    is: "qualified at 2026-05-06T05:29:00.000Z".to_owned(),
                },
                "The verdict under us-organic was amended from running to qualified at Wed 6 May, 01:29.",
            ),
            (
                Event::Used {
                    bed: "bed 4".to_owned(),
                    cubic_yards: Some(1.5),
                    crop: Some("lettuce".to_owned()),
                    touches_soil: Some(true),
                    harvest: Some("2026-09-20".to_owned()),
                },
                "Used 1.5 cubic yards on bed 4, for lettuce, which touches the soil, harvest planned for 2026-09-20.",
            ),
        ] {
            assert_eq!(sentence(&event, style), wanted);
        }
    }
}
