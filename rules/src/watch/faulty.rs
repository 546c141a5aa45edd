//! A faulty probe: what it says is impossible, again and again.
//!
//! Source: a sensor that starts says 85 °C, a lost one -127 °C (data sheet and usual driver of common 1-wire sensors);
//! one such value is nothing, three in a row or half of the last ten are power, cable or water in the lance. Two
//! different values for one instant count as bad too: two probes speak under one name.

use std::collections::{BTreeMap, VecDeque};

use super::case::{Case, Subject};
use super::event::Happening;
use super::rule::{Phase, Rule};
use super::scene::Scene;
use crate::finding::{Figures, Finding, Kind, Level};
use crate::ids::ProbeId;
use crate::units::{At, Celsius, Span};
use crate::verdict::Class;

#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FaultyParams {
    /// So many bad ones in a row,
    pub in_a_row: usize,
    /// or so many among the last `window`.
    pub among: usize,
    pub window: usize,
    /// So many good ones in a row end it.
    pub good: usize,
    /// After this it is worth a text if evidence is lost by it.
    pub act_after: Span,
}

pub(super) struct Faulty {
    params: FaultyParams,
    probes: BTreeMap<ProbeId, Probe>,
}

#[derive(Default)]
struct Probe {
    /// The newest last: whether it was bad.
    bad: VecDeque<bool>,
    spot: usize,
    since: Option<At>,
    open: Option<Case>,
}

// === impl FaultyParams ===

impl Default for FaultyParams {
    fn default() -> FaultyParams {
        FaultyParams { in_a_row: 3, among: 5, window: 10, good: 5, act_after: Span::hours(2) }
    }
}

// === impl Faulty ===

impl Faulty {
    pub(super) fn new(params: FaultyParams) -> Faulty {
        Faulty { params, probes: BTreeMap::new() }
    }

    fn take(
        &mut self,
        scene: &Scene,
        id: &ProbeId,
        (spot, at, value): (usize, At, f64),
        is_bad: bool,
        out: &mut Vec<Finding>,
    ) {
        let params = self.params;
        let Some(name) = scene.name(spot) else { return };
        let probe = self.probes.entry(id.clone()).or_default();
        if probe.spot != spot {
            out.extend(probe.open.take().map(|case| case.close(at, Figures::default())));
            *probe = Probe { spot, ..Probe::default() };
        }
        probe.bad.push_back(is_bad);
        if probe.bad.len() > params.window {
            probe.bad.pop_front();
        }
        let row = |of: bool| probe.bad.iter().rev().take_while(|bad| **bad == of).count();
        let (bad_row, good_row) = (row(true), row(false));
        if bad_row == 1 && probe.open.is_none() {
            probe.since = probe.since.or(Some(at));
        }
        let figures = Figures { temperature: Some(Celsius(value)), since: probe.since, ..Figures::default() };
        let is_faulty =
            bad_row >= params.in_a_row || probe.bad.iter().filter(|bad| **bad).count() >= params.among;
        if let Some(case) = probe.open.take_if(|_| good_row >= params.good) {
            out.push(case.close(at, figures));
            probe.since = None;
        } else if let Some(case) = &mut probe.open {
            if at - case.opened() >= params.act_after && scene.is_costly(spot) {
                out.extend(case.worsen(Level::Act, at, figures));
            }
        } else if is_faulty {
            let subject = Subject::probe(Kind::ProbeFaulty, name, id);
            let (case, finding) = Case::now(subject, Level::Note, at, figures);
            probe.open = Some(case);
            out.push(finding);
        } else if good_row >= params.good {
            probe.since = None;
        }
    }
}

impl Rule for Faulty {
    fn phase(&self) -> Phase {
        Phase::Always
    }

    fn step(&mut self, scene: &Scene, happening: Happening<'_>, out: &mut Vec<Finding>) {
        match happening {
            Happening::Temperature(sample) => {
                if let Some(id) = sample.probe {
                    self.take(scene, id, (sample.spot, sample.at, sample.value.0), false, out);
                }
            }
            Happening::Rejected { seen, spot } if matches!(seen.class, Class::Fault | Class::Conflict) => {
                let fresh = scene.now - seen.at <= scene.near(seen.probe.as_ref());
                if let Some(id) = seen.probe.as_ref().filter(|_| fresh) {
                    self.take(scene, id, (spot, seen.at, seen.value), true, out);
                }
            }
            Happening::Placed => {
                for (_, probe) in self.probes.iter_mut().filter(|(id, probe)| scene.has_left(id, probe.spot))
                {
                    out.extend(probe.open.take().map(|case| case.close(scene.now, Figures::default())));
                    *probe = Probe { spot: probe.spot, ..Probe::default() };
                }
            }
            _ => {}
        }
    }
}
