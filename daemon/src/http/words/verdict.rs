//! The verdict as a sentence.

use heapward_rules::standard::Standard;
use heapward_rules::units::Span;
use heapward_rules::verdict::{Break, BreakReason, Caution, SpotVerdict, Status, Verdict};

use super::{Style, hours};
use crate::model::words;

/// What the verdict comes to, for somebody who reads nothing else of the page.
pub(in crate::http) fn sentence(verdict: &Verdict, style: Style) -> String {
    let at = verdict.at.map(|at| style.when(at));
    match (verdict.status, at) {
        (Status::Qualified, Some(at)) => {
            let last = verdict.held_up_by.as_ref();
            let last =
                last.map(|spot| format!(" The last spot to get there was {spot}.")).unwrap_or_default();
            format!("Qualified on {at}.{last}")
        }
        (Status::TemperatureMet, Some(at)) => format!(
            "Hot enough for long enough on {at}, but not qualified: the recipe's carbon to nitrogen ratio is not \
             recorded, or not in the range that the rule asks for."
        ),
        (Status::Qualified, None) => "Qualified.".to_owned(),
        (Status::TemperatureMet, None) => "Hot enough for long enough, but not qualified.".to_owned(),
        (Status::Running, _) => format!("{} and counting{}.", proven(verdict), holder(verdict)),
        (Status::NotMet, _) => {
            format!("Not qualified: {}{}.", lower_first(&proven(verdict)), holder(verdict))
        }
        (Status::NotRequired, _) => "No heat is asked: the pile is plant material only.".to_owned(),
    }
}

/// What follows the sentence, or the standard's name, where no line about the standard stands beside it.
pub(in crate::http) fn doubt(verdict: &Verdict) -> &'static str {
    words::doubt(verdict.verified)
}

/// Name of the standard with its clause, as the line above or below the sentence.
pub(in crate::http) fn standard_line(verdict: &Verdict, standard: Option<&Standard>) -> String {
    match standard {
        Some(standard) => {
            // A title may end in the clause's number, which follows anyway.
            let name = standard.title.split_once(", ").filter(|(_, end)| standard.clause.contains(end));
            let name = name.map_or(standard.title.as_str(), |(name, _)| name);
            format!("{name}, {}{}", standard.clause, words::doubt(standard.verified))
        }
        None => verdict.standard.to_string(),
    }
}

/// `41 h of 72 h proven`.
fn proven(verdict: &Verdict) -> String {
    let Some(required) = verdict.required else {
        return "The rule knows no way for this method".to_owned();
    };
    let least = lagging(verdict).map_or(Span::ZERO, |spot| counted(spot, verdict.status));
    let turns = match required.turns {
        0 => String::new(),
        turns => format!(", {} of {turns} turns", lagging(verdict).map_or(0, turns_of)),
    };
    if least == Span::ZERO {
        return format!("Nothing of {} proven yet{turns}", hours(required.time));
    }
    format!("{} of {} proven{turns}", hours(least), hours(required.time))
}

fn holder(verdict: &Verdict) -> String {
    let holder = verdict.held_up_by.as_ref();
    holder.map(|spot| format!("; {spot} holds it up")).unwrap_or_default()
}

/// The spot whose time is told: the one that holds the verdict up.
fn lagging(verdict: &Verdict) -> Option<&SpotVerdict> {
    let name = verdict.held_up_by.as_ref()?;
    verdict.spots.iter().find(|spot| spot.spot == *name)
}

/// The time that stands for a spot: of the open run while it runs, else of its best one.
pub(in crate::http) fn counted(spot: &SpotVerdict, status: Status) -> Span {
    let run = match status {
        Status::Running | Status::NotMet => spot.open_run.or(spot.longest_run),
        _ => spot.longest_run,
    };
    run.map_or(Span::ZERO, |run| run.counted)
}

/// A caution as a sentence with what to do.
pub(in crate::http) fn caution(caution: &Caution) -> String {
    match caution {
        Caution::UnitUnconfirmed(spot) => format!(
            "Is the probe at {spot} in the right unit? It was hot from the start. Read there by hand once: that \
             settles it."
        ),
        Caution::TurnsCloseTogether => {
            "Two turns lie less than 12 hours apart; an inspector may ask.".to_owned()
        }
        Caution::CuringNotRecorded => {
            "The rule asks for curing too; write down when the pile is moved.".to_owned()
        }
    }
}

/// Why a run ended, in a sentence.
pub(in crate::http) fn break_sentence(one: &Break, style: Style) -> String {
    let reason = match one.reason {
        BreakReason::TooCold => "it was too cold after",
        BreakReason::TooHot => "it was too hot after",
        BreakReason::NoEvidence => "no reading proves the time after",
        BreakReason::Turned => "the pile was turned after",
        BreakReason::MaterialAdded => "fresh material was added after",
    };
    format!("{}: {reason} {}.", one.spot, style.when(one.at))
}

fn turns_of(spot: &SpotVerdict) -> usize {
    spot.open_run.or(spot.longest_run).map_or(0, |run| run.turns)
}

fn lower_first(text: &str) -> String {
    let mut chars = text.chars();
    chars.next().map(|first| first.to_lowercase().chain(chars).collect()).unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::DisplayUnit;
    use heapward_rules::ids::{SpotName, StandardId};
    use heapward_rules::units::At;
    use heapward_rules::verdict::{Required, Run};

    fn verdict(status: Status, counted_hours: i64) -> Verdict {
        let at = At(1_777_647_600_000);
        let run = Run {
            start: at,
            end: at + Span::hours(counted_hours),
            counted: Span::hours(counted_hours),
            turns: 2,
        };
        let spot = SpotName::new("outer-south");
        Verdict {
            standard: StandardId::new("us-organic"),
            verified: true,
            status,
            at: matches!(status, Status::Qualified | Status::TemperatureMet).then_some(at),
            held_up_by: Some(spot.clone()),
            cautions: Vec::new(),
            spots: vec![SpotVerdict {
                spot,
                required: true,
                qualified_at: None,
                longest_run: Some(run).filter(|_| counted_hours > 0),
                open_run: Some(run).filter(|_| counted_hours > 0),
                given_up: None,
            }],
            breaks: Vec::new(),
            required: Some(Required { time: Span::hours(72), turns: 0 }),
        }
    }

    #[test]
    fn sentences() {
        let style = Style { zone: chrono_tz::America::New_York, unit: DisplayUnit::Fahrenheit };
        for (status, counted_hours, wanted) in [
            (
                Status::Qualified,
                80,
                "Qualified on Fri 1 May, 11:00. The last spot to get there was outer-south.",
            ),
            (Status::Running, 41, "41 h of 72 h proven and counting; outer-south holds it up."),
            (Status::NotMet, 12, "Not qualified: 12 h of 72 h proven; outer-south holds it up."),
            (Status::NotMet, 0, "Not qualified: nothing of 72 h proven yet; outer-south holds it up."),
            (Status::NotRequired, 0, "No heat is asked: the pile is plant material only."),
        ] {
            assert_eq!(sentence(&verdict(status, counted_hours), style), wanted);
        }
        let mut windrow = verdict(Status::Running, 100);
        windrow.required = Some(Required { time: Span::days(15), turns: 5 });
        assert_eq!(
            sentence(&windrow, style),
            "100 h of 360 h proven, 2 of 5 turns and counting; outer-south holds it up."
        );
    }
}
