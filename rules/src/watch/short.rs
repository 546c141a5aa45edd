//! One spot short: another one has had its time, and this one will not get there.
//!
//! Source: common practice at the moment when the core is done and the toe, base or skin is not: six to twelve inches
//! more cover and shorter air, or remixing outside to inside. The trend is the one of the stall.

use super::case::{Case, Subject};
use super::event::{Happening, Sample};
use super::rule::{Phase, Rule, lasts, series, slot};
use super::scene::{HOT, Place, Scene};
use crate::finding::{Circumstance, Figures, Finding, Kind, Level};
use crate::log::LogEvent;
use crate::pile::Zone;
use crate::units::{At, Celsius, Span};

#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ShortParams {
    /// More hours than this to 131 F are hopeless,
    pub hopeless_h: f64,
    /// if they are for so long.
    pub hopeless_for: Span,
    /// At this it has got there after all.
    pub there: Celsius,
}

pub(super) struct Short {
    params: ShortParams,
    spots: Vec<Spot>,
}

#[derive(Default)]
struct Spot {
    hopeless_since: Option<At>,
    open: Option<Case>,
}

// === impl ShortParams ===

impl Default for ShortParams {
    fn default() -> ShortParams {
        ShortParams { hopeless_h: 96.0, hopeless_for: Span::hours(6), there: Celsius::from_f(133.0) }
    }
}

// === impl Short ===

impl Short {
    pub(super) fn new(params: ShortParams) -> Short {
        Short { params, spots: Vec::new() }
    }

    fn take(&mut self, scene: &Scene, sample: Sample<'_>, out: &mut Vec<Finding>) {
        let (Some(place), Some(spot)) = (scene.spots.get(sample.spot), slot(&mut self.spots, sample.spot))
        else {
            return;
        };
        let waits = is_waited_for(place);
        if let Some(case) = spot.open.take_if(|_| !waits || !sample.value.is_below(self.params.there)) {
            out.push(
                case.close(sample.at, Figures { temperature: Some(sample.value), ..Figures::default() }),
            );
        }
        let hours = place.climb.and_then(|trend| trend.hours_to(HOT));
        let hopeless = waits
            && sample.value.is_below(HOT)
            && place.open_run().is_none()
            && hours.is_none_or(|hours| hours > self.params.hopeless_h);
        spot.hopeless_since = series(spot.hopeless_since, sample.at, hopeless);
        let others_are_done = scene.required().any(|(_, place)| place.qualified_at().is_some());
        if spot.open.is_none()
            && others_are_done
            && lasts(spot.hopeless_since, sample.at, self.params.hopeless_for)
        {
            let figures = Figures {
                temperature: Some(sample.value),
                slope_c_per_h: place.climb.map(|trend| trend.slope_c_per_h()),
                since: spot.hopeless_since,
                circumstance: (place.zone == Zone::Core).then_some(Circumstance::InTheCore),
                ..Figures::default()
            };
            let subject = Subject::spot(Kind::SpotShort, &place.name);
            let (case, finding) = Case::now(subject, Level::Act, sample.at, figures);
            spot.open = Some(case);
            out.push(finding);
        }
    }

    fn settle(&mut self, scene: &Scene, at: At, starts_over: bool, out: &mut Vec<Finding>) {
        for (spot, place) in self.spots.iter_mut().zip(&scene.spots) {
            if let Some(case) = spot.open.take_if(|_| starts_over || !is_waited_for(place)) {
                out.push(case.close(at, Figures::default()));
            }
            if starts_over {
                spot.hopeless_since = None;
            }
        }
    }
}

fn is_waited_for(place: &Place) -> bool {
    place.is_required() && place.qualified_at().is_none()
}

impl Rule for Short {
    fn phase(&self) -> Phase {
        Phase::Active
    }

    fn kinds(&self) -> &'static [Kind] {
        &[Kind::SpotShort]
    }

    fn step(&mut self, scene: &Scene, happening: Happening<'_>, out: &mut Vec<Finding>) {
        match happening {
            Happening::Temperature(sample) => self.take(scene, sample, out),
            Happening::Progress => self.settle(scene, scene.now, false, out),
            Happening::Entry(entry) if scene.starts_over(&entry.event) => {
                self.settle(scene, entry.at, true, out);
            }
            Happening::Entry(entry) if matches!(entry.event, LogEvent::SpotGivenUp { .. }) => {
                self.settle(scene, entry.at, false, out);
            }
            _ => {}
        }
    }
}
