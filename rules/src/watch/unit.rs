//! The unit in doubt: a probe lying in a mild barn at 60 F, declared as Celsius, would 'qualify' a pile.
//!
//! Source: design 5.1. It opens with the first counting reading of a probe at a required spot above 45 °C within a day
//! of building, or when the judge says so for another reason; the judge's caution goes when a reading by hand agrees.
//! Air above 50 °C for a quarter of an hour is in doubt too (a barn in Fahrenheit).
//!
//! A probe that sends Celsius and is declared as Fahrenheit proves nothing, but nobody sees why: 60 °C comes out as
//! 16 °C. Two signs tell it from a cold spot. A person reads another figure there, and the probe's own would agree in
//! the other unit; or a spot inside the pile is much colder than the air and every other spot for half a day and more,
//! as no compost is, and would not be in the other unit. Figures: our own, tried on nothing yet.

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
    /// By hand the declared unit is so far off, in °C, and the other one agrees so well.
    pub hand_off_c: f64,
    pub agrees_c: f64,
    /// Colder than the air and all other spots by so much, in °C, for so long.
    pub colder_c: f64,
    pub colder_for: Span,
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
    /// The newest reading of the probe, and by hand.
    newest: Option<(At, Celsius)>,
    by_hand: Option<(At, Celsius)>,
    /// Since when the probe would fit in with the others in the other unit only.
    colder_since: Option<At>,
    /// What is open is about the other unit, whatever the judge says of the start.
    is_other: bool,
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
            hand_off_c: 10.0,
            agrees_c: 5.0,
            colder_c: 10.0,
            colder_for: Span::hours(12),
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
        let Some(id) = sample.probe else {
            spot.by_hand = Some((sample.at, sample.value));
            return spot.compare(scene, sample, &params, out);
        };
        let is_first = spot.probe.is_none();
        if spot.probe.as_ref() != Some(id) {
            spot.stands(id, sample.at, out);
        }
        spot.newest = Some((sample.at, sample.value));
        if place.zone.has_to_heat() {
            spot.compare(scene, sample, &params, out);
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
                Some(false) if place.zone != Zone::Ambient && !spot.is_other => {
                    out.extend(spot.open.take().map(|case| case.close(scene.now, Figures::default())));
                }
                _ => {}
            }
        }
    }
}

// === impl Spot ===

impl Spot {
    /// Another probe stands there now.
    fn stands(&mut self, id: &ProbeId, at: At, out: &mut Vec<Finding>) {
        self.agrees(at, out);
        let Spot { hot_since, by_hand, open, .. } = std::mem::take(self);
        *self = Spot { probe: Some(id.clone()), hot_since, by_hand, open, ..Spot::default() };
    }

    /// Compares the probe with the thermometer of a person, else with the air and the other spots.
    fn compare(&mut self, scene: &Scene, sample: Sample<'_>, params: &UnitParams, out: &mut Vec<Finding>) {
        let Some((at, value)) = self.newest else { return };
        let near = scene.near(self.probe.as_ref());
        let by_hand = self.by_hand.filter(|(read, _)| Span((at - *read).0.abs()) <= near);
        if let Some((_, by_hand)) = by_hand {
            let agrees = |c: &Celsius| c.is_within(by_hand, params.agrees_c);
            if agrees(&value) {
                self.agrees(sample.at, out);
            } else if !value.is_within(by_hand, params.hand_off_c)
                && in_the_other_unit(value).iter().any(agrees)
            {
                self.is_other = true;
                self.doubt(scene, sample.spot, sample.at, Some(value), out);
            }
        } else if sample.probe.is_some() {
            self.compare_with_others(scene, sample, params, out);
        }
    }

    fn compare_with_others(
        &mut self,
        scene: &Scene,
        sample: Sample<'_>,
        params: &UnitParams,
        out: &mut Vec<Finding>,
    ) {
        let others: Vec<f64> = scene.peers(sample.spot, Span::hours(3)).map(|(_, value)| value.0).collect();
        let lowest = others.iter().copied().fold(f64::INFINITY, f64::min);
        let highest = others.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let around = (lowest - params.agrees_c)..=(highest + params.agrees_c);
        // Where no probe is in the air, frost is what tells a wrong unit from a cold spot.
        let air = scene.ambient().map_or(0.0, |air| air.0 - params.colder_c);
        let is_colder = sample.value.0 < air.min(lowest - params.colder_c);
        let fits = in_the_other_unit(sample.value).iter().any(|other| around.contains(&other.0));
        self.colder_since = series(self.colder_since, sample.at, is_colder && fits);
        if lasts(self.colder_since, sample.at, params.colder_for) {
            self.is_other = true;
            self.doubt(scene, sample.spot, sample.at, Some(sample.value), out);
        } else if around.contains(&sample.value.0) {
            self.agrees(sample.at, out);
        }
    }

    /// As declared it is right, as far as the other unit goes.
    fn agrees(&mut self, at: At, out: &mut Vec<Finding>) {
        if std::mem::take(&mut self.is_other) {
            out.extend(self.open.take().map(|case| case.close(at, Figures::default())));
        }
    }

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

/// What was meant, if Celsius was taken for Fahrenheit, or Fahrenheit for Celsius.
fn in_the_other_unit(value: Celsius) -> [Celsius; 2] {
    [Celsius(value.to_f()), Celsius::from_f(value.0)]
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
                        spot.is_other = false;
                    }
                }
            }
            _ => {}
        }
    }
}
