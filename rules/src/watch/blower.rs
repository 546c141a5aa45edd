//! The blower: off for longer than its cycle allows, its ripple gone from every spot, or stuck on.
//!
//! Source: pauses of an active pile are at most 30 min (NRAES-54); a blower that is silent for two hours is one breaker
//! away from a lost run (common practice). A plug that is asked every few minutes misses most of a short cycle, so the
//! limit is also four times the usual pause as it is seen. Without a witness of the blower itself the saw-tooth that it
//! draws into the readings is one: when it is gone from every spot at once, the air has stopped.

use std::collections::VecDeque;

use super::case::{Case, Subject};
use super::event::{Happening, Observation, Sample};
use super::ripple::Ripples;
use super::rule::{Phase, Rule};
use super::scene::Scene;
use crate::finding::{Figures, Finding, Kind, Level};
use crate::log::LogEvent;
use crate::pile::Zone;
use crate::reading::Quantity;
use crate::stats::median;
use crate::units::{At, Celsius, Span};

#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BlowerParams {
    /// At least so long off, or on without a pause.
    pub at_least: Span,
    /// And so many times the usual pause or stretch.
    pub times_usual: f64,
    /// It has paused within so long, else it is meant to run all the time.
    pub paused_within: Span,
    /// A core above this makes it urgent.
    pub hot_core: Celsius,
    /// Witness for the ripple: so many spots that show it,
    pub ripple_spots: usize,
    /// with at least this much travel to and fro, °C an hour;
    pub ripple_c_per_h: f64,
    /// gone below this part of the usual for two hours,
    pub ripple_gone: f64,
    /// back above this part.
    pub ripple_back: f64,
}

pub(super) struct Blower {
    params: BlowerParams,
    /// The present state, since when, and the newest reading.
    state: Option<(bool, At, At)>,
    /// When the state last was the other one.
    last_on: Option<At>,
    last_off: Option<At>,
    pauses: VecDeque<f64>,
    stretches: VecDeque<f64>,
    ripples: Ripples,
    off: Option<Case>,
    stuck_on: Option<Case>,
}

/// Pauses and stretches that are remembered.
const KEPT: usize = 16;
/// With fewer of them the cycle is not known, and the limit is three times the least.
const KNOWN: usize = 3;

// === impl BlowerParams ===

impl Default for BlowerParams {
    fn default() -> BlowerParams {
        BlowerParams {
            at_least: Span::hours(2),
            times_usual: 4.0,
            paused_within: Span::days(2),
            hot_core: Celsius::from_f(150.0),
            ripple_spots: 2,
            ripple_c_per_h: 1.0,
            ripple_gone: 0.3,
            ripple_back: 0.6,
        }
    }
}

// === impl Blower ===

impl Blower {
    pub(super) fn new(params: BlowerParams) -> Blower {
        Blower {
            params,
            state: None,
            last_on: None,
            last_off: None,
            pauses: VecDeque::new(),
            stretches: VecDeque::new(),
            ripples: Ripples::default(),
            off: None,
            stuck_on: None,
        }
    }

    fn take(&mut self, scene: &Scene, seen: &Observation, out: &mut Vec<Finding>) {
        let is_on = seen.value > 0.0;
        let since = match self.state {
            Some((_, _, newest)) if seen.at <= newest => return,
            Some((was_on, since, _)) if was_on == is_on => since,
            Some((was_on, since, _)) => {
                let list = if was_on { &mut self.stretches } else { &mut self.pauses };
                list.push_back((seen.at - since).as_hours());
                if list.len() > KEPT {
                    list.pop_front();
                }
                seen.at
            }
            None => seen.at,
        };
        self.state = Some((is_on, since, seen.at));
        if is_on {
            self.last_on = Some(seen.at);
            end(&mut self.off, seen.at, out);
            let paused = self.last_off.is_some_and(|off| seen.at - off <= self.params.paused_within);
            let limit = self.limit(&self.stretches);
            if seen.at - since >= limit && paused {
                self.tell_stuck_on(scene, since, seen.at, out);
            }
        } else {
            self.last_off = Some(seen.at);
            end(&mut self.stuck_on, seen.at, out);
            if seen.at - since >= self.limit(&self.pauses) {
                self.tell_off(scene, self.last_on.unwrap_or(since), seen.at, out);
            }
        }
    }

    /// A plug that speaks only of changes says nothing more while it is off.
    fn look(&mut self, scene: &Scene, out: &mut Vec<Finding>) {
        if let Some((false, since, _)) = self.state
            && self.off.is_none()
            && scene.now - since >= self.limit(&self.pauses)
        {
            self.tell_off(scene, self.last_on.unwrap_or(since), scene.now, out);
        }
    }

