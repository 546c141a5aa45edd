//! What to do today: one line for what is open, in order of weight, and what follows from the verdict.
//!
//! The advice is that of extension handbooks (see the rules for figures); where somebody can be hurt it says so and
//! sends to those who know: Heapward is no fire or gas alarm.

use heapward_rules::finding::{Circumstance, Finding, Kind, Level};
use heapward_rules::pile::Settings;
use heapward_rules::units::{At, Span};
use heapward_rules::verdict::{BreakReason, Status};

use super::{Style, about};
use crate::after::Stage;
use crate::model::pile::PileRecord;
use crate::recorder::PileView;

/// One line of advice.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(in crate::http) struct Job {
    /// Whether somebody has to act on it today: the red pencil.
    pub(in crate::http) act: bool,
    pub(in crate::http) what: String,
}

/// How much a pile needs somebody today, the least first.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(in crate::http) enum Need {
    /// Cured, used: it waits for nobody.
    Nothing,
    /// It heats or cures as it should.
    Look,
    /// Something is open that can wait, or a spot is not measured.
    Soon,
    /// The red pencil; the gravest of what is open.
    Today(Level),
}

/// What the order of piles follows.
pub(in crate::http) fn need(view: &PileView, now: At) -> Need {
    let open = view.open.iter().filter(|one| one.kind != Kind::Qualified);
    let gravest = open.clone().filter(|one| is_to_be_done(one)).map(|one| one.level).max();
    let is_bare = matches!(view.after.stage, Stage::Active { .. }) && !bare_spots(&view.pile, now).is_empty();
    match (gravest, view.after.stage) {
        (Some(level), _) => Need::Today(level),
        _ if is_bare || open.clone().next().is_some() => Need::Soon,
        (None, Stage::Active { .. } | Stage::Curing { .. }) => Need::Look,
        (None, Stage::Ready { .. } | Stage::Used { .. }) => Need::Nothing,
    }
}

/// Good news is nothing that has to be done, however loudly it is told.
fn is_to_be_done(finding: &Finding) -> bool {
    let is_good_news = matches!(finding.kind, Kind::Qualified | Kind::ReadyToMove | Kind::Cured);
    finding.level >= Level::Act && !is_good_news
}

/// Everything for today, the gravest first; never empty.
pub(in crate::http) fn jobs(view: &PileView, now: At, style: Style) -> Vec<Job> {
    // That it qualified is the verdict's own sentence.
    let mut open: Vec<&Finding> = view.open.iter().filter(|one| one.kind != Kind::Qualified).collect();
    open.sort_by_key(|finding| std::cmp::Reverse(finding.level));
    let mut jobs: Vec<Job> = open.into_iter().map(|finding| job(finding, now, style)).collect();
    match view.after.stage {
        Stage::Active { .. } => jobs.extend(bare_spots(&view.pile, now)),
        Stage::Curing { .. } => jobs.extend(bare_while_curing(&view.pile, now)),
        Stage::Ready { .. } | Stage::Used { .. } => {}
    }
    if jobs.iter().all(|job| !job.act) {
        jobs.push(Job { act: false, what: usual(view, now) });
    }
    jobs
}

