//! Drying: the moisture falls towards the low limit, or is below it.
//!
//! Method: medians of days, a Mann-Kendall test and the upper end of the 90 % interval of the Theil-Sen slope over seven
//! of them, five as an early notice. Daily medians because hours are not independent: on our own simulator intervals
//! from hourly values held half as often as they claim, those from days nine times in ten. A fall flatter than 0.1
//! points a day was never called drying in 149 windows; one of 0.5 was found in 95 of 100.
//!
//! A probe that measures a dielectric reads temperature, salt and contact as well: its figure is an index, so the trend
//! counts, a second sign confirms (the temperature falls, or it sits very hot), and the first day in the material says
//! nothing. Watering begins a new window. 45 %: active compost wants water (common practice, 40 % is nearly stopped).

use std::collections::BTreeMap;

use super::case::{Case, Subject};
use super::days::Days;
use super::event::{Happening, Observation};
use super::rule::{Phase, Rule};
use super::scene::Scene;
use crate::finding::{Circumstance, Figures, Finding, Kind, Level};
use crate::ids::ProbeId;
use crate::log::LogEvent;
use crate::reading::Quantity;
use crate::recipe::water::water_to_add_by_dry_mass;
use crate::stats::{mann_kendall, theil_sen};
use crate::units::{At, Celsius, Span};

#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DryingParams {
    /// Percent of the wet mass.
    pub low_percent: f64,
    /// Above this it closes.
    pub recovered_percent: f64,
    /// What the water to add aims at.
    pub target_percent: f64,
    /// Days of a window, and fewest of them for a trend.
    pub window_days: i64,
    pub days_min: usize,
    /// Two-sided probability of the Mann-Kendall test.
    pub p: f64,
    /// The upper end of the slope's 90 % interval has to be below this, points a day.
    pub slope_points_per_day: f64,
    /// The limit is reached within so many days.
    pub within_days: f64,
    /// At least so long between two openings.
    pub quiet: Span,
    /// A probe settles in the material for so long.
    pub settles: Span,
    /// A second sign: cooler than the day before by so much in °C, or at least so hot.
    pub cooler_c: f64,
    pub very_hot: Celsius,
    /// Dry mass of the pile, if it is known: for the water to add.
    pub dry_mass_kg: Option<f64>,
}

pub(super) struct Drying {
    params: DryingParams,
    probes: BTreeMap<ProbeId, Probe>,
    open: Option<Case>,
    opened_last: Option<At>,
}

struct Probe {
    spot: usize,
    first: At,
    days: Days,
}

/// What the moisture of a probe says at the end of a day.
struct Reckoning {
    spot: usize,
    percent: f64,
    /// Days to the limit, negative below it; `None` without a trend.
    days: Option<f64>,
}

/// The median of a day stands for its middle.
const HALF_DAY: Span = Span::hours(12);

// === impl DryingParams ===

impl Default for DryingParams {
    fn default() -> DryingParams {
        DryingParams {
            low_percent: 45.0,
            recovered_percent: 48.0,
            target_percent: 55.0,
            window_days: 7,
            days_min: 5,
            p: 0.10,
            slope_points_per_day: -0.2,
            within_days: 3.0,
            quiet: Span::hours(72),
            settles: Span::days(1),
            cooler_c: 0.3,
            very_hot: Celsius::from_f(150.0),
            dry_mass_kg: None,
        }
    }
}

// === impl Drying ===

impl Drying {
    pub(super) fn new(params: DryingParams) -> Drying {
        Drying { params, probes: BTreeMap::new(), open: None, opened_last: None }
    }

    fn take(&mut self, scene: &Scene, seen: &Observation, spot: usize) {
        let Some(id) = &seen.probe else { return };
        if !(0.0..=100.0).contains(&seen.value) {
            return;
        }
        let begins = || Probe { spot, first: seen.at, days: Days::new(scene.built) };
        let probe = self.probes.entry(id.clone()).or_insert_with(begins);
        if probe.spot != spot {
            *probe = begins();
        }
        if seen.at - probe.first >= self.params.settles {
            probe.days.take(seen.at, seen.value);
        }
    }

    /// The probe that is nearest to the limit at the end of a day.
    fn driest(&self, day: i64) -> Option<Reckoning> {
        let all = self.probes.values().filter_map(|probe| self.reckon(probe, day));
        all.min_by(|a, b| {
            let left = |of: &Reckoning| of.days.unwrap_or(f64::INFINITY);
            left(a).total_cmp(&left(b)).then(a.percent.total_cmp(&b.percent))
        })
    }

