//! A battery that runs low.
//!
//! Source: common practice of warning at 20 % or at a fall of more than 15 points in a week, in the summary only. Cold
//! mornings dip, so the best value of each day counts.

use std::collections::{BTreeMap, VecDeque};

use super::case::{Case, Subject};
use super::event::{Happening, Observation};
use super::rule::{Phase, Rule};
use super::scene::Scene;
use crate::finding::{Figures, Finding, Kind, Level};
use crate::ids::ProbeId;
use crate::reading::Quantity;

#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BatteryParams {
    pub low_percent: f64,
    /// A fall of more than this in a week, in points.
    pub falls_points: f64,
    /// At this it was changed.
    pub good_percent: f64,
}

pub(super) struct Battery {
    params: BatteryParams,
    probes: BTreeMap<ProbeId, Probe>,
}

struct Probe {
    spot: usize,
    /// Best value of the present day, and of the last eight complete ones.
    today: Option<f64>,
    days: VecDeque<(i64, f64)>,
    open: Option<Case>,
}

// === impl BatteryParams ===

impl Default for BatteryParams {
    fn default() -> BatteryParams {
        BatteryParams { low_percent: 20.0, falls_points: 15.0, good_percent: 30.0 }
    }
}

// === impl Battery ===

impl Battery {
    pub(super) fn new(params: BatteryParams) -> Battery {
        Battery { params, probes: BTreeMap::new() }
    }

    fn take(&mut self, seen: &Observation, spot: usize) {
        let Some(id) = seen.probe.as_ref().filter(|_| (0.0..=100.0).contains(&seen.value)) else { return };
        let begins = || Probe { spot, today: None, days: VecDeque::new(), open: None };
        let probe = self.probes.entry(id.clone()).or_insert_with(begins);
        probe.spot = spot;
        probe.today = Some(probe.today.map_or(seen.value, |best| best.max(seen.value)));
    }

    fn look(&mut self, scene: &Scene, out: &mut Vec<Finding>) {
        let (at, day) = (scene.now, scene.day(scene.now) - 1);
        for (id, probe) in &mut self.probes {
            let Some(percent) = probe.today.take() else { continue };
            probe.days.push_back((day, percent));
            if probe.days.len() > 8 {
                probe.days.pop_front();
            }
            let before = probe.days.iter().find(|(of, _)| *of >= day - 7).map(|(_, percent)| *percent);
            let falls = before.is_some_and(|before| before - percent > self.params.falls_points);
            let figures = Figures { battery_percent: Some(percent), ..Figures::default() };
            if let Some(case) = probe.open.take_if(|_| percent >= self.params.good_percent && !falls) {
                out.push(case.close(at, figures));
            } else if probe.open.is_none()
                && (percent <= self.params.low_percent || falls)
                && let Some(name) = scene.name(probe.spot)
            {
                let subject = Subject::probe(Kind::BatteryLow, name, id);
                let (case, finding) = Case::now(subject, Level::Note, at, figures);
                probe.open = Some(case);
                out.push(finding);
            }
        }
    }
}

impl Rule for Battery {
    fn phase(&self) -> Phase {
        Phase::Always
    }

    fn step(&mut self, scene: &Scene, happening: Happening<'_>, out: &mut Vec<Finding>) {
        match happening {
            Happening::Other { seen, spot } if seen.quantity == Quantity::Battery => self.take(seen, spot),
            Happening::Day => self.look(scene, out),
            Happening::Placed => {
                for (_, probe) in self.probes.iter_mut().filter(|(id, probe)| scene.has_left(id, probe.spot))
                {
                    out.extend(probe.open.take().map(|case| case.close(scene.now, Figures::default())));
                }
            }
            _ => {}
        }
    }
}
