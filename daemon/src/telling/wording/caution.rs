//! The usual cautions, for mails. Public guidance in our words, not a safety manual.

use heapward_rules::finding::{Kind, Level};

use crate::telling::topic::Topic;

const FIRE: [&str; 5] = [
    "Smoke, blue haze or a burnt smell: keep everybody away and call the fire service. Don't open the pile.",
    "Too large or too hot to handle (above 176 F / 80 C): call the fire service before you open it.",
    "Never open a hot pile alone or in the dark. Have a charged hose ready and wet what you open.",
    "No more air on a dry pile above 170 F / 77 C: air feeds a fire.",
    "A falling temperature next to a smell of smoke is no all-clear.",
];

const STEAM: &str = "Steam and hot material scald: gloves and sleeves, open from the side, stand upwind. Don't step on the pile.";
const DUST: &str =
    "Wet it before you move it and wear a fitted mask (N95 or FFP3): mould dust can make you ill.";
const CURRENT: &str = "Unplug the blower before you work at it; a timer starts it without warning. Don't bypass a GFCI that trips. \
     Wiring in the wet is for a licensed electrician.";
const GAS: &str = "A probe says nothing about gas: ventilate, and never go into pits, sumps or ducts.";
const RULES: &str = "Your organic plan, your certifier and local codes come first.";
const NO_ALARM: &str =
    "Heapward advises. It is no fire alarm and no gas alarm, and it doesn't switch the blower.";

/// The cautions that belong to a topic.
pub(super) fn of(topic: Topic, level: Level) -> Vec<&'static str> {
    let Topic::Pile(kind) = topic else { return vec![RULES] };
    match kind {
        Kind::Overheating if level >= Level::Urgent => {
            FIRE.iter().copied().chain([STEAM, GAS, NO_ALARM]).collect()
        }
        Kind::Overheating | Kind::OverheatingAhead => vec![STEAM, FIRE[3], NO_ALARM],
        Kind::RunAtRisk | Kind::SpotShort | Kind::SlowToHeat | Kind::Stalled | Kind::FellOutEarly => {
            vec![STEAM, DUST]
        }
        Kind::Drying | Kind::ReadyToMove | Kind::Reheating => vec![DUST, STEAM],
        Kind::BlowerOff | Kind::BlowerStuckOn | Kind::AllSilent => vec![CURRENT, NO_ALARM],
        Kind::Qualified | Kind::Cured => vec![RULES],
        Kind::ProbeSilent
        | Kind::ProbeStuck
        | Kind::ProbeFaulty
        | Kind::ProbePulledOut
        | Kind::ProbeMoved
        | Kind::WrongUnit
        | Kind::BatteryLow => vec![STEAM],
    }
}
