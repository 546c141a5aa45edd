//! A rebound after watering: the pile warms up again, so it was dry and not done.
//!
//! Source: common practice. A pile that comes back by more than 10 F within two days of watering has food left: it is
//! neither ready to move nor finished, whatever its age and its verdict.

use super::event::Sample;
use super::rule::{is_more, slot};
use super::scene::{Place, Scene};
use crate::units::{At, Celsius, Span};

#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ReboundParams {
    /// A rise of more than this, in °C,
    pub rise_c: f64,
    /// within so long of watering,
    pub within: Span,
    /// says for so long that it was dry.
    pub counts_for: Span,
}

#[derive(Clone, Debug)]
pub(super) struct Rebound {
    params: ReboundParams,
    /// By spot: the temperature when it was watered.
    watered_at: Vec<Option<Celsius>>,
    seen: Option<At>,
}

// === impl ReboundParams ===

impl Default for ReboundParams {
    fn default() -> ReboundParams {
        ReboundParams { rise_c: 10.0 / 1.8, within: Span::days(2), counts_for: Span::days(7) }
    }
}

// === impl Rebound ===

impl Rebound {
    pub(super) fn new(params: ReboundParams) -> Rebound {
        Rebound { params, watered_at: Vec::new(), seen: None }
    }

    pub(super) fn watered(&mut self, scene: &Scene) {
        self.watered_at = scene.spots.iter().map(|place| place.newest.map(|(_, value)| value)).collect();
    }

    pub(super) fn take(&mut self, scene: &Scene, sample: Sample<'_>) {
        let recent = scene.watered.is_some_and(|watered| sample.at - watered <= self.params.within);
        let then = slot(&mut self.watered_at, sample.spot).copied().flatten();
        let counts = scene.spots.get(sample.spot).is_some_and(Place::is_required);
        if counts && recent && then.is_some_and(|then| is_more(sample.value.0 - then.0, self.params.rise_c)) {
            self.seen = Some(sample.at);
        }
    }

    /// Whether it came back lately.
    pub(super) fn was_dry(&self, at: At) -> bool {
        self.seen.is_some_and(|seen| at - seen <= self.params.counts_for)
    }
}
