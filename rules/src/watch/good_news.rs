//! Good news: qualified, and ready to move to curing.
//!
//! Source: common practice. Ready is a pile that has had its heat and turns, is older than 21 days, is below 131 F in
//! every required spot, falls slower than 4 F a day, and has not come back by more than 10 F within two days of
//! watering (then it was dry, not done).

use super::case::{Case, Subject};
use super::event::{Happening, Sample};
use super::fell_out::fall_c_per_day;
use super::rule::{Phase, Rule, slot};
use super::scene::{HOT, Scene};
use crate::finding::{Figures, Finding, Kind, Level};
use crate::log::LogEvent;
use crate::units::{At, Celsius, Span};

#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ReadyParams {
    pub age: Span,
    pub fall_c_per_day: f64,
    /// A rise of more than this,
    pub rebound_c: f64,
    /// within so long of watering,
    pub rebound_within: Span,
    /// says for so long that it was dry.
    pub rebound_counts_for: Span,
}

/// The verdict, told once.
#[derive(Default)]
pub(super) struct Qualified {
    open: Option<Case>,
}

pub(super) struct Ready {
    params: ReadyParams,
    open: Option<Case>,
    /// By spot: the temperature when it was watered.
    watered_at: Vec<Option<Celsius>>,
    rebound: Option<At>,
}

// === impl ReadyParams ===

impl Default for ReadyParams {
    fn default() -> ReadyParams {
        ReadyParams {
            age: Span::days(21),
            fall_c_per_day: 4.0 / 1.8,
            rebound_c: 10.0 / 1.8,
            rebound_within: Span::days(2),
            rebound_counts_for: Span::days(7),
        }
    }
}

// === impl Qualified ===

impl Qualified {
    fn look(&mut self, scene: &Scene, at: At, out: &mut Vec<Finding>) {
        match (&self.open, scene.met_at.filter(|_| scene.qualified)) {
            (None, Some(met)) => {
                let from_memory = !scene.verified;
                let figures = Figures { required: scene.required, from_memory, ..Figures::default() };
                let subject = Subject::pile(Kind::Qualified);
                let (case, finding) = Case::open(subject, Level::Act, met, met, figures);
                self.open = Some(case);
                out.push(finding);
            }
            (Some(_), None) => {
                if let Some(case) = self.open.take() {
                    out.push(case.close(at, Figures::default()));
                }
            }
            _ => {}
        }
    }
}

impl Rule for Qualified {
    fn phase(&self) -> Phase {
        Phase::Always
    }

    fn step(&mut self, scene: &Scene, happening: Happening<'_>, out: &mut Vec<Finding>) {
        // A turn of a pile that has qualified takes nothing back; whether fresh material does is for the judge to say.
        if let Happening::Progress = happening {
            self.look(scene, scene.now, out);
        }
    }
}

// === impl Ready ===

impl Ready {
    pub(super) fn new(params: ReadyParams) -> Ready {
        Ready { params, open: None, watered_at: Vec::new(), rebound: None }
    }

    fn watered(&mut self, scene: &Scene) {
        self.watered_at = scene.spots.iter().map(|place| place.newest.map(|(_, value)| value)).collect();
    }

    fn take(&mut self, scene: &Scene, sample: Sample<'_>) {
        let recent = scene.watered.is_some_and(|watered| sample.at - watered <= self.params.rebound_within);
        let then = slot(&mut self.watered_at, sample.spot).copied().flatten();
        let counts = scene.spots.get(sample.spot).is_some_and(super::scene::Place::is_required);
        if counts && recent && then.is_some_and(|then| sample.value.0 - then.0 > self.params.rebound_c) {
            self.rebound = Some(sample.at);
        }
    }

    fn look(&mut self, scene: &Scene, out: &mut Vec<Finding>) {
        let at = scene.now;
        let day = scene.day(at) - 1;
        let mut medians = scene.required().map(|(_, place)| place.days.of(day)).peekable();
        let cool = medians.peek().is_some()
            && medians.all(|median| median.is_some_and(|median| Celsius(median).is_below(HOT)));
        let slow = fall_c_per_day(scene).is_some_and(|fall| fall < self.params.fall_c_per_day);
        let dry = self.rebound.is_some_and(|rebound| at - rebound <= self.params.rebound_counts_for);
        // Where no standard asks for heat, age and temperature are all there is to look at.
        let met = scene.met_at.is_some() || !scene.is_judged;
        let ready = met && scene.age() >= self.params.age && cool && slow && !dry;
        if ready && self.open.is_none() {
            let hottest = scene.required().filter_map(|(_, place)| place.days.of(day)).max_by(f64::total_cmp);
            let from_memory = scene.is_judged && !scene.verified;
            let figures = Figures { temperature: hottest.map(Celsius), from_memory, ..Figures::default() };
            let (case, finding) = Case::now(Subject::pile(Kind::ReadyToMove), Level::Act, at, figures);
            self.open = Some(case);
            out.push(finding);
        } else if !cool && scene.required().any(|(_, place)| place.days.of(day).is_some_and(|c| c >= HOT.0)) {
            self.end(at, out);
        }
    }

    fn end(&mut self, at: At, out: &mut Vec<Finding>) {
        if let Some(case) = self.open.take() {
            out.push(case.close(at, Figures::default()));
        }
    }
}

impl Rule for Ready {
    fn phase(&self) -> Phase {
        Phase::Active
    }

    fn kinds(&self) -> &'static [Kind] {
        &[Kind::ReadyToMove]
    }

    fn step(&mut self, scene: &Scene, happening: Happening<'_>, out: &mut Vec<Finding>) {
        match happening {
            Happening::Temperature(sample) => self.take(scene, sample),
            Happening::Day => self.look(scene, out),
            Happening::Entry(entry) if matches!(entry.event, LogEvent::Watered { .. }) => self.watered(scene),
            Happening::Entry(entry) if scene.starts_over(&entry.event) => {
                self.end(entry.at, out);
                *self = Ready::new(self.params);
            }
            _ => {}
        }
    }
}
