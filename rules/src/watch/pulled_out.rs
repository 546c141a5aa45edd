//! A probe pulled out of the pile, and one moved to another place.
//!
//! Source: within 6 °C of the air for three hours while another spot is more than 15 °C hotter found all of 57 pulled
//! probes on our own simulator, without a false one in 60 piles. Beside that it must have been hot before: a toe that
//! never warmed up is cold, not pulled out. Moved: down to the air and back within two hours, at another level (common
//! practice); nobody can tell from the data alone, so it is a question. Without a probe in the air neither is asked.

use std::collections::BTreeMap;

use super::case::{Case, Subject};
use super::event::{Happening, Sample};
use super::rule::{Phase, Rule, is_more, lasts, series};
use super::scene::Scene;
use crate::finding::{Figures, Finding, Kind, Level};
use crate::ids::ProbeId;
use crate::units::{At, Span};

#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PulledOutParams {
    /// So near to the air, in °C, for so long,
    pub near_c: f64,
    pub during: Span,
    /// while another spot is so much hotter, in °C,
    pub peer_hotter_c: f64,
    /// and it was itself so much hotter than the air, in °C, so shortly before.
    pub was_hotter_c: f64,
    pub was_within: Span,
    /// So much over the air for so long, and it is back.
    pub back_c: f64,
    pub back_during: Span,
    /// Moved: so near to the air, in °C,
    pub dip_c: f64,
    /// and back over it by `was_hotter_c` within so long,
    pub dip_within: Span,
    /// and, when it has settled, so far from where it was, in °C.
    pub settles: Span,
    pub level_c: f64,
    /// The question is put for so long.
    pub asks_for: Span,
}

pub(super) struct PulledOut {
    params: PulledOutParams,
    probes: BTreeMap<ProbeId, Probe>,
}

#[derive(Default)]
struct Probe {
    spot: usize,
    /// Newest reading well over the air.
    hot: Option<(At, f64)>,
    near_since: Option<At>,
    back_since: Option<At>,
    pulled: Option<Case>,
    /// Where it was before it dipped to the air, and when it was back.
    before: Option<(At, f64)>,
    returned: Option<At>,
    moved: Option<Case>,
}

// === impl PulledOutParams ===

impl Default for PulledOutParams {
    fn default() -> PulledOutParams {
        PulledOutParams {
            near_c: 6.0,
            during: Span::hours(3),
            peer_hotter_c: 15.0,
            was_hotter_c: 12.0,
            was_within: Span::hours(6),
            back_c: 8.0,
            back_during: Span::minutes(30),
            dip_c: 5.0 / 1.8,
            dip_within: Span::hours(2),
            settles: Span::minutes(30),
            level_c: 5.0,
            asks_for: Span::days(2),
        }
    }
}

// === impl PulledOut ===

impl PulledOut {
    pub(super) fn new(params: PulledOutParams) -> PulledOut {
        PulledOut { params, probes: BTreeMap::new() }
    }

    fn take(&mut self, scene: &Scene, sample: Sample<'_>, out: &mut Vec<Finding>) {
        let params = self.params;
        let Some((id, air)) = sample.probe.zip(scene.ambient()) else { return };
        if !scene.spots.get(sample.spot).is_some_and(|place| place.zone.has_to_heat()) {
            return;
        }
        let probe = self.probes.entry(id.clone()).or_default();
        if probe.spot != sample.spot {
            probe.end(sample.at, out);
            *probe = Probe { spot: sample.spot, ..Probe::default() };
        }
        let over = sample.value.0 - air.0;
        probe.look_for_move(id, scene, sample, over, &params, out);
        probe.look_for_pull(id, scene, sample, over, &params, out);
        if !is_more(params.was_hotter_c, over) {
            probe.hot = Some((sample.at, sample.value.0));
        }
    }
}

// === impl Probe ===