    fn limit(&self, usual: &VecDeque<f64>) -> Span {
        if usual.len() < KNOWN {
            return Span(self.params.at_least.0.saturating_mul(3));
        }
        let usual = median(&usual.iter().copied().collect::<Vec<_>>()).unwrap_or(0.0);
        self.params.at_least.max(Span::from_hours(self.params.times_usual * usual))
    }

    fn tell_off(&mut self, scene: &Scene, since: At, at: At, out: &mut Vec<Finding>) {
        let hottest = hottest_core(scene).map(|(_, value)| value);
        let is_hot = hottest.is_some_and(|core| core.is_above(self.params.hot_core));
        let level = if scene.has_open_run() || is_hot { Level::Urgent } else { Level::Act };
        let figures = Figures { since: Some(since), temperature: hottest, ..Figures::default() };
        tell(&mut self.off, Kind::BlowerOff, level, at, figures, out);
    }

    fn tell_stuck_on(&mut self, scene: &Scene, since: At, at: At, out: &mut Vec<Finding>) {
        let level = if scene.has_open_run() { Level::Act } else { Level::Note };
        let slopes = scene.required().filter_map(|(_, place)| place.fall).map(|trend| trend.slope_c_per_h());
        let figures = Figures {
            since: Some(since),
            slope_c_per_h: slopes.min_by(f64::total_cmp),
            ..Figures::default()
        };
        tell(&mut self.stuck_on, Kind::BlowerStuckOn, level, at, figures, out);
    }

    fn ripple(&mut self, scene: &Scene, sample: Sample<'_>, out: &mut Vec<Finding>) {
        let inside = scene.spots.get(sample.spot).is_some_and(|place| place.zone != Zone::Ambient);
        // A blower that speaks for itself needs no other witness.
        let speaks = self.state.is_some_and(|(_, _, newest)| sample.at - newest <= Span::days(1));
        if !inside || !self.ripples.take(scene.built, sample) || speaks {
            return;
        }
        let params = &self.params;
        if self.off.is_some() {
            if self.ripples.is_back(params.ripple_c_per_h, params.ripple_back) {
                end(&mut self.off, sample.at, out);
            }
        } else if let Some(since) = self.ripples.gone_since(
            scene.built,
            params.ripple_c_per_h,
            params.ripple_gone,
            params.ripple_spots,
        ) {
            self.tell_off(scene, since, sample.at, out);
        }
    }
}

fn tell(open: &mut Option<Case>, kind: Kind, level: Level, at: At, figures: Figures, out: &mut Vec<Finding>) {
    if let Some(case) = open {
        out.extend(case.worsen(level, at, figures));
    } else {
        let (case, finding) = Case::now(Subject::pile(kind), level, at, figures);
        *open = Some(case);
        out.push(finding);
    }
}

fn hottest_core(scene: &Scene) -> Option<(At, Celsius)> {
    let core = scene.spots.iter().filter(|place| place.zone == Zone::Core);
    core.filter_map(|place| place.newest).max_by(|(_, a), (_, b)| a.0.total_cmp(&b.0))
}

fn end(open: &mut Option<Case>, at: At, out: &mut Vec<Finding>) {
    if let Some(case) = open.take() {
        out.push(case.close(at, Figures::default()));
    }
}

impl Rule for Blower {
    fn phase(&self) -> Phase {
        Phase::Active
    }

    fn kinds(&self) -> &'static [Kind] {
        &[Kind::BlowerOff, Kind::BlowerStuckOn]
    }

    fn step(&mut self, scene: &Scene, happening: Happening<'_>, out: &mut Vec<Finding>) {
        match happening {
            Happening::Other { seen, .. } if seen.quantity == Quantity::Blower => self.take(scene, seen, out),
            Happening::Temperature(sample) => self.ripple(scene, sample, out),
            Happening::Time => self.look(scene, out),
            Happening::Entry(entry)
                if entry.event == LogEvent::AerationChanged || scene.starts_over(&entry.event) =>
            {
                // Another cycle: what was usual is not any more.
                self.pauses.clear();
                self.stretches.clear();
                self.ripples.clear();
            }
            _ => {}
        }
    }

    /// What the standstill does to the core.
    fn present(&self, scene: &Scene, finding: &Finding) -> Option<Figures> {
        let (at, value) = hottest_core(scene).filter(|_| finding.kind == Kind::BlowerOff)?;
        Some(Figures { temperature: Some(value), read_at: Some(at), ..Figures::default() })
    }

    fn deadline(&self, scene: &Scene) -> Option<At> {
        let (_, since, _) = self.state.filter(|(is_on, _, _)| !is_on && self.off.is_none())?;
        Some(since + self.limit(&self.pauses)).filter(|at| *at > scene.now)
    }
}
