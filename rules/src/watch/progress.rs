//! How far the runs of a pile have got, as the watch needs it: an extract of the verdict.

use crate::ids::SpotName;
use crate::units::{At, Span};
use crate::verdict::{Caution, Run, Status, Verdict};

/// Progress under the standard that the pile is steered by (the first of its standards that asks for heat).
///
/// It is stepped after the reading or entry that it follows from. The caller need not send one with each reading: a
/// run that was open goes on while its spot stays in the range. It is due whenever a run begins, breaks or qualifies,
/// and when a caution comes or goes.
#[derive(Clone, Debug, PartialEq)]
pub struct Progress {
    /// Instant of the newest reading or entry that was judged.
    pub at: At,
    /// Time that the standard asks for; nothing where it knows no way for the method.
    pub required: Option<Span>,
    /// When heat and turns were met, if they were.
    pub met_at: Option<At>,
    /// Nothing else is missing: the verdict is `qualified`, not only `temperature-met`.
    pub qualified: bool,
    /// Whether the standard's figures were seen in its text.
    pub verified: bool,
    pub spots: Vec<SpotProgress>,
}

#[derive(Clone, Debug, PartialEq)]
pub struct SpotProgress {
    pub spot: SpotName,
    /// Whether the verdict waits for it: required and not given up.
    pub required: bool,
    pub qualified_at: Option<At>,
    pub open_run: Option<Run>,
    /// The readings could be another unit than declared: a caution of the verdict.
    pub unit_unconfirmed: bool,
}

// === impl Progress ===

impl Progress {
    pub fn of(verdict: &Verdict, at: At) -> Progress {
        let spots = verdict.spots.iter().map(|spot| SpotProgress {
            spot: spot.spot.clone(),
            required: spot.required && spot.given_up.is_none(),
            qualified_at: spot.qualified_at,
            open_run: spot.open_run,
            unit_unconfirmed: verdict.cautions.contains(&Caution::UnitUnconfirmed(spot.spot.clone())),
        });
        Progress {
            at,
            required: verdict.required.map(|required| required.time),
            met_at: verdict.at,
            qualified: verdict.status == Status::Qualified,
            verified: verdict.verified,
            spots: spots.collect(),
        }
    }

    pub(super) fn spot(&self, name: &SpotName) -> Option<&SpotProgress> {
        self.spots.iter().find(|spot| spot.spot == *name)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::ids::StandardId;
    use crate::verdict::{GivenUp, Required, SpotVerdict};

    fn spot(name: &str, required: bool, given_up: bool) -> SpotVerdict {
        SpotVerdict {
            spot: SpotName::new(name),
            required,
            qualified_at: None,
            longest_run: None,
            open_run: None,
            given_up: given_up.then(|| GivenUp { at: At(5), reason: "too wet".into() }),
        }
    }

    #[test]
    fn only_what_the_verdict_says_is_taken_over() {
        let mut verdict = Verdict {
            standard: StandardId::new("nop"),
            verified: true,
            status: Status::Qualified,
            at: Some(At(9)),
            held_up_by: None,
            cautions: vec![Caution::UnitUnconfirmed(SpotName::new("toe"))],
            spots: vec![spot("heart", true, false), spot("toe", true, true), spot("lid", false, false)],
            breaks: Vec::new(),
            required: Some(Required { time: Span::hours(72), turns: 0 }),
        };
        let progress = Progress::of(&verdict, At(10));
        assert_eq!(
            (progress.at, progress.met_at, progress.required),
            (At(10), Some(At(9)), Some(Span::hours(72)))
        );
        assert!(progress.qualified && progress.verified);
        let spots: Vec<_> = progress
            .spots
            .iter()
            .map(|spot| (spot.spot.as_str(), spot.required, spot.unit_unconfirmed))
            .collect();
        assert_eq!(spots, [("heart", true, false), ("toe", false, true), ("lid", false, false)]);
        verdict.status = Status::TemperatureMet;
        assert!(!Progress::of(&verdict, At(10)).qualified, "something else is missing");
    }
}
