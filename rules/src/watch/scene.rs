//! What all rules of a watch look at: the pile, its phase, the newest readings and their trends.

use std::collections::BTreeMap;

use super::days::{Days, day_of, start_of};
use super::event::{Observation, Sample};
use super::progress::{Progress, SpotProgress};
use crate::finding::{Change, Circumstance, Finding, Kind};
use crate::ids::{ProbeId, SpotName};
use crate::log::{LogEntry, LogEvent};
use crate::pile::{Method, Pile, Placement, Zone};
use crate::reading::Quantity;
use crate::stats::{TrendFilter, Tuning};
use crate::units::{At, Celsius, Span};
use crate::verdict::Run;

/// 131 F, where the progress says nothing else.
pub(super) const HOT: Celsius = Celsius(55.0);

#[expect(clippy::struct_excessive_bools, reason = "each is a fact of its own; no two of them make a state")]
#[derive(Clone, Debug)]
pub(super) struct Scene {
    pub(super) method: Method,
    pub(super) built: At,
    /// Newest instant stepped.
    pub(super) now: At,
    pub(super) spots: Vec<Place>,
    index: BTreeMap<SpotName, usize>,
    placements: Vec<Placement>,
    /// Since when the material that lies there now has been heating: built, fresh material, or a turn that makes a
    /// new segment.
    pub(super) heating_since: At,
    pub(super) watered: Option<At>,
    pub(super) curing: Option<At>,
    /// When heat and turns were met.
    pub(super) met_at: Option<At>,
    pub(super) qualified: bool,
    pub(super) verified: bool,
    pub(super) required: Option<Span>,
    pub(super) overheating: bool,
    /// A standard that asks for heat steers the pile.
    pub(super) is_judged: bool,
    max_gap: Span,
    turn_allowance: Span,
    /// Until when a turn of a windrow excuses what its readings say.
    allowed_until: Option<At>,
}

/// A spot of the pile.
#[derive(Clone, Debug)]
pub(super) struct Place {
    pub(super) name: SpotName,
    pub(super) zone: Zone,
    required: bool,
    given_up: bool,
    /// Newest counting temperature.
    pub(super) newest: Option<(At, Celsius)>,
    /// Damped trend for the forecast of overheating.
    pub(super) ahead: Option<TrendFilter>,
    /// Damped trend for the forecast of a fall.
    pub(super) fall: Option<TrendFilter>,
    /// Trend that goes on, for the climb.
    pub(super) climb: Option<TrendFilter>,
    pub(super) days: Days,
    progress: Option<SpotProgress>,
    /// The open run of the progress, as readings have carried it on, ended it or begun another one since.
    run: Option<Run>,
    /// The run that the newest reading has just broken.
    pub(super) broken: Option<Run>,
}

// === impl Scene ===

impl Scene {
    pub(super) fn new(pile: &Pile) -> Scene {
        let mut scene = Scene {
            method: pile.method,
            built: pile.built,
            now: At::MIN,
            spots: Vec::new(),
            index: BTreeMap::new(),
            placements: Vec::new(),
            heating_since: pile.built,
            watered: None,
            curing: None,
            met_at: None,
            qualified: false,
            verified: true,
            required: None,
            overheating: false,
            is_judged: false,
            max_gap: pile.settings.max_gap,
            turn_allowance: pile.settings.turn_allowance,
            allowed_until: None,
        };
        scene.set_pile(pile);
        scene
    }

    /// Takes over spots and placements; spots that are known keep their state.
    pub(super) fn set_pile(&mut self, pile: &Pile) {
        for spot in &pile.spots {
            let index = *self.index.entry(spot.name.clone()).or_insert(self.spots.len());
            if index == self.spots.len() {
                self.spots.push(Place::new(spot.name.clone(), spot.zone, self.built));
            }
            if let Some(place) = self.spots.get_mut(index) {
                place.zone = spot.zone;
                place.required = spot.is_required();
            }
        }
        self.placements.clone_from(&pile.placements);
        self.max_gap = pile.settings.max_gap;
        self.turn_allowance = pile.settings.turn_allowance;
    }

