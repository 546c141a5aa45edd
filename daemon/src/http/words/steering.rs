//! Advice on water and air in sentences.

use heapward_rules::finding::Finding;
use heapward_rules::physics::{Air, Reason, Timer};
use heapward_rules::units::Span;

use super::log::LITRES_PER_GALLON;
use super::{Style, hours};
use crate::steering::{DRY_PERCENT, Steering, WET_PERCENT, Water, When, dry_at};

/// What to do about water, and how.
pub(in crate::http) fn water(steering: &Steering, open: &[Finding], style: Style) -> String {
    match &steering.water {
        Water::Unknown => {
            "How moist it is nobody knows: squeeze a handful and write it down. A few drops are right."
                .to_owned()
        }
        Water::Enough => match dry_at(open) {
            Some(at) => format!("Moist enough now; by its trend it wants water about {}.", style.when(at)),
            None => "Moist enough: add none.".to_owned(),
        },
        Water::TooWet => format!(
            "Too wet, above {WET_PERCENT:.0} %: add none. More air first, then dry coarse chips; look whether the base drains."
        ),
        Water::Add { litres, portions, percent, when } => {
            let dry = percent.map_or("A handful crumbles".to_owned(), |percent| {
                format!("The probe's index is {percent:.0} %, below {DRY_PERCENT:.0} %")
            });
            let amount = litres.map_or(
                "about 40 gallons (150 litres) for each 1,000 pounds if it is at 40 %".to_owned(),
                |litres| format!("about {:.0} gallons ({litres:.0} litres)", litres / LITRES_PER_GALLON),
            );
            format!("{dry}: add {amount}, in {portions} portions. {}", how(*when))
        }
    }
}

fn how(when: When) -> String {
    let ways = "Early in the day, through holes or a soaker hose, an hour between the portions, the blower off for half an \
                hour and unplugged. Squeeze a handful before each.";
    match when {
        When::Now => ways.to_owned(),
        When::AfterRun { left } => format!(
            "Not yet, if it can wait: a run is open with {} still to prove, and cold water can take a spot below its range. \
             After that: {}{}",
            hours(left),
            ways[..1].to_lowercase(),
            &ways[1..]
        ),
        When::WithCare => "It is above 170 °F and dry: this is how piles burn. Not alone, a hose at hand, wet it before anything \
                           is opened; smoke or a burnt smell: leave and call the fire service."
            .to_owned(),
    }
}

/// One step of the timer, with the reason.
pub(in crate::http) fn air(steering: &Steering) -> String {
    let Some((advice, timer)) = &steering.air else {
        return "No temperature, no advice.".to_owned();
    };
    let step = match (advice.air, timer) {
        (Air::Same, _) => "Leave the timer as it is".to_owned(),
        (_, Some(timer)) => format!("Set the timer to {}", setting(*timer)),
        (Air::More, None) => "Let the blower run about a third longer each time".to_owned(),
        (Air::Less, None) => "Let the blower run about a third shorter each time".to_owned(),
    };
    let why = match advice.reason {
        Reason::Hot => "it is above 150 °F",
        Reason::CoolAndFalling => "it is young, below 140 °F and falling",
        Reason::Right => "it is where it should be",
        Reason::Wait => "it was changed less than a day ago, and the pile has not answered yet",
        Reason::RunWouldBreak => {
            "it is hot, but a spot that is short of its hours is within 5 °F of 131 °F: more air could break its run"
        }
        Reason::DryAndHot => {
            "it is above 170 °F and dry, or nobody knows how moist: more air would feed a smoulder. Wet it first, not alone"
        }
    };
    format!("{step}: {why}.")
}

/// What to look at, and when.
pub(in crate::http) fn look(steering: &Steering, style: Style) -> String {
    let in_two_days = style.day(steering.at + Span::days(2));
    match &steering.air {
        Some((advice, _)) if advice.check_moisture => {
            format!(
                "Longer air dries: squeeze a handful on {in_two_days}. The next step not before {}.",
                style.when(advice.again_at)
            )
        }
        Some((advice, _)) if advice.air == Air::Less => {
            format!(
                "Look on {in_two_days} whether it has stopped falling. The next step not before {}.",
                style.when(advice.again_at)
            )
        }
        _ => match steering.water {
            Water::Add { .. } => {
                "Two days after the water: squeeze a handful, and look whether it warms again.".to_owned()
            }
            _ => format!("Look again on {in_two_days}: squeeze, smell, listen to the blower."),
        },
    }
}

pub(in crate::http) fn setting(timer: Timer) -> String {
    let minutes = |span: Span| {
        // Nobody sets a timer finer than to the half minute.
        let seconds = span.0 / 1_000;
        let seconds = if seconds < 60 { seconds } else { (seconds + 15) / 30 * 30 };
        match (seconds / 60, seconds % 60) {
            (0, seconds) => format!("{seconds} s"),
            (minutes, 0) => format!("{minutes} min"),
            (minutes, seconds) => format!("{minutes} min {seconds} s"),
        }
    };
    format!("{} on, {} off", minutes(timer.on), minutes(timer.off))
}
