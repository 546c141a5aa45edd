//! Curing: cured, and warming up again.
//!
//! Source: curing of at least a month (NRAES-54), over when the pile stays near the air around it, within 10 F, and
//! does not warm up again when turned or wetted (common practice); a rise of more than 20 F over the air within days
//! says that it is not stable. Both by medians of whole days, so that day and night do not count. Without a probe in
//! the air nothing is called cured.

use super::case::{Case, Subject};
use super::event::Happening;
use super::rule::{Phase, Rule, is_more};
use super::scene::Scene;
use crate::finding::{Figures, Finding, Kind, Level};
use crate::units::{At, Celsius, Span};

#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CuringParams {
    pub at_least: Span,
    /// Days in a row near the air.
    pub days: i64,
    /// So much over the air is near, in °C.
    pub near_c: f64,
    /// So long after the move a rise says nothing.
    pub settles: Span,
    /// A rise over the coolest day, and over the air, in °C.
    pub reheats_c: f64,
    /// The rise at which it is over, in °C.
    pub calms_c: f64,
}

pub(super) struct Curing {
    params: CuringParams,
    coolest: Option<f64>,
    cured: Option<Case>,
    reheating: Option<Case>,
}

// === impl CuringParams ===

impl Default for CuringParams {
    fn default() -> CuringParams {
        CuringParams {
            at_least: Span::days(30),
            days: 7,
            near_c: 10.0 / 1.8,
            settles: Span::days(2),
            reheats_c: 20.0 / 1.8,
            calms_c: 10.0 / 1.8,
        }
    }
}

// === impl Curing ===

impl Curing {
    pub(super) fn new(params: CuringParams) -> Curing {
        Curing { params, coolest: None, cured: None, reheating: None }
    }

    /// The warmest spot of a day.
    fn warmest(scene: &Scene, day: i64) -> Option<f64> {
        let inside = scene.spots.iter().filter(|place| place.zone.has_to_heat());
        inside.filter_map(|place| place.days.of(day)).max_by(f64::total_cmp)
    }

    fn look(&mut self, scene: &Scene, out: &mut Vec<Finding>) {
        let (at, day) = (scene.now, scene.day(scene.now) - 1);
        let Some(since) = scene.curing else { return };
        let Some(warmest) = Curing::warmest(scene, day).filter(|_| at - since > self.params.settles) else {
            return;
        };
        let coolest = self.coolest.map_or(warmest, |coolest| coolest.min(warmest));
        self.coolest = Some(coolest);
        let figures = Figures { temperature: Some(Celsius(warmest)), ..Figures::default() };
        let over_air = scene.ambient_of(day).map(|air| warmest - air);
        let rises = is_more(warmest - coolest, self.params.reheats_c)
            && over_air.is_none_or(|over| is_more(over, self.params.reheats_c));
        if rises && self.reheating.is_none() {
            let (case, finding) = Case::now(Subject::pile(Kind::Reheating), Level::Note, at, figures.clone());
            self.reheating = Some(case);
            out.push(finding);
            close(&mut self.cured, at, &figures, out);
        } else if !is_more(warmest - coolest, self.params.calms_c) {
            close(&mut self.reheating, at, &figures, out);
        }
        let is_near = |day| {
            let over =
                Curing::warmest(scene, day).zip(scene.ambient_of(day)).map(|(warmest, air)| warmest - air);
            over.is_some_and(|over| !is_more(over, self.params.near_c))
        };
        let stays = (0..self.params.days).all(|back| is_near(day - back));
        if self.cured.is_none() && at - since >= self.params.at_least && stays {
            let (case, finding) = Case::now(Subject::pile(Kind::Cured), Level::Note, at, figures);
            self.cured = Some(case);
            out.push(finding);
        }
    }
}

fn close(case: &mut Option<Case>, at: At, figures: &Figures, out: &mut Vec<Finding>) {
    if let Some(case) = case.take() {
        out.push(case.close(at, figures.clone()));
    }
}

impl Rule for Curing {
    fn phase(&self) -> Phase {
        Phase::Curing
    }

    fn step(&mut self, scene: &Scene, happening: Happening<'_>, out: &mut Vec<Finding>) {
        if let Happening::Day = happening {
            self.look(scene, out);
        }
    }
}