fn job(finding: &Finding, now: At, style: Style) -> Job {
    let place = match (&finding.spot, &finding.probe) {
        (Some(spot), Some(probe)) => format!("{spot} (probe {probe})"),
        (Some(spot), None) => spot.to_string(),
        (None, Some(probe)) => format!("Probe {probe}"),
        (None, None) => "The pile".to_owned(),
    };
    let since = about(now - finding.figures.since.unwrap_or(finding.opened));
    let figure = |finding: &Finding| {
        finding.figures.temperature.map(|t| format!(" at {} and", style.temperature(t))).unwrap_or_default()
    };
    let what = match finding.kind {
        Kind::Overheating if finding.level == Level::Danger => format!(
            "{place} was{} and may smoulder. Do not open it alone. Look for smoke and a burnt smell, have a hose at \
             hand; if there is either, leave and call the fire service.",
            worst(finding, style)
        ),
        Kind::Overheating => format!(
            "{place} is too hot{}, since {since}. Look whether it is moist: wet it if it is dry, {}. Above 170 °F its hours \
             end.",
            worst(finding, style),
            air(finding, "give longer air if it is moist")
        ),
        Kind::OverheatingAhead => format!(
            "{place} will be above 160 °F soon. Look at the moisture; {}.",
            air(finding, "give a little more air")
        ),
        Kind::RunAtRisk => format!(
            "{place} is{} about to fall out of the range{}. Add cover there and cut the blower's time on by a third.",
            figure(finding),
            counted(finding)
        ),
        Kind::SlowToHeat => "The pile is slow to heat. Squeeze a handful: more air and then dry chips if it drips, water if it crumbles; if it \
             is neither, less air and more cover."
            .to_owned(),
        Kind::Stalled => "The pile has stalled. Squeeze a handful: water it if it crumbles, more air and then dry chips if it drips; less air and more cover if it is neither.".to_owned(),
        Kind::SpotShort if finding.figures.circumstance == Some(Circumstance::InTheCore) => format!(
            "{place} will not get there by itself. Read by hand beside it: a probe may sit in a wet lump. Poke air holes into \
             the core, or remix the pile and start its hours anew."
        ),
        Kind::SpotShort => format!("{place} will not get there by itself. Cover it with 6 to 12 inches more, or remix the pile and start its hours anew."),
        Kind::FellOutEarly => format!("{place} fell out of the range before its time. Look at moisture and blower."),
        Kind::Drying => format!("The pile dries out{}. Squeeze a handful; if it crumbles, water in portions, early in the day{}.", water(finding), once_proven(finding)),
        Kind::ProbeSilent => format!("{place} has said nothing for {since}. Look at its battery and cable; read by hand until it speaks, that keeps the evidence."),
        Kind::ProbeStuck => format!("{place} says the same figure for {since}. Compare it with a thermometer."),
        Kind::ProbeFaulty => format!("{place} says impossible figures. Look at its cable and plug; read by hand meanwhile."),
        Kind::ProbePulledOut => format!("{place} looks pulled out of the pile. Put it back at its depth, or write down that it moved."),
        Kind::ProbeMoved => format!("{place} looks as if it had been moved. If so, write it down."),
        Kind::WrongUnit => format!("{place} may report in another unit than declared. Read by hand once next to it."),
        Kind::AllSilent => format!("All probes are silent for {since}. Look at power, gateway and broker; read by hand meanwhile."),
        Kind::BatteryLow => format!("The battery of {place} is low. Change it on the next visit."),
        Kind::BlowerOff => format!("The blower has not run for {since}. Look at its timer, breaker and belt; unplug it before you touch it."),
        Kind::BlowerStuckOn => format!("The blower has not paused for {since}. Look at its timer; the pile cools."),
        Kind::Reheating => "The pile heats up again while it cures. Leave it longer.".to_owned(),
        Kind::Qualified => "Qualified.".to_owned(),
        Kind::ReadyToMove => "Ready to be moved to curing.".to_owned(),
        Kind::Cured => "Cured: it stays near the air's temperature.".to_owned(),
    };
    Job { act: is_to_be_done(finding), what }
}

fn worst(finding: &Finding, style: Style) -> String {
    let worst = finding.figures.worst.or(finding.figures.temperature);
    worst.map(|t| format!(" at {}", style.temperature(t))).unwrap_or_default()
}

fn counted(finding: &Finding) -> String {
    match (finding.figures.counted, finding.figures.required) {
        (Some(counted), Some(required)) => format!(", with {counted} of {required} counted"),
        _ => String::new(),
    }
}

/// `usual`, unless more air would cost another spot its hours.
fn air(finding: &Finding, usual: &'static str) -> &'static str {
    match finding.figures.circumstance {
        Some(Circumstance::RunNearItsLimit) => {
            "leave the timer: a spot that is short of its time is near 131 °F, more air would end its run"
        }
        _ => usual,
    }
}

fn once_proven(finding: &Finding) -> &'static str {
    match finding.figures.circumstance {
        Some(Circumstance::RunOpen) => ", once the open run is proven if it can wait",
        _ => "",
    }
}

fn water(finding: &Finding) -> String {
    let litres = finding.figures.water_litres;
    litres.map(|litres| format!("; about {:.0} gallons would do", litres / 3.785_41)).unwrap_or_default()
}

