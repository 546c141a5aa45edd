//! Sentences about probes, gateway and blower.

use super::View;
use super::draft::Draft;

pub(super) fn silent(view: View<'_>) -> Draft {
    Draft::fact(format!("{} {} silent since {}.", view.about(), view.probe(), view.when(view.since())))
        .action("Take hand readings there and enter them: they keep the evidence.")
        .hint("Check battery, cable, radio.")
}

pub(super) fn stuck(view: View<'_>) -> Draft {
    let reading = view.reading().map(|t| format!(" {t}")).unwrap_or_default();
    Draft::fact(format!(
        "{} {} has said{reading} without change since {}.",
        view.about(),
        view.probe(),
        view.when(view.since())
    ))
    .action("Check it with a thermometer and enter that reading.")
}

pub(super) fn faulty(view: View<'_>) -> Draft {
    Draft::fact(format!(
        "{} {} gives impossible readings since {}; they don't count.",
        view.about(),
        view.probe(),
        view.when(view.since())
    ))
    .action("Take hand readings there and enter them.")
    .hint("Check plug, cable, water in the lance.")
}

pub(super) fn pulled_out(view: View<'_>) -> Draft {
    let reading = view.reading().map(|t| format!(" ({t})")).unwrap_or_default();
    Draft::fact(format!(
        "{} {} reads like the air{reading} since {}.",
        view.about(),
        view.probe(),
        view.when(view.since())
    ))
    .action("Pulled out? Put it back to its depth, or enter that it was removed.")
}

pub(super) fn moved(view: View<'_>) -> Draft {
    Draft::fact(format!(
        "{} {} jumped at {} as if it was moved.",
        view.about(),
        view.probe(),
        view.when(view.since())
    ))
    .action("If so enter where it is now; if not, check its depth with a thermometer.")
}

pub(super) fn wrong_unit(view: View<'_>) -> Draft {
    let reading = view.reading().map(|t| format!(" {t}")).unwrap_or_default();
    Draft::fact(format!(
        "{} {} says{reading} since {}: F and C may be mixed up.",
        view.about(),
        view.probe(),
        view.when(view.since())
    ))
    .action("Take a hand reading next to it and enter it.")
    .hint("The run is in doubt.")
}

pub(super) fn all_silent(view: View<'_>) -> Draft {
    Draft::fact(format!("No probe heard since {}.", view.when(view.since())))
        .action("Check the barn's power and blower first, then gateway and network.")
        .hint("Hand readings keep the evidence; enter them.")
}

pub(super) fn battery_low(view: View<'_>) -> Draft {
    let left = view.figure("battery_percent").map(|p| format!(" at {p:.0} %")).unwrap_or_default();
    Draft::fact(format!(
        "{} battery of {}{left} since {}.",
        view.about(),
        view.probe(),
        view.when(view.since())
    ))
    .action("Change it at the next visit.")
}

/// A residual current breaker that has tripped did so for a reason: it is never to be bypassed.
pub(super) fn blower_off(view: View<'_>) -> Draft {
    let core = view.reading().map(|t| format!(", core {t}")).unwrap_or_default();
    Draft::fact(format!("{} blower off since {}{core}.", view.about(), view.when(view.since())))
        .action("Look at timer, breaker, GFCI, belt. Unplug it before you touch it; wet wiring: electrician.")
}

pub(super) fn blower_stuck_on(view: View<'_>) -> Draft {
    let slope = view
        .figure("slope_c_per_h")
        .map(|s| format!(", the pile is {}", super::say::slope(s, view.site.shows)))
        .unwrap_or_default();
    Draft::fact(format!(
        "{} blower runs without a pause since {}{slope}.",
        view.about(),
        view.when(view.since())
    ))
    .action("Reset the timer: steady air strips the heat.")
}
