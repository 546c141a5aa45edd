//! Slow to heat, and stalled: not at 131 F when it should be.
//!
//! Source: operating temperature within about seven days (NRCS practice standard 317); rebuild while the material is
//! fresh, after three to four days, one more in frost (common practice). Stalled before that if the trend since the
//! building needs more than 96 h to 131 F for six hours on end: on our own simulator half of the stalls were seen
//! 3.2 days after building, with 4 % of the slow piles called stalled by mistake.
//!
//! Both are about the pile as a whole: no required spot has been at 131 F. A pile that was there once is not slow.

use super::case::{Case, Subject};
use super::event::Happening;
use super::rule::{Phase, Rule, lasts, series};
use super::scene::{HOT, Scene};
use crate::finding::{Figures, Finding, Kind, Level};
use crate::units::{At, Celsius, Span};

#[derive(Clone, Copy, Debug, PartialEq)]
pub struct StallParams {
    /// A note in the summary, and earliest time of a stall.
    pub note_after: Span,
    /// Worth a text.
    pub act_after: Span,
    /// Stalled, whatever the trend says.
    pub stalled_after: Span,
    /// Added while the air is below `frost`.
    pub frost_patience: Span,
    pub frost: Celsius,
    /// More hours than this to 131 F are hopeless,
    pub hopeless_h: f64,
    /// if they are for so long.
    pub hopeless_for: Span,
}

pub(super) struct Stall {
    params: StallParams,
    reached: bool,
    hopeless_since: Option<At>,
    slow: Option<Case>,
    stalled: Option<Case>,
}

// === impl StallParams ===

impl Default for StallParams {
    fn default() -> StallParams {
        StallParams {
            note_after: Span::days(3),
            act_after: Span::days(4),
            stalled_after: Span::days(7),
            frost_patience: Span::days(1),
            frost: Celsius(0.0),
            hopeless_h: 96.0,
            hopeless_for: Span::hours(6),
        }
    }
}

// === impl Stall ===

impl Stall {
    pub(super) fn new(params: StallParams) -> Stall {
        Stall { params, reached: false, hopeless_since: None, slow: None, stalled: None }
    }

    fn patience(&self, scene: &Scene) -> Span {
        let air = scene.ambient_of(scene.day(scene.now) - 1).map(Celsius).or(scene.ambient());
        if air.is_some_and(|air| air.is_below(self.params.frost)) {
            self.params.frost_patience
        } else {
            Span::ZERO
        }
    }

    /// The spot that is nearest to 131 F by its trend: (hours, temperature, slope); no hours if it does not get there.
    fn best(scene: &Scene) -> Option<(Option<f64>, Celsius, f64)> {
        let fresh = scene
            .required()
            .filter(|(_, place)| place.newest.is_some_and(|(at, _)| scene.now - at <= Span::days(1)));
        let trends = fresh.filter_map(|(_, place)| {
            let trend = place.climb?;
            Some((trend.hours_to(HOT), place.newest?.1, trend.slope_c_per_h()))
        });
        trends.min_by(|a, b| {
            let hours = |of: &(Option<f64>, Celsius, f64)| of.0.unwrap_or(f64::INFINITY);
            hours(a).total_cmp(&hours(b)).then(b.1.0.total_cmp(&a.1.0))
        })
    }

    fn look(&mut self, scene: &Scene, out: &mut Vec<Finding>) {
        if self.reached || scene.met_at.is_some() {
            return;
        }
        let Some((hours, temperature, slope)) = Stall::best(scene) else { return };
        let (age, at, patience) = (scene.age(), scene.now, self.patience(scene));
        let hopeless = hours.is_none_or(|hours| hours > self.params.hopeless_h);
        self.hopeless_since = series(self.hopeless_since, at, hopeless);
        let is_hopeless = lasts(self.hopeless_since, at, self.params.hopeless_for);
        let figures = |since| Figures {
            temperature: Some(temperature),
            slope_c_per_h: Some(slope),
            expected_at: hours.map(|hours| at + Span::from_hours(hours)),
            since: Some(since),
            ..Figures::default()
        };
        let is_stalled =
            (age >= self.params.note_after + patience && is_hopeless) || age >= self.params.stalled_after;
        if is_stalled && self.stalled.is_none() {
            let since = self.hopeless_since.unwrap_or(scene.heating_since);
            let (case, finding) = Case::now(Subject::pile(Kind::Stalled), Level::Act, at, figures(since));
            self.stalled = Some(case);
            out.push(finding);
        }
        if age >= self.params.note_after + patience && self.slow.is_none() {
            let subject = Subject::pile(Kind::SlowToHeat);
            let (case, finding) = Case::now(subject, Level::Note, at, figures(scene.heating_since));
            self.slow = Some(case);
            out.push(finding);
        }
        // Who was told of a stall need not be told that it is slow.
        if age >= self.params.act_after + patience
            && self.stalled.is_none()
            && let Some(case) = &mut self.slow
        {
            out.extend(case.worsen(Level::Act, at, figures(scene.heating_since)));
        }
    }

    fn end(&mut self, at: At, temperature: Option<Celsius>, out: &mut Vec<Finding>) {
        for case in [self.stalled.take(), self.slow.take()].into_iter().flatten() {
            out.push(case.close(at, Figures { temperature, ..Figures::default() }));
        }
    }
}

impl Rule for Stall {
    fn phase(&self) -> Phase {
        Phase::Active
    }

    fn kinds(&self) -> &'static [Kind] {
        &[Kind::SlowToHeat, Kind::Stalled]
    }

    fn step(&mut self, scene: &Scene, happening: Happening<'_>, out: &mut Vec<Finding>) {
        match happening {
            Happening::Temperature(sample) => {
                let counts = scene.spots.get(sample.spot).is_some_and(super::scene::Place::is_required);
                if counts && !sample.value.is_below(HOT) {
                    self.reached = true;
                    self.end(sample.at, Some(sample.value), out);
                } else if counts {
                    self.look(scene, out);
                }
            }
            Happening::Time => self.look(scene, out),
            Happening::Progress if scene.met_at.is_some() => self.end(scene.now, None, out),
            Happening::Entry(entry) if scene.starts_over(&entry.event) => {
                self.end(entry.at, None, out);
                *self = Stall::new(self.params);
            }
            _ => {}
        }
    }

    fn deadline(&self, scene: &Scene) -> Option<At> {
        if self.reached || scene.met_at.is_some() {
            return None;
        }
        let params = &self.params;
        let ages = [
            params.note_after,
            params.note_after + params.frost_patience,
            params.act_after,
            params.act_after + params.frost_patience,
            params.stalled_after,
        ];
        ages.into_iter().map(|age| scene.heating_since + age).filter(|at| *at > scene.now).min()
    }
}
