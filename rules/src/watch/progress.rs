//! How far the runs of a pile have got, as the watch needs it: an extract of the verdict.

use crate::ids::SpotName;
use crate::units::{At, Span};
use crate::verdict::{Run, Verdict};

/// Progress under the standard that the pile is steered by (the first of its standards that asks for heat).
///
/// The caller need not send one with each reading: a run that was open goes on while its spot stays in the range. It
/// is due whenever a run begins, breaks or qualifies.
#[derive(Clone, Debug, PartialEq)]
pub struct Progress {
    /// Instant of the newest reading or entry that was judged.
    pub at: At,
    /// Time that the standard asks for; nothing where it knows no way for the method.
    pub required: Option<Span>,
    /// When heat and turns were met, if they were: the verdict is `qualified` or `temperature-met`.
    pub met_at: Option<At>,
    pub spots: Vec<SpotProgress>,
}

#[derive(Clone, Debug, PartialEq)]
pub struct SpotProgress {
    pub spot: SpotName,
    /// Whether the verdict waits for it: required and not given up.
    pub required: bool,
    pub qualified_at: Option<At>,
    pub open_run: Option<Run>,
}

// === impl Progress ===

impl Progress {
    pub fn of(verdict: &Verdict, at: At) -> Progress {
        let spots = verdict.spots.iter().map(|spot| SpotProgress {
            spot: spot.spot.clone(),
            required: spot.required && spot.given_up.is_none(),
            qualified_at: spot.qualified_at,
            open_run: spot.open_run,
        });
        Progress {
            at,
            required: verdict.required.map(|required| required.time),
            met_at: verdict.at,
            spots: spots.collect(),
        }
    }

    pub(super) fn spot(&self, name: &SpotName) -> Option<&SpotProgress> {
        self.spots.iter().find(|spot| spot.spot == *name)
    }
}
