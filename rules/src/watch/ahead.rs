//! Overheating ahead: a forecast that 160 F will be crossed.
//!
//! Method: a damped local linear trend per spot (time constant 16 h), asked when its level will be at 160 F. On our own
//! simulator a horizon of 6 h gave a median lead of 5.6 h, 4 h or more in 92 % of the crossings, at 0.2 false alarms a
//! pile and month; 8 h gave 7 h of lead at 0.34 false ones. Not field figures.

use super::case::{Case, Subject};
use super::event::{Happening, Sample};
use super::rule::{Phase, Rule, lasts, series, slot};
use super::scene::Scene;
use crate::finding::{Figures, Finding, Kind, Level};
use crate::pile::Zone;
use crate::units::{At, Celsius, Span};

#[derive(Clone, Copy, Debug, PartialEq)]
pub struct AheadParams {
    pub limit: Celsius,
    /// The reading itself has to be so warm.
    pub from: Celsius,
    /// Hours ahead for a note in the summary.
    pub note_h: f64,
    /// Hours ahead that are worth a text.
    pub act_h: f64,
    /// So long the forecast has to stand.
    pub during: Span,
    /// So long nothing may be forecast before it closes.
    pub clear: Span,
    /// So long after its end it does not open again.
    pub quiet: Span,
}

pub(super) struct Ahead {
    params: AheadParams,
    spots: Vec<Spot>,
    open: Option<Case>,
    ended: Option<At>,
}

#[derive(Clone, Copy, Default)]
struct Spot {
    note_since: Option<At>,
    act_since: Option<At>,
    clear_since: Option<At>,
    /// Something was forecast and has not been clear for long enough since.
    is_due: bool,
}

// === impl AheadParams ===

impl Default for AheadParams {
    fn default() -> AheadParams {
        AheadParams {
            limit: Celsius::from_f(160.0),
            from: Celsius::from_f(140.0),
            note_h: 8.0,
            act_h: 6.0,
            during: Span::minutes(30),
            clear: Span::hours(3),
            quiet: Span::hours(6),
        }
    }
}

// === impl Ahead ===

impl Ahead {
    pub(super) fn new(params: AheadParams) -> Ahead {
        Ahead { params, spots: Vec::new(), open: None, ended: None }
    }

    fn take(&mut self, scene: &Scene, sample: Sample<'_>, out: &mut Vec<Finding>) {
        let params = self.params;
        let Some(trend) = scene.spots.get(sample.spot).and_then(|place| place.ahead) else { return };
        let Some(spot) = slot(&mut self.spots, sample.spot) else { return };
        let hours = trend.hours_to(params.limit).filter(|_| !sample.value.is_below(params.from));
        spot.note_since = series(spot.note_since, sample.at, hours.is_some_and(|h| h <= params.note_h));
        spot.act_since = series(spot.act_since, sample.at, hours.is_some_and(|h| h <= params.act_h));
        spot.clear_since = series(spot.clear_since, sample.at, spot.note_since.is_none());
        spot.is_due =
            spot.note_since.is_some() || (spot.is_due && !lasts(spot.clear_since, sample.at, params.clear));
        let level = if lasts(spot.act_since, sample.at, params.during) {
            Some(Level::Act)
        } else {
            lasts(spot.note_since, sample.at, params.during).then_some(Level::Note)
        };
        let figures = Figures {
            temperature: Some(sample.value),
            slope_c_per_h: Some(trend.slope_c_per_h()),
            expected_at: hours.map(|hours| sample.at + Span::from_hours(hours)),
            circumstance: scene.run_near_its_limit(),
            ..Figures::default()
        };
        let rested = self.ended.is_none_or(|ended| sample.at - ended >= params.quiet);
        match (&mut self.open, level, scene.name(sample.spot)) {
            (Some(case), Some(level), _) => out.extend(case.worsen(level, sample.at, figures)),
            (Some(_), None, _) if self.spots.iter().all(|spot| !spot.is_due) => {
                self.close(sample.at, figures, out);
            }
            (None, Some(level), Some(name)) if rested => {
                let subject = Subject::spot(Kind::OverheatingAhead, name);
                let (case, finding) = Case::now(subject, level, sample.at, figures);
                self.open = Some(case);
                out.push(finding);
            }
            _ => {}
        }
    }

    fn close(&mut self, at: At, figures: Figures, out: &mut Vec<Finding>) {
        if let Some(case) = self.open.take() {
            out.push(case.close(at, figures));
            self.ended = Some(at);
        }
    }
}

impl Rule for Ahead {
    fn phase(&self) -> Phase {
        Phase::Active
    }

    fn kinds(&self) -> &'static [Kind] {
        &[Kind::OverheatingAhead]
    }

    fn step(&mut self, scene: &Scene, happening: Happening<'_>, out: &mut Vec<Finding>) {
        match happening {
            Happening::Temperature(sample) if scene.overheating => {
                // It has come: the overheating itself is told now.
                self.close(sample.at, Figures::default(), out);
                self.spots.clear();
            }
            Happening::Temperature(sample)
                if scene.spots.get(sample.spot).is_some_and(|place| place.zone != Zone::Ambient) =>
            {
                self.take(scene, sample, out);
            }
            Happening::Entry(entry) if scene.starts_over(&entry.event) => {
                self.close(entry.at, Figures::default(), out);
                self.spots.clear();
            }
            _ => {}
        }
    }
}
