//! Good news: qualified, and ready to move to curing.
//!
//! Source: common practice. Ready is a pile that has had its heat and turns, is older than 21 days, is below 131 F in
//! every required spot, falls slower than 4 F a day, and has not come back by more than 10 F within two days of
//! watering (then it was dry, not done).

use super::case::{Case, Subject};
use super::event::Happening;
use super::fell_out::fall_c_per_day;
use super::rebound::{Rebound, ReboundParams};
use super::rule::{Phase, Rule};
use super::scene::{HOT, Scene};
use crate::finding::{Figures, Finding, Kind, Level};
use crate::log::LogEvent;
use crate::units::{At, Celsius, Span};

#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ReadyParams {
    pub age: Span,
    pub fall_c_per_day: f64,
    pub rebound: ReboundParams,
}

/// The verdict, told once.
#[derive(Default)]
pub(super) struct Qualified {
    open: Option<Case>,
}

pub(super) struct Ready {
    params: ReadyParams,
    open: Option<Case>,
    rebound: Rebound,
}

// === impl ReadyParams ===

impl Default for ReadyParams {
    fn default() -> ReadyParams {
        ReadyParams { age: Span::days(21), fall_c_per_day: 4.0 / 1.8, rebound: ReboundParams::default() }
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
        Ready { params, open: None, rebound: Rebound::new(params.rebound) }
    }

    fn look(&mut self, scene: &Scene, out: &mut Vec<Finding>) {
        let at = scene.now;
        let day = scene.day(at) - 1;
        let mut medians = scene.required().map(|(_, place)| place.days.of(day)).peekable();
        let cool = medians.peek().is_some()
            && medians.all(|median| median.is_some_and(|median| Celsius(median).is_below(HOT)));
        let slow = fall_c_per_day(scene).is_some_and(|fall| fall < self.params.fall_c_per_day);
        let dry = self.rebound.was_dry(at);
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
        } else if !cool
            && scene
                .required()
                .any(|(_, place)| place.days.of(day).is_some_and(|c| !Celsius(c).is_below(HOT)))
        {
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
            Happening::Temperature(sample) => self.rebound.take(scene, sample),
            Happening::Day => self.look(scene, out),
            Happening::Entry(entry) if matches!(entry.event, LogEvent::Watered { .. }) => {
                self.rebound.watered(scene);
            }
            Happening::Entry(entry) if scene.starts_over(&entry.event) => {
                self.end(entry.at, out);
                *self = Ready::new(self.params);
            }
            _ => {}
        }
    }
}
