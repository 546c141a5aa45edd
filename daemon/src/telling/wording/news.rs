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
    let (about, doubt) = (view.about(), view.doubt());
    Draft::fact(format!("{about} ready to move to curing: qualified{doubt} and cooling slowly."))
        .action("Wet it first, mask on; turn outside to inside, cover, and enter the move.")
}

pub(super) fn cured(view: View<'_>) -> Draft {
    Draft::fact(format!("{} cured: close to the air's temperature and steady.", view.about()))
        .action("Ready to use; enter bed, date and amount when you spread it.")
}

pub(super) fn reheating(view: View<'_>) -> Draft {
    let reading = view.reading().map(|t| format!(" ({t})")).unwrap_or_default();
    Draft::fact(format!("{} warms up again while curing{reading}: not stable yet.", view.about()))
        .action("Leave it longer; check moisture.")
}
