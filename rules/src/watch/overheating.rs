//! Overheating, with its three levels.
//!
//! Source: design 5.3. 160 F: turn or cool (NC DEQ guidance); above 170 F the range of 7 CFR 205.203(c)(2) is lost;
//! 185 F: act at once (NRCS practice standard 317); biology ends at about 175-180 F, what still rises there heats
//! itself (Buggeln and Rynk 2002). Two readings in a row and a time keep a single wrong value from waking anybody.

use super::case::{Case, Subject};
use super::event::{Happening, Sample};
use super::rule::{Phase, Rule, is_more, lasts, series};
use super::scene::Scene;
use crate::finding::{Figures, Finding, Kind, Level};
use crate::pile::Zone;
use crate::units::{At, Celsius, Span};

#[derive(Clone, Copy, Debug, PartialEq)]
pub struct OverheatingParams {
    /// Above this, for `during`, it opens: worth a text.
    pub act: Celsius,
    /// Above this, for `during`, it is urgent.
    pub urgent: Celsius,
    pub during: Span,
    /// Two readings in a row at this or above: fire caution.
    pub fire: Celsius,
    /// At this or above and rising faster than `fire_rise_c_per_h`, seen over `during` or more: fire caution. Over a
    /// minute the step of a sensor alone would be a steep rise.
    pub fire_rising: Celsius,
    pub fire_rise_c_per_h: f64,
    /// Below this for `calm`, every spot that was there or above, and it closes.
    pub calm_below: Celsius,
    pub calm: Span,
}

pub(super) struct Overheating {
    params: OverheatingParams,
    spots: Vec<Spot>,
    open: Option<(Case, Celsius)>,
}

/// A spot before and after its newest instant: readings of one instant are one, the hottest of them.
#[derive(Clone, Copy, Default)]
struct Spot {
    before: Heat,
    now: Heat,
    /// The hottest reading of any spot since this one has been above the lowest level.
    peak: f64,
}

#[derive(Clone, Copy, Default)]
struct Heat {
    newest: Option<(At, Celsius)>,
    /// Two earlier readings, `during` or more apart, the older first: what a rise is measured against.
    marks: [Option<(At, Celsius)>; 2],
    /// First instants of the unbroken series above the levels, and below the calm one.
    act_since: Option<At>,
    urgent_since: Option<At>,
    fire_since: Option<At>,
    calm_since: Option<At>,
    /// Has been at the calm level or above and not been calm for long enough since.
    hot: bool,
    level: Option<Level>,
}

// === impl OverheatingParams ===

impl Default for OverheatingParams {
    fn default() -> OverheatingParams {
        OverheatingParams {
            act: Celsius::from_f(160.0),
            urgent: Celsius::from_f(170.0),
            during: Span::minutes(15),
            fire: Celsius::from_f(185.0),
            fire_rising: Celsius::from_f(180.0),
            fire_rise_c_per_h: 5.0 / 1.8,
            calm_below: Celsius::from_f(155.0),
            calm: Span::minutes(30),
        }
    }
}

// === impl Heat ===

impl Heat {
    fn next(self, at: At, value: Celsius, params: &OverheatingParams) -> Heat {
        let act_since = series(self.act_since, at, value.is_above(params.act));
        let urgent_since = series(self.urgent_since, at, value.is_above(params.urgent));
        let fire_since = series(self.fire_since, at, !value.is_below(params.fire));
        let calm_since = series(self.calm_since, at, value.is_below(params.calm_below));
        let [older, newer] = self.marks;
        let is_due = newer.is_none_or(|(mark, _)| at - mark >= params.during);
        let rises = if is_due { newer } else { older }.is_some_and(|(before, was)| {
            is_more(value.0 - was.0, params.fire_rise_c_per_h * (at - before).as_hours())
        });
        let marks = if is_due { [newer, Some((at, value))] } else { self.marks };
        let level =
            if fire_since.is_some_and(|since| since < at) || (!value.is_below(params.fire_rising) && rises) {
                Some(Level::Danger)
            } else if lasts(urgent_since, at, params.during) {
                Some(Level::Urgent)
            } else if lasts(act_since, at, params.during) {
                Some(Level::Act)
            } else {
                None
            };
        let hot = calm_since.is_none() || (self.hot && !lasts(calm_since, at, params.calm));
        Heat { newest: Some((at, value)), marks, act_since, urgent_since, fire_since, calm_since, hot, level }
    }
}