    pub(super) fn index_of(&self, spot: &SpotName) -> Option<usize> {
        self.index.get(spot).copied()
    }

    pub(super) fn name(&self, spot: usize) -> Option<&SpotName> {
        self.spots.get(spot).map(|place| &place.name)
    }

    /// The placement of a probe at an instant.
    pub(super) fn placement(&self, probe: &ProbeId, at: At) -> Option<&Placement> {
        let begun = self.placements.iter().filter(|p| p.probe == *probe && p.from <= at);
        begun.max_by_key(|p| p.from).filter(|p| p.until.is_none_or(|until| at < until))
    }

    /// Whether a probe whose places are known does not stand at a spot any more.
    pub(super) fn has_left(&self, probe: &ProbeId, spot: usize) -> bool {
        let is_known = self.placements.iter().any(|placement| placement.probe == *probe);
        let stands = self.placement(probe, self.now).map(|placement| &placement.spot);
        is_known && stands != self.name(spot)
    }

    /// When a placement begins or ends next.
    pub(super) fn next_placement(&self) -> Option<At> {
        let changes = self.placements.iter().flat_map(|placement| [Some(placement.from), placement.until]);
        changes.flatten().filter(|at| *at > self.now).min()
    }

    /// How old a reading may be to stand for now (design 5.1: `near`).
    pub(super) fn near(&self, probe: Option<&ProbeId>) -> Span {
        let every = probe.and_then(|probe| self.placement(probe, self.now)).map_or(Span::ZERO, |p| p.every);
        Span::hours(1).max(Span(every.0.saturating_mul(2)))
    }

    /// Older than the newest of its spot, or much older than everything stepped: it alarms nobody.
    pub(super) fn is_late(&self, seen: &Observation, spot: usize) -> bool {
        let newest = match seen.quantity {
            Quantity::Temperature => self.spots.get(spot).and_then(|place| place.newest).map(|(at, _)| at),
            _ => None,
        };
        newest.is_some_and(|newest| seen.at < newest) || self.now - seen.at > self.near(seen.probe.as_ref())
    }

    /// When the present day of 24 h since the building is complete.
    pub(super) fn day_ends(&self) -> At {
        start_of(self.built, day_of(self.built, self.now) + 1)
    }

    /// The day that ends now gets its medians.
    pub(super) fn complete_day(&mut self) {
        for place in &mut self.spots {
            place.days.turn_to(self.now);
        }
    }

    pub(super) fn take_sample(&mut self, sample: Sample<'_>) {
        let (max_gap, allowed) = (self.max_gap, self.allowed_until);
        if let Some(place) = self.spots.get_mut(sample.spot) {
            place.take(sample.at, sample.value, max_gap, allowed);
        }
    }

    pub(super) fn take_entry(&mut self, entry: &LogEntry) {
        if self.starts_over(&entry.event) {
            self.start_over(entry);
        }
        match &entry.event {
            LogEvent::Watered { .. } => self.watered = self.watered.max(Some(entry.at)),
            LogEvent::MovedToCuring => self.curing = self.curing.or(Some(entry.at)),
            LogEvent::SpotGivenUp { spot, .. } => {
                if let Some(place) = self.index_of(spot).and_then(|index| self.spots.get_mut(index)) {
                    place.given_up = true;
                }
            }
            LogEvent::Turned if self.method == Method::Windrow => {
                self.allowed_until = self.allowed_until.max(Some(entry.at + self.turn_allowance));
            }
            LogEvent::Turned
            | LogEvent::MaterialAdded
            | LogEvent::AerationChanged
            | LogEvent::Used
            | LogEvent::Other => {}
        }
    }

    /// Whether the material is renewed or moved by this: what it did so far says nothing of what comes.
    pub(super) fn starts_over(&self, event: &LogEvent) -> bool {
        match event {
            LogEvent::MaterialAdded => true,
            LogEvent::Turned => self.method != Method::Windrow,
            _ => false,
        }
    }