    fn reckon(&self, probe: &Probe, day: i64) -> Option<Reckoning> {
        let percent = probe.days.of(day)?;
        let over = percent - self.params.low_percent;
        if over < 0.0 {
            return Some(Reckoning { spot: probe.spot, percent, days: Some(over) });
        }
        let points: Vec<(f64, f64)> = probe
            .days
            .since(day + 1 - self.params.window_days)
            .iter()
            .map(|(of, percent)| (Span::days(*of - day).as_hours() / 24.0, *percent))
            .collect();
        let values: Vec<f64> = points.iter().map(|point| point.1).collect();
        let falls = mann_kendall(&values)
            .filter(|test| values.len() >= self.params.days_min && test.s < 0.0 && test.p < self.params.p);
        let trend = falls
            .and_then(|_| theil_sen(&points, 0.90))
            .filter(|fit| fit.hi < self.params.slope_points_per_day);
        Some(Reckoning { spot: probe.spot, percent, days: trend.map(|fit| over / -fit.slope) })
    }

    /// Whether the temperature agrees; nothing contradicts where there is none.
    fn is_confirmed(&self, scene: &Scene, spot: usize, day: i64) -> bool {
        let own = scene.spots.get(spot).filter(|place| place.days.of(day).is_some());
        let places = own.map_or_else(
            || scene.required().map(|(_, place)| place).collect::<Vec<_>>(),
            |place| vec![place],
        );
        let mut pairs =
            places.iter().filter_map(|place| Some((place.days.of(day)?, place.days.of(day - 1)?))).peekable();
        pairs.peek().is_none()
            || pairs
                .any(|(now, before)| before - now >= self.params.cooler_c || now >= self.params.very_hot.0)
    }

    fn look(&mut self, scene: &Scene, out: &mut Vec<Finding>) {
        let (at, day) = (scene.now, scene.day(scene.now) - 1);
        let Some(driest) = self.driest(day) else {
            let seen = |probe: &Probe| !probe.days.since(day - 2).is_empty();
            if !self.probes.values().any(seen) {
                self.end(at, Figures::default(), out);
            }
            return;
        };
        let dry = driest.days.is_some_and(|days| days <= self.params.within_days);
        let figures = Figures {
            circumstance: (scene.is_judged && scene.has_open_run()).then_some(Circumstance::RunOpen),
            ..self.figures(&driest, at)
        };
        let wide = driest.days.is_none_or(|days| days > self.params.within_days + 2.0);
        let level = if self.is_confirmed(scene, driest.spot, day) { Level::Act } else { Level::Note };
        let recovered = driest.percent >= self.params.recovered_percent && wide;
        match &mut self.open {
            Some(case) if dry => out.extend(case.worsen(level, at, figures)),
            Some(_) if recovered => self.end(at, figures, out),
            None if dry && self.opened_last.is_none_or(|last| at - last >= self.params.quiet) => {
                let Some(name) = scene.name(driest.spot) else { return };
                let (case, finding) = Case::now(Subject::spot(Kind::Drying, name), level, at, figures);
                self.open = Some(case);
                self.opened_last = Some(at);
                out.push(finding);
            }
            Some(_) | None => {}
        }
    }

    fn figures(&self, driest: &Reckoning, at: At) -> Figures {
        let water = self.params.dry_mass_kg.and_then(|dry| {
            water_to_add_by_dry_mass(dry, driest.percent, self.params.target_percent).filter(|kg| *kg > 0.0)
        });
        let ahead = driest.days.filter(|days| *days > 0.0);
        Figures {
            moisture_percent: Some(driest.percent),
            water_litres: water,
            expected_at: ahead.map(|days| at.max(at - HALF_DAY + Span::from_hours(days * 24.0))),
            ..Figures::default()
        }
    }

    fn end(&mut self, at: At, figures: Figures, out: &mut Vec<Finding>) {
        if let Some(case) = self.open.take() {
            out.push(case.close(at, figures));
        }
    }
}

impl Rule for Drying {
    fn phase(&self) -> Phase {
        Phase::Active
    }

    fn kinds(&self) -> &'static [Kind] {
        &[Kind::Drying]
    }

    fn step(&mut self, scene: &Scene, happening: Happening<'_>, out: &mut Vec<Finding>) {
        match happening {
            Happening::Other { seen, spot } if seen.quantity == Quantity::Moisture => {
                self.take(scene, seen, spot);
            }
            Happening::Day => {
                for probe in self.probes.values_mut() {
                    probe.days.turn_to(scene.now);
                }
                self.look(scene, out);
            }
            Happening::Entry(entry)
                if matches!(
                    entry.event,
                    LogEvent::Watered { .. } | LogEvent::Turned | LogEvent::MaterialAdded
                ) =>
            {
                for probe in self.probes.values_mut() {
                    probe.days.restart(entry.at);
                }
                self.end(entry.at, Figures::default(), out);
            }
            _ => {}
        }
    }
}