impl Probe {
    fn look_for_pull(
        &mut self,
        id: &ProbeId,
        scene: &Scene,
        sample: Sample<'_>,
        over: f64,
        params: &PulledOutParams,
        out: &mut Vec<Finding>,
    ) {
        let was_hot_at = self.hot.map(|(at, _)| at);
        if is_more(over.abs(), params.near_c) {
            self.near_since = None;
        } else if self.near_since.is_none()
            && was_hot_at.is_some_and(|hot| sample.at - hot <= params.was_within)
        {
            self.near_since = Some(sample.at);
        }
        self.back_since = series(self.back_since, sample.at, is_more(over, params.back_c));
        let peer_is_hot = scene
            .peers(sample.spot, Span::hours(3))
            .any(|(_, peer)| is_more(peer.0 - sample.value.0, params.peer_hotter_c));
        let figures =
            Figures { temperature: Some(sample.value), since: self.near_since, ..Figures::default() };
        if let Some(case) = self.pulled.take_if(|_| lasts(self.back_since, sample.at, params.back_during)) {
            out.push(case.close(sample.at, figures));
        } else if self.pulled.is_none() && peer_is_hot && lasts(self.near_since, sample.at, params.during) {
            let Some(place) = scene.spots.get(sample.spot) else { return };
            let waits = place.is_required() && place.qualified_at().is_none();
            let level = if waits { Level::Act } else { Level::Note };
            let subject = Subject::probe(Kind::ProbePulledOut, &place.name, id);
            let (case, finding) = Case::now(subject, level, sample.at, figures);
            self.pulled = Some(case);
            out.push(finding);
        }
    }

    fn look_for_move(
        &mut self,
        id: &ProbeId,
        scene: &Scene,
        sample: Sample<'_>,
        over: f64,
        params: &PulledOutParams,
        out: &mut Vec<Finding>,
    ) {
        if !is_more(over.abs(), params.dip_c) {
            self.before = self.before.or(self.hot);
            self.returned = None;
        }
        let Some((left, level)) = self.before else { return };
        if !is_more(params.was_hotter_c, over) {
            self.returned = self.returned.or(Some(sample.at));
        }
        let Some(returned) = self.returned else { return };
        if returned - left > params.dip_within {
            self.before = None;
            self.returned = None;
        } else if sample.at - returned >= params.settles {
            self.before = None;
            self.returned = None;
            if is_more((sample.value.0 - level).abs(), params.level_c) && self.moved.is_none() {
                let Some(name) = scene.name(sample.spot) else { return };
                let figures =
                    Figures { temperature: Some(sample.value), since: Some(left), ..Figures::default() };
                let subject = Subject::probe(Kind::ProbeMoved, name, id);
                let (case, finding) = Case::now(subject, Level::Note, sample.at, figures);
                self.moved = Some(case);
                out.push(finding);
            }
        }
    }

    fn end(&mut self, at: At, out: &mut Vec<Finding>) {
        for case in [self.pulled.take(), self.moved.take()].into_iter().flatten() {
            out.push(case.close(at, Figures::default()));
        }
    }

    /// The question has been put for long enough, or was answered by a new placement.
    fn answered(&self, id: &ProbeId, scene: &Scene, params: &PulledOutParams) -> bool {
        let placed = scene.placement(id, scene.now).map(|placement| placement.from);
        self.moved.as_ref().is_some_and(|case| {
            scene.now - case.opened() >= params.asks_for || placed.is_some_and(|from| from > case.opened())
        })
    }
}

impl Rule for PulledOut {
    fn phase(&self) -> Phase {
        Phase::Active
    }

    fn kinds(&self) -> &'static [Kind] {
        &[Kind::ProbePulledOut, Kind::ProbeMoved]
    }

    fn step(&mut self, scene: &Scene, happening: Happening<'_>, out: &mut Vec<Finding>) {
        match happening {
            Happening::Temperature(sample) => self.take(scene, sample, out),
            Happening::Time | Happening::Placed => {
                let params = self.params;
                for (id, probe) in &mut self.probes {
                    if probe.answered(id, scene, &params)
                        && let Some(case) = probe.moved.take()
                    {
                        out.push(case.close(scene.now, Figures::default()));
                    }
                    if scene.has_left(id, probe.spot) {
                        probe.end(scene.now, out);
                    }
                }
            }
            _ => {}
        }
    }

    fn deadline(&self, scene: &Scene) -> Option<At> {
        let asked = self.probes.values().filter_map(|probe| probe.moved.as_ref());
        asked.map(|case| case.opened() + self.params.asks_for).filter(|at| *at > scene.now).min()
    }
}