    fn start_over(&mut self, entry: &LogEntry) {
        self.heating_since = self.heating_since.max(entry.at);
        let renewed = entry.event == LogEvent::MaterialAdded;
        if renewed {
            self.met_at = None;
            self.qualified = false;
        }
        for place in &mut self.spots {
            place.start_over(renewed);
        }
    }

    pub(super) fn take_progress(&mut self, progress: &Progress) {
        self.is_judged = true;
        self.met_at = progress.met_at;
        self.qualified = progress.qualified;
        self.verified = progress.verified;
        self.required = progress.required;
        for place in &mut self.spots {
            place.progress = progress.spot(&place.name).cloned();
            place.run = place.progress.as_ref().and_then(|spot| spot.open_run);
        }
    }

    /// Keeps in mind what rules that come later in the row want to know of earlier ones.
    pub(super) fn take_finding(&mut self, finding: &Finding) {
        if finding.kind == Kind::Overheating {
            self.overheating = finding.change != Change::Closed;
        }
    }

    /// Since when the present material has been heating, until now.
    pub(super) fn age(&self) -> Span {
        self.now - self.heating_since
    }

    /// Spots that the verdict waits for.
    pub(super) fn required(&self) -> impl Iterator<Item = (usize, &Place)> {
        self.spots.iter().enumerate().filter(|(_, place)| place.is_required())
    }

    /// Newest temperature of the air around, if it is at most three hours old.
    pub(super) fn ambient(&self) -> Option<Celsius> {
        let air = self.spots.iter().filter(|place| place.zone == Zone::Ambient);
        let newest = air.filter_map(|place| place.newest).max_by_key(|(at, _)| *at)?;
        (self.now - newest.0 <= Span::hours(3)).then_some(newest.1)
    }

    /// Median of the air around on a complete day.
    pub(super) fn ambient_of(&self, day: i64) -> Option<f64> {
        self.spots.iter().filter(|place| place.zone == Zone::Ambient).find_map(|place| place.days.of(day))
    }

    /// The day of 24 h since the building in which an instant lies.
    pub(super) fn day(&self, at: At) -> i64 {
        day_of(self.built, at)
    }

    /// Whether some spot has a run that still counts.
    pub(super) fn has_open_run(&self) -> bool {
        self.required().any(|(_, place)| place.open_run().is_some() && place.qualified_at().is_none())
    }

    /// Whether more air would cost a spot its hours: one that is short of its time and within 5 F of 131 F. What is
    /// older than a gap in the proof says nothing of it.
    pub(super) fn run_near_its_limit(&self) -> Option<Circumstance> {
        let is_near = |place: &Place| {
            let newest = place.newest.filter(|(at, _)| self.now - *at <= self.max_gap);
            place.qualified_at().is_none() && newest.is_some_and(|(_, now)| now.is_within(HOT, 5.0 / 1.8))
        };
        let near = self.is_judged && self.required().any(|(_, place)| is_near(place));
        near.then_some(Circumstance::RunNearItsLimit)
    }

    /// Newest temperatures of the other spots inside the pile, at most `age` old.
    pub(super) fn peers(&self, spot: usize, age: Span) -> impl Iterator<Item = (usize, Celsius)> {
        self.spots
            .iter()
            .enumerate()
            .filter(move |(index, place)| *index != spot && place.zone != Zone::Ambient)
            .filter_map(move |(index, place)| {
                let (at, value) = place.newest?;
                (self.now - at <= age).then_some((index, value))
            })
    }

    /// Whether evidence is lost if the probe at this spot fails: an open run and no second probe in the zone.
    pub(super) fn is_costly(&self, spot: usize) -> bool {
        let Some(place) = self.spots.get(spot) else { return false };
        let others = self.peers(spot, Span::hours(2));
        let second =
            others.filter_map(|(index, _)| self.spots.get(index)).any(|other| other.zone == place.zone);
        place.is_required() && place.open_run().is_some() && place.qualified_at().is_none() && !second
    }
}

// === impl Place ===

