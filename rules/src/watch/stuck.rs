//! A stuck probe: the same value for longer than a pile ever keeps it.
//!
//! Source: the longest natural runs of equal values of 60 simulated probes in 28 days: up to 13.7 h with steps of
//! 0.0625 °C, up to 44.8 h with steps of 0.5 °C. The step of a probe is the smallest change it has shown; the limits go
//! straight between these two, and on beyond them. For the mere suspicion another spot has to have moved by more than
//! 1 °C meanwhile, if there is one. No rate of false alarms was measured.

use std::collections::BTreeMap;

use super::case::{Case, Subject};
use super::event::{Happening, Sample};
use super::rule::{Phase, Rule, is_more};
use super::scene::Scene;
use crate::finding::{Figures, Finding, Kind, Level};
use crate::ids::ProbeId;
use crate::pile::Zone;
use crate::units::{At, Span};

#[derive(Clone, Copy, Debug, PartialEq)]
pub struct StuckParams {
    /// (step in °C, suspicion, certainty) of a fine and of a coarse probe.
    pub fine: (f64, Span, Span),
    pub coarse: (f64, Span, Span),
    /// Another spot has moved by more than this, in °C.
    pub others_moved_c: f64,
}

pub(super) struct Stuck {
    params: StuckParams,
    probes: BTreeMap<ProbeId, Probe>,
}

struct Probe {
    spot: usize,
    value: f64,
    since: At,
    step: Option<f64>,
    /// The other spots when the value came.
    others: Vec<(usize, f64)>,
    open: Option<Case>,
}

// === impl StuckParams ===

impl Default for StuckParams {
    fn default() -> StuckParams {
        StuckParams {
            fine: (0.0625, Span::hours(6), Span::hours(16)),
            coarse: (0.5, Span::hours(24), Span::hours(48)),
            others_moved_c: 1.0,
        }
    }
}

impl StuckParams {
    /// Limits of suspicion and certainty for a step; without one those of a coarse probe.
    fn limits(&self, step: Option<f64>) -> (Span, Span) {
        let (fine, coarse) = (self.fine, self.coarse);
        let part = step.map_or(1.0, |step| ((step - fine.0) / (coarse.0 - fine.0)).max(0.0));
        let between = |from: Span, to: Span| from + Span::from_hours(part * (to - from).as_hours());
        (between(fine.1, coarse.1), between(fine.2, coarse.2))
    }
}

// === impl Stuck ===

impl Stuck {
    pub(super) fn new(params: StuckParams) -> Stuck {
        Stuck { params, probes: BTreeMap::new() }
    }

    fn take(&mut self, scene: &Scene, sample: Sample<'_>, out: &mut Vec<Finding>) {
        let Some((id, name)) = sample.probe.zip(scene.name(sample.spot)) else { return };
        let others =
            || scene.peers(sample.spot, Span::hours(3)).map(|(spot, value)| (spot, value.0)).collect();
        let begins = |step| Probe {
            spot: sample.spot,
            value: sample.value.0,
            since: sample.at,
            step,
            others: others(),
            open: None,
        };
        let probe = self.probes.entry(id.clone()).or_insert_with(|| begins(None));
        let change = (probe.value - sample.value.0).abs();
        if change > 1e-6 || probe.spot != sample.spot {
            let figures = Figures { temperature: Some(sample.value), ..Figures::default() };
            out.extend(probe.open.take().map(|case| case.close(sample.at, figures)));
            let step = if probe.spot == sample.spot { probe.step } else { None };
            *probe = begins(Some(step.map_or(change, |step| step.min(change))));
            return;
        }
        let (suspicious, certain) = self.params.limits(probe.step);
        let same_for = sample.at - probe.since;
        let now: Vec<(usize, f64)> = others();
        let moved = probe.others.iter().any(|(spot, then)| {
            now.iter().any(|(other, value)| {
                other == spot && is_more((value - then).abs(), self.params.others_moved_c)
            })
        });
        let figures =
            Figures { temperature: Some(sample.value), since: Some(probe.since), ..Figures::default() };
        let level =
            if same_for >= certain && scene.is_costly(sample.spot) { Level::Act } else { Level::Note };
        let is_stuck = same_for >= certain || (same_for >= suspicious && (moved || probe.others.is_empty()));
        match &mut probe.open {
            Some(case) => out.extend(case.worsen(level, sample.at, figures)),
            None if is_stuck => {
                let subject = Subject::probe(Kind::ProbeStuck, name, id);
                let (case, finding) = Case::now(subject, level, sample.at, figures);
                probe.open = Some(case);
                out.push(finding);
            }
            None => {}
        }
    }
}

impl Rule for Stuck {
    fn phase(&self) -> Phase {
        Phase::Always
    }

    fn step(&mut self, scene: &Scene, happening: Happening<'_>, out: &mut Vec<Finding>) {
        // Still air may keep its temperature for long.
        match happening {
            Happening::Temperature(sample)
                if scene.spots.get(sample.spot).is_some_and(|place| place.zone != Zone::Ambient) =>
            {
                self.take(scene, sample, out);
            }
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
