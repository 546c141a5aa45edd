//! Fell out early: it was hot, it is young, and it has cooled before its time.
//!
//! Source: common practice of telling a stalled pile from a finished one: finished is one that has qualified, is older
//! than 21 days, falls slower than 4 F a day and has not come back by more than 10 F within two days of watering; without the test of the age every good pile would end with a false
//! alarm. A single spot whose run broke is a note for the summary (nothing can be done tonight); the pile as a whole
//! below 131 F for a day without having qualified is worth a text.

use super::case::{Case, Subject};
use super::event::{Happening, Sample};
use super::rebound::{Rebound, ReboundParams};
use super::rule::{Phase, Rule, lasts, series, slot};
use super::scene::{HOT, Place, Scene};
use crate::finding::{Figures, Finding, Kind, Level};
use crate::log::LogEvent;
use crate::units::{At, Celsius, Span};

#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FellOutParams {
    /// A broken run with less counted is no news.
    pub counted: Span,
    /// So long all spots have to be below 131 F.
    pub during: Span,
    /// At this it is back.
    pub back: Celsius,
    /// Older than this a pile that qualified may cool,
    pub finished_age: Span,
    /// if it falls slower than this, in °C a day.
    pub finished_fall_c_per_day: f64,
    /// and has not come back after watering.
    pub rebound: ReboundParams,
}

pub(super) struct FellOut {
    params: FellOutParams,
    spots: Vec<Spot>,
    pile: Option<Case>,
    rebound: Rebound,
}

#[derive(Default)]
struct Spot {
    was_hot: bool,
    below_since: Option<At>,
    open: Option<Case>,
}

// === impl FellOutParams ===

impl Default for FellOutParams {
    fn default() -> FellOutParams {
        FellOutParams {
            counted: Span::hours(6),
            during: Span::days(1),
            back: Celsius::from_f(133.0),
            finished_age: Span::days(21),
            finished_fall_c_per_day: 4.0 / 1.8,
            rebound: ReboundParams::default(),
        }
    }
}

// === impl FellOut ===

impl FellOut {
    pub(super) fn new(params: FellOutParams) -> FellOut {
        FellOut { params, spots: Vec::new(), pile: None, rebound: Rebound::new(params.rebound) }
    }

    fn take(&mut self, scene: &Scene, sample: Sample<'_>, out: &mut Vec<Finding>) {
        self.rebound.take(scene, sample);
        let (Some(place), Some(spot)) = (scene.spots.get(sample.spot), slot(&mut self.spots, sample.spot))
        else {
            return;
        };
        let cold = sample.value.is_below(HOT);
        spot.was_hot |= !cold;
        spot.below_since = series(spot.below_since, sample.at, cold);
        if !place.is_required() {
            return;
        }
        let figures = Figures {
            temperature: Some(sample.value),
            slope_c_per_h: place.fall.map(|trend| trend.slope_c_per_h()),
            counted: place.broken.map(|run| run.counted),
            required: scene.required,
            since: spot.below_since,
            ..Figures::default()
        };
        if !sample.value.is_below(self.params.back) {
            for case in [spot.open.take(), self.pile.take()].into_iter().flatten() {
                out.push(case.close(sample.at, figures.clone()));
            }
            return;
        }
        let broke = cold && place.broken.is_some_and(|run| run.counted >= self.params.counted);
        if broke && place.qualified_at().is_none() && spot.open.is_none() {
            let subject = Subject::spot(Kind::FellOutEarly, &place.name);
            let (case, finding) = Case::now(subject, Level::Note, sample.at, figures.clone());
            spot.open = Some(case);
            out.push(finding);
        }
        self.look_at_all(scene, sample.at, &figures, out);
    }

    fn look_at_all(&mut self, scene: &Scene, at: At, figures: &Figures, out: &mut Vec<Finding>) {
        // A spot without a reading so far says nothing either way.
        let seen = |spot: &&Spot| spot.was_hot || spot.below_since.is_some();
        let states = || scene.required().filter_map(|(index, _)| self.spots.get(index)).filter(seen);
        let all_cold = states().all(|spot| lasts(spot.below_since, at, self.params.during));
        let since = states().filter_map(|spot| spot.below_since).max();
        if !all_cold || !states().any(|spot| spot.was_hot) {
            return;
        }
        let level = match scene.met_at {
            None if scene.is_judged => Level::Act,
            None => Level::Note,
            Some(_) if !self.is_finished(scene) => Level::Note,
            Some(_) => return,
        };
        let figures = Figures { since, counted: None, ..figures.clone() };
        if let Some(case) = &mut self.pile {
            out.extend(case.worsen(level, at, figures));
        } else {
            let (case, finding) = Case::now(Subject::pile(Kind::FellOutEarly), level, at, figures);
            self.pile = Some(case);
            out.push(finding);
        }
    }

    /// Old enough, cooling slowly, and not only dry.
    fn is_finished(&self, scene: &Scene) -> bool {
        scene.age() >= self.params.finished_age
            && !self.rebound.was_dry(scene.now)
            && fall_c_per_day(scene).is_none_or(|fall| fall < self.params.finished_fall_c_per_day)
    }

    fn settle(&mut self, scene: &Scene, at: At, starts_over: bool, out: &mut Vec<Finding>) {
        let is_over = |place: &Place| !place.is_required() || place.qualified_at().is_some();
        for (spot, place) in self.spots.iter_mut().zip(&scene.spots) {
            if let Some(case) = spot.open.take_if(|_| starts_over || is_over(place)) {
                out.push(case.close(at, Figures::default()));
            }
        }
        let finished = scene.met_at.is_some() && self.is_finished(scene);
        // What was said of a pile that had not qualified is not true any more, whatever is to be said of it now.
        let overtaken = |case: &mut Case| scene.met_at.is_some() && case.level() > Level::Note;
        if let Some(case) = self.pile.take_if(|case| starts_over || finished || overtaken(case)) {
            out.push(case.close(at, Figures::default()));
        }
        if starts_over {
            self.spots.clear();
            self.rebound = Rebound::new(self.params.rebound);
        }
    }
}

/// The fastest fall of a required spot over the last two complete days, °C a day; `None` without two days.
pub(super) fn fall_c_per_day(scene: &Scene) -> Option<f64> {
    let day = scene.day(scene.now);
    let falls = scene.required().filter_map(|(_, place)| {
        let (newest, before) = (place.days.of(day - 1)?, place.days.of(day - 3)?);
        Some((before - newest) / 2.0)
    });
    falls.max_by(f64::total_cmp)
}

impl Rule for FellOut {
    fn phase(&self) -> Phase {
        Phase::Active
    }

    fn kinds(&self) -> &'static [Kind] {
        &[Kind::FellOutEarly]
    }

    fn step(&mut self, scene: &Scene, happening: Happening<'_>, out: &mut Vec<Finding>) {
        match happening {
            Happening::Temperature(sample) => self.take(scene, sample, out),
            Happening::Progress | Happening::Day => self.settle(scene, scene.now, false, out),
            Happening::Entry(entry) if scene.starts_over(&entry.event) => {
                self.settle(scene, entry.at, true, out);
            }
            Happening::Entry(entry) if matches!(entry.event, LogEvent::Watered { .. }) => {
                self.rebound.watered(scene);
            }
            Happening::Entry(entry) if matches!(entry.event, LogEvent::SpotGivenUp { .. }) => {
                self.settle(scene, entry.at, false, out);
            }
            _ => {}
        }
    }
}
