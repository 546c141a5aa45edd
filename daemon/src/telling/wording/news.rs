//! Sentences about what went well, and about curing.

use super::draft::Draft;
use super::{View, say};

pub(super) fn qualified(view: View<'_>) -> Draft {
    let time = view.span("required_ms").map_or_else(|| "time".to_owned(), say::hours);
    Draft::fact(format!(
        "{} qualified{}, every spot had its {time} in the range, done {}.",
        view.about(),
        view.doubt(),
        view.when(view.since())
    ))
    .action("From now on you can water freely.")
    .hint("Adding fresh material would restart it.")
}

/// Readings that came late, or an entry that was withdrawn, have changed the verdict.
pub(super) fn no_longer_qualified(view: View<'_>) -> Draft {
    Draft::fact(format!(
        "{} NOT qualified after all{}: later records changed the verdict.",
        view.about(),
        view.doubt()
    ))
    .action("Don't water, move or spread it before you have seen its page.")
}

pub(super) fn ready_to_move(view: View<'_>) -> Draft {
    let (pile, doubt, since) = (view.whom(), view.doubt(), view.when(view.since()));
    let slow = view.reading().map_or_else(|| "cool".to_owned(), |t| format!("{t}, cooling slowly"));
    Draft::fact(format!("{pile} can be moved to curing since {since}: qualified{doubt}, {slow}."))
        .action("Wet it, mask on; turn outside to inside, cover it.")
        .hint("Then enter the move.")
}

pub(super) fn cured(view: View<'_>) -> Draft {
    let since = view.when(view.since());
    Draft::fact(format!("{} is cured since {since}: steady, close to the air's temperature.", view.whom()))
        .action("Ready to use; enter bed, date and amount when you spread it.")
}

pub(super) fn reheating(view: View<'_>) -> Draft {
    let reading = view.reading().map(|t| format!(" ({t})")).unwrap_or_default();
    let since = view.when(view.since());
    Draft::fact(format!("{} warms up again in curing since {since}{reading}: not stable yet.", view.whom()))
        .action("Leave it longer; check moisture.")
}
