//! What every rule of a watch has in common.

use super::event::Happening;
use super::scene::Scene;
use crate::finding::{Finding, Kind};
use crate::units::At;

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

    /// The kinds of finding that it makes.
    fn kinds(&self) -> &'static [Kind];

    fn step(&mut self, scene: &Scene, happening: Happening<'_>, out: &mut Vec<Finding>);

    /// When it wants to look at the time. One that is not in the future is passed over.
    fn deadline(&self, _scene: &Scene) -> Option<At> {
        None
    }

    /// Forgets everything.
    fn reset(&mut self);
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