/// Required spots at which nobody measures.
fn bare_spots(pile: &PileRecord, now: At) -> Vec<Job> {
    let measured = |spot: &str| {
        pile.placements.iter().any(|one| one.spot == spot && one.until_ms.is_none_or(|until| until > now.0))
    };
    let required = pile.spots.iter().filter(|spot| !spot.watched_only && has_to_heat(&spot.zone));
    let bare: Vec<&str> = required.map(|spot| spot.name.as_str()).filter(|spot| !measured(spot)).collect();
    if bare.is_empty() {
        return Vec::new();
    }
    let what = format!(
        "No probe stands at {}. Place one, or read there by hand at least once a day.",
        bare.join(", ")
    );
    vec![Job { act: false, what }]
}

fn has_to_heat(zone: &str) -> bool {
    matches!(zone, "core" | "middle" | "outer" | "base")
}

fn bare_while_curing(pile: &PileRecord, now: At) -> Option<Job> {
    let is_bare = pile.placements.iter().all(|one| one.until_ms.is_some_and(|until| until <= now.0));
    is_bare.then(|| Job {
        act: false,
        what: "No probe stands in it: stick one into its heart, and have one in the air, so that Heapward sees whether it heats \
               up again and when it is cured."
            .to_owned(),
    })
}

fn usual(view: &PileView, now: At) -> String {
    match view.after.stage {
        Stage::Active { .. } => {}
        Stage::Curing { .. } => {
            return "It cures: a month at least, moist, away from raw material. Turned or wetted, it must not heat up again.".to_owned();
        }
        Stage::Ready { .. } => {
            return "Ready to be used. Clean tools, and nothing fresh beside it.".to_owned();
        }
        Stage::Used { .. } => return "Nothing to do: it is used.".to_owned(),
    }
    let first = view.judgement.verdicts.first();
    match first.map(|verdict| verdict.status) {
        Some(Status::Qualified) => "Nothing that must be done. It may be watered, turned or moved to curing.",
        Some(Status::TemperatureMet) => "Write down the recipe's carbon to nitrogen ratio, or ask your certifier.",
        Some(Status::Running) => "Leave it alone: no turning and no cold water until the hours are proven. Look, smell, listen to the blower.",
        Some(Status::NotRequired) => "Nothing that must be done.",
        Some(Status::NotMet) if view.judgement.counts.counting == 0 => return nothing_counts(&view.pile, now),
        Some(Status::NotMet) | None => {
            let last = first.and_then(|verdict| verdict.breaks.last());
            let why = last.map_or("", |last| after_a_break(last.reason));
            return format!("Look at it once: squeeze a handful, smell, listen to the blower, and write it down.{why}");
        }
    }
    .to_owned()
}

/// No reading counts: what is missing, a probe, its time to take the pile's warmth, or its word.
fn nothing_counts(pile: &PileRecord, now: At) -> String {
    let stands = pile.placements.iter().filter(|one| one.until_ms.is_none_or(|until| until > now.0));
    let settle = pile.settings.settle_ms.map_or_else(|| Settings::default().settle, Span);
    match stands.map(|one| At(one.from_ms)).min() {
        None => "No reading counts yet. Place the probes, or read by hand: the hours are made of readings in the range."
            .to_owned(),
        Some(from) if now - from < settle => format!(
            "No reading counts yet: a probe takes the pile's warmth first, its readings count from {} after it was \
             placed.",
            about(settle)
        ),
        Some(_) => "No reading counts yet, though a probe stands in the pile. What each said last stands under \
                    \u{201c}Spots\u{201d}; read by hand where one is silent."
            .to_owned(),
    }
}

/// What follows from the end of the last run.
fn after_a_break(reason: BreakReason) -> &'static str {
    match reason {
        BreakReason::TooCold => " The last run ended because it was too cold: give less air, or more cover.",
        BreakReason::TooHot => {
            " The last run ended because it was too hot: wet it if it is dry, give longer air if it is moist."
        }
        BreakReason::NoEvidence => {
            " The last run ended for want of readings: look at the probes, and read by hand meanwhile."
        }
        BreakReason::Turned | BreakReason::MaterialAdded => {
            " The hours began anew: leave it alone until they are proven."
        }
    }
}
