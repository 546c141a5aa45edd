//! Sentences about the daemon's own troubles and the farm's plans.

use super::View;
use super::draft::Draft;
use super::say;
use crate::telling::topic::Trouble;

pub(super) fn trouble(view: View<'_>, trouble: Trouble) -> Draft {
    let since = view.when(view.since());
    match trouble {
        Trouble::StoreFailing => {
            Draft::fact(format!("Heapward can't keep readings since {since}: card full, locked or broken."))
                .action("Free space or change the card; hand readings on paper until then.")
        }
        Trouble::DiskLow => {
            let left = view.figure("free_mb").map(|mb| format!(", {mb:.0} MB left")).unwrap_or_default();
            Draft::fact(format!("Heapward's card is nearly full since {since}{left}."))
                .action("Copy the backups away and delete them, or fit a larger card.")
        }
        Trouble::BrokerAway => Draft::fact(format!("Heapward can't reach the MQTT broker since {since}."))
            .action("Check the power and network in the barn, then the broker.")
            .hint("Hand readings keep the evidence."),
        Trouble::ClockUntrusted => {
            // Since when, only the clock itself could say.
            Draft::fact("Heapward's clock is not set: readings without a time are held.")
                .action("Check the network or the clock's battery; enter hand readings with their time.")
        }
        Trouble::ChannelFailing => {
            let channel = view.place().unwrap_or_else(|| "a channel".to_owned());
            Draft::fact(format!("Heapward could send nothing by {channel} since {since}."))
                .action("Try: heapward send-test. It says what is wrong.")
        }
        Trouble::BackupFailing => {
            Draft::fact(format!("Heapward could make no copy of its records since {since}."))
                .action("Is the stick in, and has it room? heapward doctor says what is wrong.")
        }
        Trouble::RecordsDamaged => Draft::fact(format!("Heapward found its records damaged at {since}."))
            .action(
                "Nothing was deleted; the log says what is missing. heapward restore brings back a copy.",
            ),
        Trouble::HarvestTooSoon => harvest(view),
    }
}

/// 7 CFR 205.203(c)(1): raw manure 90 days before harvest, 120 where the crop touches the soil.
fn harvest(view: View<'_>) -> Draft {
    let day = |at| say::day(at, view.site.zone);
    let bed = view.place().map_or_else(|| "out".to_owned(), |bed| format!("on bed {bed}"));
    let planned = view.instant("harvest_ms").map(|at| format!(" {}", day(at))).unwrap_or_default();
    let earliest =
        view.instant("earliest_ms").map_or_else(|| "90 or 120 days after spreading".to_owned(), day);
    Draft::fact(format!(
        "{} went {bed} as raw manure on {}; harvest{planned} is too soon.",
        view.about().trim_end_matches(':'),
        day(view.since()),
    ))
    .action(format!("Earliest: {earliest}. Ask your certifier before you harvest."))
}