// === impl Spot ===

impl Spot {
    fn take(&mut self, at: At, value: Celsius, params: &OverheatingParams) {
        let same = self.now.newest.filter(|(newest, _)| *newest == at);
        let value = same.map_or(value, |(_, other)| if other.0 > value.0 { other } else { value });
        if same.is_none() {
            self.before = self.now;
        }
        self.now = self.before.next(at, value, params);
        if self.before.act_since.is_none() {
            self.peak = value.0;
        }
    }
}

// === impl Overheating ===

impl Overheating {
    pub(super) fn new(params: OverheatingParams) -> Overheating {
        Overheating { params, spots: Vec::new(), open: None }
    }

    fn take(&mut self, scene: &Scene, sample: Sample<'_>, out: &mut Vec<Finding>) {
        if self.spots.len() < scene.spots.len() {
            self.spots.resize(scene.spots.len(), Spot::default());
        }
        let Some(spot) = self.spots.get_mut(sample.spot) else { return };
        spot.take(sample.at, sample.value, &self.params);
        for other in &mut self.spots {
            other.peak = other.peak.max(sample.value.0);
        }
        let Some(spot) = self.spots.get(sample.spot) else { return };
        let (level, peak) = (spot.now.level, Celsius(spot.peak));
        let figures = |worst| Figures {
            temperature: Some(sample.value),
            read_spot: scene.name(sample.spot).cloned(),
            worst: Some(worst),
            slope_c_per_h: scene
                .spots
                .get(sample.spot)
                .and_then(|p| p.ahead)
                .map(|trend| trend.slope_c_per_h()),
            circumstance: scene.run_near_its_limit(),
            ..Figures::default()
        };
        match (&mut self.open, level) {
            (None, Some(level)) => {
                let name = scene.name(sample.spot).cloned();
                let subject = Subject { kind: Kind::Overheating, spot: name, probe: None };
                let (case, finding) = Case::open(subject, level, sample.at, sample.at, figures(peak));
                self.open = Some((case, peak));
                out.push(finding);
            }
            (Some((case, worst)), level) => {
                *worst = Celsius(worst.0.max(sample.value.0));
                let worst = *worst;
                if let Some(level) = level {
                    out.extend(case.worsen(level, sample.at, figures(worst)));
                }
                let calm = self.spots.iter().all(|spot| !spot.now.hot);
                if calm && let Some((case, _)) = self.open.take() {
                    out.push(case.close(sample.at, figures(worst)));
                }
            }
            (None, None) => {}
        }
    }
}

impl Rule for Overheating {
    fn phase(&self) -> Phase {
        Phase::Always
    }

    /// The hottest of the spots that hold it open: one that fell silent while hot is still one of them.
    fn present(&self, scene: &Scene, finding: &Finding) -> Option<Figures> {
        let (_, worst) = self.open.as_ref().filter(|_| finding.kind == Kind::Overheating)?;
        let hot = self.spots.iter().enumerate().filter(|(_, spot)| spot.now.hot);
        let newest = hot.filter_map(|(index, spot)| Some((index, spot.now.newest?)));
        let (index, (at, value)) = newest.max_by(|(_, (_, a)), (_, (_, b))| a.0.total_cmp(&b.0))?;
        Some(Figures {
            temperature: Some(value),
            read_at: Some(at),
            read_spot: scene.name(index).cloned(),
            worst: Some(*worst),
            circumstance: scene.run_near_its_limit(),
            ..Figures::default()
        })
    }

    fn step(&mut self, scene: &Scene, happening: Happening<'_>, out: &mut Vec<Finding>) {
        if let Happening::Temperature(sample) = happening
            && scene.spots.get(sample.spot).is_some_and(|place| place.zone != Zone::Ambient)
        {
            self.take(scene, sample, out);
        }
    }
}
