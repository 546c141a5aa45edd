//! Which readings count (design 5.1), instant by instant.
//!
//! A held reading is decided by a later one of its probe. Until then the points of the other spots wait, so that
//! everything behind this module sees counting readings in order of time.

use std::collections::BTreeMap;

use super::frame::{self, Frame, Window};
use super::heat::Heat;
use super::trace::Day;
use super::unit_doubt::UnitDoubt;
use super::{Decided, Sample, SourceId};
use crate::pile::Zone;
use crate::reading::{reported_c, same_value};
use crate::units::{At, Celsius, Span};
use crate::verdict::Class;

/// Physical range of a temperature sensor in °C.
const PHYSICAL_C: (Celsius, Celsius) = (Celsius(-40.0), Celsius(110.0));
/// A fault value is believed within this of the reading before.
const FAULT_BELIEVED_WITHIN_C: f64 = 10.0;
/// More than this away from the reading before is a jump.
const JUMP_C: f64 = 15.0;
/// A jump counts if the next reading is within this of it.
const CONFIRMED_WITHIN_C: f64 = 5.0;

/// The state after some instant: small, and equal where what follows will be equal.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct State {
    probes: Vec<ProbeState>,
    /// Counting points that wait for a held reading.
    waiting: BTreeMap<At, Vec<Point>>,
    pub(super) heat: Heat,
    pub(super) doubts: Vec<UnitDoubt>,
}

#[derive(Clone, Copy, Debug, Default, PartialEq)]
struct ProbeState {
    /// The newest counting reading.
    counted: Option<Placed>,
    held: Option<Placed>,
}

/// A calibrated reading in a window of its probe.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Placed {
    at: At,
    c: Celsius,
    window: usize,
    spot: usize,
    near: Span,
}

/// A counting reading at a spot. `near` is that of the probe's placement; none for a hand reading.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Point {
    spot: usize,
    c: Celsius,
    near: Option<Span>,
}

// === impl State ===

impl State {
    pub(super) fn new(frame: &Frame) -> State {
        let spots = frame.pile.spots.len();
        State {
            probes: vec![ProbeState::default(); frame.windows.len()],
            waiting: BTreeMap::new(),
            heat: Heat::new(spots),
            doubts: vec![UnitDoubt::default(); spots],
        }
    }

    /// Takes all samples of one instant, which is later than all before.
    pub(super) fn instant(&mut self, frame: &Frame, samples: &[Sample], day: &mut Day) {
        let Some(at) = samples.first().map(|sample| sample.at) else { return };
        let mut points = Vec::new();
        if let [sample] = samples {
            self.one(frame, *sample, day, &mut points);
        } else {
            let mut sorted = samples.to_vec();
            sorted.sort_by_key(|sample| sample.source);
            for group in sorted.chunk_by(|a, b| a.source == b.source) {
                self.group(frame, group, day, &mut points);
            }
        }
        self.release(frame, at, points, day);
    }

    /// The end of the set: what is held does not count.
    pub(super) fn finish(&mut self, frame: &Frame, day: &mut Day) {
        let held = self.probes.iter().filter(|probe| probe.held.is_some()).count();
        day.counts.held += held as u64;
        for (at, points) in std::mem::take(&mut self.waiting) {
            self.points(frame, at, points, day);
        }
        for doubt in &mut self.doubts {
            doubt.finish();
        }
    }

    /// Rule 0, for all values of one source at one instant.
    fn group(&mut self, frame: &Frame, group: &[Sample], day: &mut Day, points: &mut Vec<(At, Point)>) {
        let mut different: Vec<Sample> = Vec::new();
        for sample in group {
            let known = |other: &Sample| same_value((other.value, other.unit), (sample.value, sample.unit));
            if !different.iter().any(known) {
                different.push(*sample);
            }
        }
        match different.as_slice() {
            [only] => self.one(frame, *only, day, points),
            several => day.counts.conflict += several.len() as u64,
        }
    }

    /// Rules 1 to 5, for the one value of a source at an instant.
    fn one(&mut self, frame: &Frame, sample: Sample, day: &mut Day, points: &mut Vec<(At, Point)>) {
        let Some(c) = reported_c(sample.value, sample.unit) else { return };
        let spots = frame.pile.spots.len();
        let source = sample.source.0 as usize;
        let Some(probe) = source.checked_sub(spots) else {
            let class = if is_possible(c) { Class::Counts } else { Class::Fault };
            day.decide(
                frame,
                Decided { at: sample.at, source: sample.source, spot: source, value: c, class },
            );
            if class == Class::Counts {
                points.push((sample.at, Point { spot: source, c, near: None }));
            }
            return;
        };
        if self.probes.len() <= probe {
            self.probes.resize(probe + 1, ProbeState::default());
        }
        let Some(state) = self.probes.get_mut(probe) else { return };
        match test(frame, state, probe, sample.at, c) {
            Err((class, Some((spot, value)))) => {
                day.decide(frame, Decided { at: sample.at, source: sample.source, spot, value, class });
            }
            Err((class, None)) => day.counts.add(class),
            Ok(placed) => state.jump(frame, sample.source, placed, day, points),
        }
    }

