//! Overheating of a pile for the record (design 5.3): above 160 F, until everything that was hot is below 155 F.
//!
//! 160 F: turn or cool (NC DEQ fire note); the hysteresis of 5 F and the durations are common practice.

use crate::units::{At, Celsius, Span};

const HOT_F: f64 = 160.0;
const COOL_F: f64 = 155.0;
const OPENS_AFTER: Span = Span::minutes(15);
const CLOSES_AFTER: Span = Span::minutes(30);

/// One stretch of overheating; `spot` is an index.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Incident {
    pub(super) opened: At,
    pub(super) closed: Option<At>,
    pub(super) peak: Celsius,
    pub(super) spot: usize,
}

/// What has to be known of each spot, and the open incident.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Heat {
    spots: Vec<SpotHeat>,
    pub(super) open: Option<Incident>,
}

#[derive(Clone, Copy, Debug, Default, PartialEq)]
struct SpotHeat {
    newest: Option<At>,
    /// Begin of the unbroken series above 160 F, and the hottest reading of any spot since.
    hot: Option<(At, f64)>,
    /// Begin of the unbroken series below 155 F.
    cool_since: Option<At>,
    was_hot: bool,
}

// === impl Heat ===

impl Heat {
    pub(super) fn new(spots: usize) -> Heat {
        Heat { spots: vec![SpotHeat::default(); spots], open: None }
    }

    /// Takes the hottest reading of each spot that has one at this instant; the incident that it closes, if any.
    pub(super) fn instant(&mut self, at: At, hottest: &[(usize, Celsius)]) -> Option<Incident> {
        let peak = hottest.iter().map(|(_, c)| c.0).fold(f64::NEG_INFINITY, f64::max);
        for (spot, c) in hottest {
            if let Some(spot) = self.spots.get_mut(*spot) {
                spot.take(at, *c);
            }
        }
        for (_, since) in self.spots.iter_mut().filter_map(|spot| spot.hot.as_mut()) {
            *since = since.max(peak);
        }
        match &mut self.open {
            None => {
                self.open = self.opening(at, hottest);
                None
            }
            Some(open) => {
                open.peak = Celsius(open.peak.0.max(peak));
                if !self.spots.iter().all(SpotHeat::is_cool) || hottest.is_empty() {
                    return None;
                }
                self.open.take().map(|open| Incident { closed: Some(at), ..open })
            }
        }
    }

    fn opening(&self, at: At, hottest: &[(usize, Celsius)]) -> Option<Incident> {
        hottest.iter().find_map(|(index, _)| {
            let (since, peak) = self.spots.get(*index)?.hot?;
            (at - since >= OPENS_AFTER).then_some(Incident {
                opened: at,
                closed: None,
                peak: Celsius(peak),
                spot: *index,
            })
        })
    }
}

// === impl SpotHeat ===

impl SpotHeat {
    fn take(&mut self, at: At, c: Celsius) {
        self.newest = Some(at);
        self.hot = c.is_above(Celsius::from_f(HOT_F)).then(|| self.hot.unwrap_or((at, c.0)));
        let is_cool = c.is_below(Celsius::from_f(COOL_F));
        self.was_hot |= !is_cool;
        self.cool_since = is_cool.then(|| self.cool_since.unwrap_or(at));
    }

    /// Never hot, or below 155 F for long enough. A spot that fell silent while hot is not.
    fn is_cool(&self) -> bool {
        let cool_for = self.newest.zip(self.cool_since).map(|(newest, since)| newest - since);
        !self.was_hot || cool_for.is_some_and(|span| span >= CLOSES_AFTER)
    }
}
