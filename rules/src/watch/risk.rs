//! A run at risk: a spot with hours worth saving falls towards 131 F. The most valuable message of all.
//!
//! Source: the common practice of covering the cool part and shortening the air while the run can still be saved; the
//! evidence itself knows no hysteresis (it is the law's), only this warning does: below 133 F and falling, until above
//! 136 F for an hour. The trend is damped with a time constant of 24 h.
//!
//! It closes with the reading that decided: at 131 F or above the run was saved, below it is broken.

use super::case::{Case, Subject};
use super::event::{Happening, Sample};
use super::rule::{Phase, Rule, lasts, series, slot};
use super::scene::{HOT, Place, Scene};
use crate::finding::{Figures, Finding, Kind, Level};
use crate::log::LogEvent;
use crate::pile::Method;
use crate::units::{At, Celsius, Span};
use crate::verdict::Run;

#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RiskParams {
    /// Less than this counted is not worth a message.
    pub counted: Span,
    /// From this counted on it breaks the quiet hours.
    pub urgent_counted: Span,
    pub below: Celsius,
    /// Falling at least so fast, in °C an hour (negative).
    pub slope_c_per_h: f64,
    /// Above this for `during` it is saved.
    pub safe_above: Celsius,
    pub during: Span,
}

pub(super) struct Risk {
    params: RiskParams,
    spots: Vec<Spot>,
}

#[derive(Default)]
struct Spot {
    open: Option<Case>,
    safe_since: Option<At>,
}

// === impl RiskParams ===

impl Default for RiskParams {
    fn default() -> RiskParams {
        RiskParams {
            counted: Span::hours(12),
            urgent_counted: Span::hours(48),
            below: Celsius::from_f(133.0),
            slope_c_per_h: -0.05,
            safe_above: Celsius::from_f(136.0),
            during: Span::hours(1),
        }
    }
}

// === impl Risk ===

impl Risk {
    pub(super) fn new(params: RiskParams) -> Risk {
        Risk { params, spots: Vec::new() }
    }

    fn take(&mut self, scene: &Scene, sample: Sample<'_>, out: &mut Vec<Finding>) {
        let params = self.params;
        let (Some(place), Some(spot)) = (scene.spots.get(sample.spot), slot(&mut self.spots, sample.spot))
        else {
            return;
        };
        spot.safe_since = series(spot.safe_since, sample.at, sample.value.is_above(params.safe_above));
        // A windrow's run goes on until it has its turns; nobody asks for any where no time is required.
        let done = |run: &Run| {
            scene.required.is_none_or(|required| run.counted >= required && scene.method != Method::Windrow)
        };
        let run = place.open_run().filter(|run| is_worth_it(place) && !done(run) && place.broken.is_none());
        let Some(run) = run else {
            if let Some(case) = spot.open.take() {
                out.push(case.close(sample.at, figures(scene, place, sample.value, place.broken)));
            }
            return;
        };
        let figures = figures(scene, place, sample.value, Some(run));
        let falls = place.fall.is_some_and(|trend| trend.slope_c_per_h() <= params.slope_c_per_h);
        let low = sample.value.is_below(params.below) && !sample.value.is_below(HOT);
        // One that is on its way back wakes nobody when its hours become many.
        let is_urgent = run.counted >= params.urgent_counted && low && falls;
        let level = if is_urgent { Level::Urgent } else { Level::Act };
        if let Some(case) = &mut spot.open {
            // While it is safe again, hours that go by are no bad news.
            if spot.safe_since.is_none() {
                out.extend(case.worsen(level, sample.at, figures.clone()));
            }
            if lasts(spot.safe_since, sample.at, params.during)
                && let Some(case) = spot.open.take()
            {
                out.push(case.close(sample.at, figures));
            }
            return;
        }
        if run.counted >= params.counted && low && falls {
            let subject = Subject::spot(Kind::RunAtRisk, &place.name);
            let (case, finding) = Case::now(subject, level, sample.at, figures);
            spot.open = Some(case);
            out.push(finding);
        }
    }

    /// Ends what the judge says is decided.
    fn settle(&mut self, scene: &Scene, at: At, out: &mut Vec<Finding>) {
        for (spot, place) in self.spots.iter_mut().zip(&scene.spots) {
            let is_over = !is_worth_it(place) || place.open_run().is_none();
            if let Some(case) = spot.open.take_if(|_| is_over) {
                let newest = place.newest.map(|(_, value)| value);
                out.push(case.close(at, Figures { temperature: newest, ..Figures::default() }));
            }
        }
    }
}

fn is_worth_it(place: &Place) -> bool {
    place.is_required() && place.qualified_at().is_none()
}

fn figures(scene: &Scene, place: &Place, value: Celsius, run: Option<Run>) -> Figures {
    let ahead = place.fall.and_then(|trend| trend.hours_down_to(HOT));
    Figures {
        temperature: Some(value),
        slope_c_per_h: place.fall.map(|trend| trend.slope_c_per_h()),
        expected_at: ahead.map(|hours| scene.now + Span::from_hours(hours)),
        counted: run.map(|run| run.counted),
        required: scene.required,
        from_memory: scene.is_judged && !scene.verified,
        ..Figures::default()
    }
}

impl Rule for Risk {
    fn phase(&self) -> Phase {
        Phase::Active
    }

    fn kinds(&self) -> &'static [Kind] {
        &[Kind::RunAtRisk]
    }

    fn present(&self, scene: &Scene, finding: &Finding) -> Option<Figures> {
        let spot = finding.spot.as_ref().filter(|_| finding.kind == Kind::RunAtRisk)?;
        let place = scene.spots.get(scene.index_of(spot)?)?;
        let (at, value) = place.newest?;
        Some(Figures { read_at: Some(at), ..figures(scene, place, value, place.open_run()) })
    }

    fn step(&mut self, scene: &Scene, happening: Happening<'_>, out: &mut Vec<Finding>) {
        match happening {
            Happening::Temperature(sample) => self.take(scene, sample, out),
            Happening::Progress => self.settle(scene, scene.now, out),
            Happening::Entry(entry)
                if scene.starts_over(&entry.event) || matches!(entry.event, LogEvent::SpotGivenUp { .. }) =>
            {
                self.settle(scene, entry.at, out);
            }
            _ => {}
        }
    }
}