    /// Hands on, in order of time, what no longer waits for a held reading.
    fn release(&mut self, frame: &Frame, now: At, points: Vec<(At, Point)>, day: &mut Day) {
        let waits_for =
            self.probes.iter().filter_map(|probe| probe.held).filter(|held| now - held.at <= held.near);
        let barrier = waits_for.map(|held| held.at).min();
        if barrier.is_none() && self.waiting.is_empty() && points.iter().all(|(at, _)| *at == now) {
            let points = points.into_iter().map(|(_, point)| point).collect();
            self.points(frame, now, points, day);
            return;
        }
        for (at, point) in points {
            self.waiting.entry(at).or_default().push(point);
        }
        while let Some(first) = self.waiting.first_entry() {
            if barrier.is_some_and(|barrier| *first.key() >= barrier) {
                break;
            }
            let (at, points) = first.remove_entry();
            self.points(frame, at, points, day);
        }
    }

    /// All counting points of one instant.
    fn points(&mut self, frame: &Frame, at: At, mut points: Vec<Point>, day: &mut Day) {
        points.sort_by_key(|point| (point.spot, point.near.is_none()));
        let mut hottest = Vec::with_capacity(points.len());
        for at_spot in points.chunk_by(|a, b| a.spot == b.spot) {
            let Some(spot) = at_spot.first().map(|point| point.spot) else { continue };
            let readings: Vec<(Celsius, bool)> =
                at_spot.iter().map(|point| (point.c, point.near.is_none())).collect();
            day.add(frame, spot, at, &readings);
            if let Some(doubt) = self.doubts.get_mut(spot) {
                for point in at_spot {
                    match point.near {
                        Some(near) => doubt.probe(at, point.c, near),
                        None => doubt.hand(at, point.c),
                    }
                }
            }
            if frame.pile.spots.get(spot).is_some_and(|spot| spot.zone != Zone::Ambient) {
                let max = at_spot.iter().map(|point| point.c.0).fold(f64::NEG_INFINITY, f64::max);
                hottest.push((spot, Celsius(max)));
            }
        }
        day.overheated.extend(self.heat.instant(at, &hottest));
    }
}

// === impl ProbeState ===

impl ProbeState {
    /// Rule 4, and what it decides of a held reading.
    fn jump(
        &mut self,
        frame: &Frame,
        source: SourceId,
        next: Placed,
        day: &mut Day,
        points: &mut Vec<(At, Point)>,
    ) {
        let mut count = |probe: &mut ProbeState, placed: Placed, day: &mut Day| {
            day.decide(frame, placed.decided(source, Class::Counts));
            points.push((placed.at, Point { spot: placed.spot, c: placed.c, near: Some(placed.near) }));
            probe.counted = Some(placed);
        };
        if let Some(held) = self.held.take() {
            let confirmed = next.window == held.window
                && next.at - held.at <= held.near
                && next.c.is_within(held.c, CONFIRMED_WITHIN_C);
            if confirmed {
                count(self, held, day);
            } else {
                day.decide(frame, held.decided(source, Class::Fault));
            }
        }
        let jumps = self.counted.is_some_and(|before| {
            before.window == next.window
                && next.at - before.at <= next.near
                && !next.c.is_within(before.c, JUMP_C)
        });
        if jumps {
            day.note(frame, next.decided(source, Class::Held));
            self.held = Some(next);
        } else {
            count(self, next, day);
        }
    }
}

// === impl Placed ===

impl Placed {
    fn decided(&self, source: SourceId, class: Class) -> Decided {
        Decided { at: self.at, source, spot: self.spot, value: self.c, class }
    }
}

/// Rules 1 to 3 for a probe's value: a reading for rule 4, or its class, with the spot and the calibrated value where
/// it has a placement.
fn test(
    frame: &Frame,
    state: &ProbeState,
    probe: usize,
    at: At,
    reported: Celsius,
) -> Result<Placed, (Class, Option<(usize, Celsius)>)> {
    let found = frame.window(probe, at);
    let window = found.map(|(_, window)| window);
    let c = Celsius(reported.0 + window.map_or(0.0, |window| window.offset_c));
    let at_spot = window.map(|window| (window.spot, c));
    if !is_possible(c) {
        return Err((Class::Fault, at_spot));
    }
    let settings = &frame.pile.settings;
    let is_fault_value = settings.fault_values.iter().any(|value| reported.is_within(*value, 0.0));
    if is_fault_value && !is_believable(state, at, c, window) {
        return Err((Class::Fault, at_spot));
    }
    match found {
        Some((index, window)) if at >= frame.pile.built => {
            if at - window.from < settings.settle {
                return Err((Class::WarmingUp, at_spot));
            }
            Ok(Placed { at, c, window: index, spot: window.spot, near: window.near() })
        }
        _ => Err((Class::Unplaced, None)),
    }
}

/// A heap can really be at a fault value: then the counting reading before was near in time and temperature.
fn is_believable(state: &ProbeState, at: At, c: Celsius, window: Option<&Window>) -> bool {
    state.counted.is_some_and(|before| {
        at - before.at <= frame::near_of(window) && c.is_within(before.c, FAULT_BELIEVED_WITHIN_C)
    })
}

fn is_possible(c: Celsius) -> bool {
    c.0.is_finite() && !c.is_below(PHYSICAL_C.0) && !c.is_above(PHYSICAL_C.1)
}
