//! The unit in doubt: a probe lying in a mild barn at 60 F, declared as Celsius, would 'qualify' a pile.
//!
//! Source: design 5.1. It opens with the first counting reading of a probe at a required spot above 45 °C within a day
//! of building, or when the judge says so for another reason; the judge's caution goes when a reading by hand agrees.
//! Air above 50 °C for a quarter of an hour is in doubt too (a barn in Fahrenheit).

use super::case::{Case, Subject};
use super::event::{Happening, Sample};
use super::rule::{Phase, Rule, lasts, series, slot};
use super::scene::Scene;
use crate::finding::{Figures, Finding, Kind, Level};
use crate::ids::ProbeId;
use crate::pile::Zone;
use crate::units::{At, Celsius, Span};

#[derive(Clone, Copy, Debug, PartialEq)]
pub struct UnitParams {
    /// A first reading above this, so soon after the building.
    pub first_above: Celsius,
    pub within: Span,
    /// Air above this, for so long.
    pub air_above: Celsius,
    pub air_during: Span,
}

pub(super) struct UnitDoubt {
    params: UnitParams,
    spots: Vec<Spot>,
}

#[derive(Default)]
struct Spot {
    /// The probe that stands there.
    probe: Option<ProbeId>,
    hot_since: Option<At>,
    open: Option<Case>,
}

// === impl UnitParams ===

impl Default for UnitParams {
    fn default() -> UnitParams {
        UnitParams {
            first_above: Celsius(45.0),
            within: Span::days(1),
            air_above: Celsius(50.0),
            air_during: Span::minutes(15),
        }
    }
}

// === impl UnitDoubt ===

impl UnitDoubt {
    pub(super) fn new(params: UnitParams) -> UnitDoubt {
        UnitDoubt { params, spots: Vec::new() }
    }

    fn take(&mut self, scene: &Scene, sample: Sample<'_>, out: &mut Vec<Finding>) {
        let params = self.params;
        let (Some(place), Some(spot)) = (scene.spots.get(sample.spot), slot(&mut self.spots, sample.spot))
        else {
            return;
        };
        let Some(id) = sample.probe else { return };
        let is_first = spot.probe.is_none();
        if spot.probe.as_ref() != Some(id) {
            spot.probe = Some(id.clone());
        }
        let is_air = place.zone == Zone::Ambient;
        spot.hot_since = series(spot.hot_since, sample.at, is_air && sample.value.is_above(params.air_above));
        let hot_air = lasts(spot.hot_since, sample.at, params.air_during);
        let hot_start = is_first
            && place.is_required()
            && sample.value.is_above(params.first_above)
            && sample.at - scene.built <= params.within;
        if hot_start || hot_air {
            spot.doubt(scene, sample.spot, sample.at, Some(sample.value), out);
        } else if is_air
            && spot.hot_since.is_none()
            && let Some(case) = spot.open.take()
        {
            out.push(case.close(sample.at, Figures::default()));
        }
    }

    /// The judge's word decides over the spots that have to heat.
    fn settle(&mut self, scene: &Scene, out: &mut Vec<Finding>) {
        for index in 0..scene.spots.len() {
            let Some(place) = scene.spots.get(index) else { continue };
            let Some(spot) = slot(&mut self.spots, index) else { continue };
            match place.unit_is_unconfirmed() {
                Some(true) => spot.doubt(scene, index, scene.now, place.newest.map(|(_, value)| value), out),
                Some(false) if place.zone != Zone::Ambient => {
                    out.extend(spot.open.take().map(|case| case.close(scene.now, Figures::default())));
                }
                _ => {}
            }
        }
    }
}

// === impl Spot ===

impl Spot {
    fn doubt(
        &mut self,
        scene: &Scene,
        index: usize,
        at: At,
        temperature: Option<Celsius>,
        out: &mut Vec<Finding>,
    ) {
        let Some((probe, name)) = self.probe.as_ref().zip(scene.name(index)) else { return };
        if self.open.is_none() {
            let figures = Figures { temperature, ..Figures::default() };
            let subject = Subject::probe(Kind::WrongUnit, name, probe);
            let (case, finding) = Case::now(subject, Level::Note, at, figures);
            self.open = Some(case);
            out.push(finding);
        }
    }
}

impl Rule for UnitDoubt {
    fn phase(&self) -> Phase {
        Phase::Active
    }

    fn kinds(&self) -> &'static [Kind] {
        &[Kind::WrongUnit]
    }

    fn step(&mut self, scene: &Scene, happening: Happening<'_>, out: &mut Vec<Finding>) {
        match happening {
            Happening::Temperature(sample) => self.take(scene, sample, out),
            Happening::Progress => self.settle(scene, out),
            Happening::Placed => {
                for (index, spot) in self.spots.iter_mut().enumerate() {
                    if spot.probe.as_ref().is_some_and(|probe| scene.has_left(probe, index)) {
                        out.extend(spot.open.take().map(|case| case.close(scene.now, Figures::default())));
                    }
                }
            }
            _ => {}
        }
    }

    fn reset(&mut self) {
        self.spots.clear();
    }
}
