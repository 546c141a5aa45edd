//! Sentences about heat, runs and moisture.
//!
//! The advice follows two rules of safety: never more air on a dry pile above 170 F, and never open a pile alone when
//! fire is possible. And one of thrift: no air and no cold water that would cost a spot the hours it has counted.

use heapward_rules::finding::Level;
use heapward_rules::units::{At, Celsius, Span};

use super::draft::Draft;
use super::{View, say};
use crate::config::DisplayUnit;
use crate::telling::step::Step;

const FIRE: &str = "Smoke, burnt smell: stay away, call the fire service. Never open it alone; hose first.";

const AIR: &str = "Run the air longer or more often; water it if it is dry.";
/// Where another spot is short of its time and near 131 F.
const NO_AIR: &str = "No more air: a spot is near 131 F. Wet the hot one if dry.";
const NO_AIR_C: &str = "No more air: a spot is near 55 C. Wet the hot one if dry.";

/// Above 160 F; levels for 170 F and fire.
pub(super) fn overheating(view: View<'_>) -> Draft {
    let (spot, since) = (view.hot_spot(), view.when(view.since()));
    let reading = view.reading().map(|t| format!(" {t}")).unwrap_or_default();
    let peak = view.figure("worst_c").map(|c| format!(", peak {}", view.temperature(c))).unwrap_or_default();
    let when = if reading.is_empty() { String::new() } else { view.read_when() };
    let still = format!("{reading}{when}{peak}");
    let began = view.when(At(view.incident.opened_ms));
    let is_reminder = matches!(view.step, Step::Reminder(_) | Step::SecondPerson);
    let is_again = is_reminder || view.has_moved_on();
    // By now it may have come down below the limit, but not to the end of the incident.
    let is_below = |limit_f| view.latest_c().is_some_and(|c| !Celsius(c).is_above(Celsius::from_f(limit_f)));
    let fact = |limit_f: f64| {
        if is_again || is_below(limit_f) {
            Draft::fact(format!("{} {spot}{still}, hot since {began}.", view.about()))
        } else {
            let limit = view.limit(limit_f);
            Draft::fact(format!("{} {spot}{reading}, above {limit} since {since}.", view.about()))
        }
    };
    let pile = view.named(view.incident.pile.as_deref(), "?");
    let over = format!("Over when below {}.", view.limit(155.0));
    match view.level {
        Level::Note | Level::Act => {
            fact(160.0).action(air(view)).hint(if is_again { over } else { "Steam scalds.".to_owned() })
        }
        // One that is below 170 F again needs no digging, and takes air again.
        Level::Urgent if is_again && is_below(170.0) => fact(170.0).action(air(view)).hint(over),
        Level::Urgent => {
            let lost = if is_again { "" } else { "Too hot to count. " };
            fact(170.0)
                .action(format!("{lost}Two people: wet it, open it from the side. No more air if dry."))
        }
        Level::Danger if is_reminder => {
            // There is room for one time: when it was read, if that was not just now.
            let when = if when.is_empty() { format!(", since {since}") } else { when };
            let peak = view.figure("worst_c").map(|c| format!("Peak {}.", view.temperature(c)));
            Draft::fact(format!("STILL FIRE RISK, pile {pile}: {spot}{reading}{when}."))
                .action(FIRE)
                .hint(peak.unwrap_or_default())
        }
        Level::Danger => {
            let at = view.when(view.read_at());
            Draft::fact(format!("FIRE RISK pile {pile}: {spot}{reading} at {at}.")).action(FIRE)
        }
    }
}

