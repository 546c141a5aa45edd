//! What every rule of a watch has in common.

use super::event::Happening;
use super::scene::Scene;
use crate::finding::{Figures, Finding, Kind};
use crate::units::{At, Span, TOLERANCE_C};

/// In which phase of a pile a rule looks at all.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Phase {
    /// Until the pile is moved to curing.
    Active,
    Curing,
    Always,
}

/// One thing that is watched. A rule keeps its own state, in memory that does not grow with the readings.
pub(super) trait Rule: Send {
    fn phase(&self) -> Phase;

    /// The kinds that end when the phase is over.
    fn kinds(&self) -> &'static [Kind] {
        &[]
    }

    fn step(&mut self, scene: &Scene, happening: Happening<'_>, out: &mut Vec<Finding>);

    /// The figures of one of its open findings as they are now; `None` where those of the finding are all there is.
    fn present(&self, _scene: &Scene, _finding: &Finding) -> Option<Figures> {
        None
    }

    /// When it wants to look at the time. One that is not in the future is passed over.
    fn deadline(&self, _scene: &Scene) -> Option<At> {
        None
    }
}

/// The state of one spot in a list that grows with the spots of the pile.
pub(super) fn slot<T: Default>(states: &mut Vec<T>, spot: usize) -> Option<&mut T> {
    if states.len() <= spot {
        states.resize_with(spot + 1, T::default);
    }
    states.get_mut(spot)
}

/// Strictly more, with the tolerance of all temperatures (design 5.5): for differences and rises in °C.
pub(super) fn is_more(c: f64, than: f64) -> bool {
    c > than + TOLERANCE_C
}

/// The first instant of a condition that holds still, from the one so far.
pub(super) fn series(since: Option<At>, at: At, holds: bool) -> Option<At> {
    holds.then_some(since.unwrap_or(at))
}

/// Whether a condition has held for so long.
pub(super) fn lasts(since: Option<At>, at: At, span: Span) -> bool {
    since.is_some_and(|since| at - since >= span)
}

// === impl Phase ===

impl Phase {
    pub(super) fn holds(self, scene: &Scene) -> bool {
        match self {
            Phase::Active => scene.curing.is_none(),
            Phase::Curing => scene.curing.is_some(),
            Phase::Always => true,
        }
    }
}