impl Place {
    fn new(name: SpotName, zone: Zone, anchor: At) -> Place {
        Place {
            name,
            zone,
            required: false,
            given_up: false,
            newest: None,
            ahead: None,
            fall: None,
            climb: None,
            days: Days::new(anchor),
            progress: None,
            run: None,
            broken: None,
        }
    }

    fn take(&mut self, at: At, value: Celsius, max_gap: Span, allowed_until: Option<At>) {
        self.newest = Some((at, value));
        self.days.take(at, value.0);
        for (filter, tuning) in [
            (&mut self.ahead, Tuning::damped(16.0)),
            (&mut self.fall, Tuning::damped(24.0)),
            (&mut self.climb, Tuning::steady()),
        ] {
            match filter {
                Some(filter) => {
                    filter.update(at, value);
                }
                None => *filter = Some(TrendFilter::new(tuning, at, value)),
            }
        }
        let before = self.run;
        let goes_on = before.and_then(|run| carried_on(run, at, value, max_gap, allowed_until));
        self.broken = before.filter(|_| goes_on.is_none());
        let begins = Run { start: at, end: at, counted: Span::ZERO, turns: 0 };
        self.run = goes_on.or((!value.is_below(HOT)).then_some(begins));
    }

    /// What has qualified stays so after a turn, not with fresh material.
    fn start_over(&mut self, renewed: bool) {
        self.ahead = None;
        self.fall = None;
        self.climb = None;
        self.run = None;
        if renewed {
            self.progress = None;
        }
    }

    pub(super) fn unit_is_unconfirmed(&self) -> Option<bool> {
        self.progress.as_ref().map(|progress| progress.unit_unconfirmed)
    }

    /// Whether the verdict waits for it.
    pub(super) fn is_required(&self) -> bool {
        self.required && !self.given_up
    }

    pub(super) fn qualified_at(&self) -> Option<At> {
        self.progress.as_ref().and_then(|progress| progress.qualified_at)
    }

    /// The open run with the time counted up to the newest reading.
    pub(super) fn open_run(&self) -> Option<Run> {
        self.run
    }
}

/// An open run after one more reading; none if it broke. The next progress has the last word.
fn carried_on(run: Run, at: At, value: Celsius, max_gap: Span, allowed_until: Option<At>) -> Option<Run> {
    if at <= run.end {
        return Some(run);
    }
    let excused = allowed_until.is_some_and(|until| at <= until);
    let near = at - run.end <= max_gap;
    if value.is_below(HOT) {
        return excused.then_some(run);
    }
    match (near, excused) {
        (true, _) => Some(Run { end: at, counted: run.counted + (at - run.end), ..run }),
        (false, true) => Some(Run { end: at, ..run }),
        (false, false) => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_run_goes_on_within_the_gap_or_within_what_is_allowed_and_counts_only_proven_time() {
        let (hot, cold) = (Celsius(60.0), Celsius(54.9));
        let hour = |hours: i64| At(0) + Span::hours(hours);
        // From 0 h to 10 h, 9 h of it counted; a gap of 2 h is allowed. Instant, value, allowed until: end, counted.
        let table = [
            (11, hot, None, Some((11, 10))),
            (12, hot, None, Some((12, 11))),
            (13, hot, None, None),
            (13, hot, Some(13), Some((13, 9))),
            (13, hot, Some(12), None),
            (12, hot, Some(13), Some((12, 11))),
            (11, cold, None, None),
            (11, cold, Some(11), Some((10, 9))),
            (11, cold, Some(10), None),
            (11, HOT, None, Some((11, 10))),
            // A late one is in the run already; the next progress has the last word.
            (10, cold, None, Some((10, 9))),
            (4, hot, None, Some((10, 9))),
        ];
        for (at, value, allowed, expected) in table {
            let run = Run { start: hour(0), end: hour(10), counted: Span::hours(9), turns: 1 };
            let expected =
                expected.map(|(end, counted)| Run { end: hour(end), counted: Span::hours(counted), ..run });
            let got = carried_on(run, hour(at), value, Span::hours(2), allowed.map(hour));
            assert_eq!(got, expected, "{at} h, {value:?}, allowed until {allowed:?}");
        }
    }
}