/// More air, unless it would cost another spot its run.
fn air(view: View<'_>) -> &'static str {
    match (view.figure("run_near_limit"), view.site.shows) {
        (None, _) => AIR,
        (Some(_), DisplayUnit::Fahrenheit) => NO_AIR,
        (Some(_), DisplayUnit::Celsius) => NO_AIR_C,
    }
}

/// The end of overheating.
pub(super) fn cooled(view: View<'_>) -> Draft {
    let peak = view.figure("worst_c").map(|c| format!(" (peak {})", view.temperature(c))).unwrap_or_default();
    let draft = Draft::fact(format!(
        "{} heat is over: below {} at {}{peak}.",
        view.about(),
        view.limit(155.0),
        view.when(view.closed()),
    ));
    match view.level {
        Level::Danger => draft.action("If you smell smoke it is not over: stay away, call the fire service."),
        Level::Urgent => draft.action("Check moisture within 2 days: heat and air dry it."),
        Level::Note | Level::Act => draft.hint("Check moisture within 2 days: air dries it."),
    }
}

/// A forecast that 160 F will be crossed.
pub(super) fn overheating_ahead(view: View<'_>) -> Draft {
    let reading = view.reading().map(|t| format!(" {t}")).unwrap_or_default();
    let slope = view.figure("slope_c_per_h").map(|s| format!(", {}", say::slope(s, view.site.shows)));
    let expected = view
        .instant("expected_at_ms")
        .map_or_else(|| "soon".to_owned(), |at| format!("about {}", view.when(say::about(at))));
    Draft::fact(format!(
        "{} {}{reading}{}: {} expected {expected}.",
        view.about(),
        view.spot(),
        slope.unwrap_or_default(),
        view.limit(160.0),
    ))
    .action(match view.figure("run_near_limit") {
        None => "Run the air longer or more often today; check moisture first.",
        Some(_) => "Leave the air for now: a spot near its low limit would lose its hours.",
    })
}

/// A run with hours worth saving falls towards 131 F: the most valuable message of all.
pub(super) fn run_at_risk(view: View<'_>) -> Draft {
    let reading = view.reading().map_or_else(|| " run at risk".to_owned(), |t| format!(" {t}"));
    let slope = view.figure("slope_c_per_h");
    // Its sentence is the longest: who is asked in the second place learns the trend by looking.
    let says = slope.filter(|_| view.step != Step::SecondPerson);
    let says = says.map(|s| format!(", {}", say::slope(s, view.site.shows))).unwrap_or_default();
    let counted = view.counted().map(|counted| format!(", {counted} counted")).unwrap_or_default();
    let is_back =
        (view.step != Step::Opened || view.has_moved_on()) && slope.is_some_and(|slope| slope > 0.0);
    let action = if is_back {
        "It climbs: leave air and cover as they are."
    } else {
        "Add cover there, cut blower on-time by 1/3."
    };
    let hint = match view.step {
        Step::Reminder(_) => format!("At risk since {}.", view.when(view.since())),
        _ => format!("Below {} the count restarts.", view.limit(131.0)),
    };
    Draft::fact(format!(
        "{} {}{reading} at {}{says}{counted}{}.",
        view.about(),
        view.spot(),
        view.when(view.read_at()),
        view.doubt(),
    ))
    .action(action)
    .hint(hint)
}

/// How a run at risk ended: saved or broken.
pub(super) fn run_decided(view: View<'_>) -> Draft {
    let reading = view.figure("temperature_c");
    let is_broken = reading.is_some_and(|c| Celsius(c).is_below(Celsius::from_f(131.0)));
    let shown = view.reading().map(|t| format!(" {t}")).unwrap_or_default();
    let counted = view.counted().map(|counted| format!(", {counted} counted")).unwrap_or_default();
    let fact = format!("{} {}{shown} at {}{counted}", view.about(), view.spot(), view.when(view.closed()));
    if is_broken {
        Draft::fact(format!("{fact}: the run is broken."))
            .action(format!("Nothing to do now; the count restarts at {}.", view.limit(131.0)))
    } else {
        Draft::fact(format!("{fact}: no longer at risk, the run goes on."))
            .hint("Leave the blower as it is for a day.")
    }
}

/// Not at 131 F after three or four days.
pub(super) fn slow_to_heat(view: View<'_>) -> Draft {
    let best = view.reading().map(|t| format!(", best {t}")).unwrap_or_default();
    let age = age(view).map_or_else(|| "by now".to_owned(), |age| format!("after {age}"));
    Draft::fact(format!("{} no spot at {} {age}{best}.", view.about(), view.limit(131.0)))
        .action("Squeeze test. Wet: air, then chips. Dry: water. Else: less air, more cover. Or rebuild now.")
}

/// Not at 131 F and not on the way there.
pub(super) fn stalled(view: View<'_>) -> Draft {
    let reading = view.reading().map(|t| format!(" at {t}")).unwrap_or_default();
    Draft::fact(format!(
        "{} is stuck{reading} since {}, short of {}.",
        view.whom(),
        view.when(view.since()),
        view.limit(131.0)
    ))
    .action("Squeeze test. Wet: air, then chips. Dry: water. Right: less air, more cover.")
}

/// The other spots are done; this one will not get there.
pub(super) fn spot_short(view: View<'_>) -> Draft {
    let reading = view.reading().map(|t| format!(" at {t}")).unwrap_or_default();
    Draft::fact(format!(
        "{} hangs{reading} since {}, short of {}.",
        view.whom(),
        view.when(view.since()),
        view.limit(131.0)
    ))
    .action(match view.figure("in_core") {
        None => format!(
            "Add {} cover there and shorten the air, or remix outside to inside.",
            say::depth(6.0, 12.0, view.site.shows)
        ),
        Some(_) => "Poke air holes into it; read there by hand beside the probe. Else remix.".to_owned(),
    })
    .hint("The rest is done.")
}

/// Was hot, is young and cooled before its time.
pub(super) fn fell_out_early(view: View<'_>) -> Draft {
    let reading = view.reading().map(|t| format!(" {t}")).unwrap_or_default();
    Draft::fact(format!(
        "{} {}{reading}, below {} since {}, too early to be done.",
        view.about(),
        view.spot(),
        view.limit(131.0),
        view.when(view.since()),
    ))
    .action("Squeeze test: water if dry. If the base is cold, shorten the air.")
}

/// The moisture reading is an index of the probe's own, not a percentage of water: the squeeze test decides.
pub(super) fn drying(view: View<'_>) -> Draft {
    let reading = view.figure("moisture_percent").map(|m| format!(" {m:.0}")).unwrap_or_default();
    let low = view.instant("expected_at_ms").map(|at| format!(", low by {}", view.when(say::about(at))));
    let water = view.figure("water_litres").map_or_else(
        || "water it".to_owned(),
        |litres| format!("add about {}", say::water(litres, view.site.shows)),
    );
    Draft::fact(format!(
        "{} is drying since {}: moisture reading{reading}{}.",
        view.whom(),
        view.when(view.since()),
        low.unwrap_or_default()
    ))
    .action(match view.figure("run_open") {
        None => format!("Squeeze test; if it crumbles {water} in portions."),
        Some(_) => format!("If a handful crumbles: {water} after the run."),
    })
    .hint("Mask against dust.")
}

/// Time since the instant named by `since_ms` (the building of the pile), in hours, up to the figure beside it.
fn age(view: View<'_>) -> Option<String> {
    let since = view.instant("since_ms")?;
    let decided = || view.instant("decided_ms").unwrap_or(view.now);
    let age = view.newest().map_or_else(decided, |(_, read)| read) - since;
    (age > Span::ZERO).then(|| say::hours(age))
}
