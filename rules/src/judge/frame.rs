//! What does not change with readings: the pile, its placements in force, the ranges that matter and the cuts.

use super::segment::{self, Segment};
use super::source::Sources;
use crate::log::{LogEntry, LogEvent};
use crate::pile::{Pile, Placement};
use crate::standard::Standard;
use crate::units::{At, Celsius, Span};
use crate::verdict::GivenUp;

/// A placement with its true end: a new placement at the spot, or of the probe, ends the former one.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Window {
    pub(super) spot: usize,
    pub(super) from: At,
    pub(super) until: At,
    pub(super) every: Span,
    pub(super) offset_c: f64,
}

/// A range of temperatures that some profile asks for, the guard already taken off both ends.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Range {
    pub(super) lo: Celsius,
    pub(super) hi: Option<Celsius>,
}

#[derive(Clone, Debug)]
pub(super) struct Frame {
    pub(super) pile: Pile,
    pub(super) standards: Vec<Standard>,
    /// Windows of each placed probe, in order of time.
    pub(super) windows: Vec<Vec<Window>>,
    pub(super) ranges: Vec<Range>,
    pub(super) segments: Vec<Segment>,
    /// Instants of turns, each once, in order of time.
    pub(super) turns: Vec<At>,
    /// First giving-up of each spot.
    pub(super) given_up: Vec<Option<GivenUp>>,
    /// Instants that no piece of a trace may span.
    pub(super) cuts: Vec<At>,
    pub(super) sources: Sources,
    /// Whether what becomes of each reading is kept for the caller.
    pub(super) listens: bool,
}

/// `every` of a reading outside all placements (design 5.5).
const EVERY_UNPLACED: Span = Span::minutes(1);

// === impl Frame ===

impl Frame {
    pub(super) fn new(pile: Pile, standards: Vec<Standard>, log: &[LogEntry]) -> Frame {
        let sources = Sources::new(&pile);
        let mut windows = vec![Vec::new(); sources.probes()];
        for placement in &pile.placements {
            let of_probe = sources.probe(&placement.probe).and_then(|probe| windows.get_mut(probe));
            if let (Some(window), Some(of_probe)) = (window(&pile, placement), of_probe) {
                of_probe.push(window);
            }
        }
        for of_probe in &mut windows {
            of_probe.sort_by_key(|window| window.from);
        }
        let ranges = ranges(&pile, &standards);
        let mut frame = Frame {
            given_up: Vec::new(),
            segments: Vec::new(),
            turns: Vec::new(),
            cuts: Vec::new(),
            pile,
            standards,
            windows,
            ranges,
            sources,
            listens: false,
        };
        frame.set_log(log);
        frame
    }

    /// Takes another log; the earliest instant from which traces have to be made anew, if any.
    pub(super) fn set_log(&mut self, log: &[LogEntry]) -> Option<At> {
        let built = self.pile.built;
        let entries: Vec<&LogEntry> = log.iter().filter(|entry| entry.at >= built).collect();
        self.turns = segment::instants(&entries, &LogEvent::Turned);
        let added = segment::instants(&entries, &LogEvent::MaterialAdded);
        self.segments = segment::segments(self.pile.method, built, &self.turns, &added);
        self.given_up = self.pile.spots.iter().map(|spot| first_given_up(&entries, &spot.name)).collect();
        let mut cuts: Vec<At> =
            std::iter::once(built).chain(self.turns.iter().copied()).chain(added).collect();
        cuts.sort_unstable();
        cuts.dedup();
        let old = std::mem::replace(&mut self.cuts, cuts);
        let only_old = old.iter().filter(|cut| !self.cuts.contains(cut));
        let only_new = self.cuts.iter().filter(|cut| !old.contains(cut));
        only_old.chain(only_new).min().copied()
    }

    /// The window of a probe in which an instant lies, with its position among the probe's windows.
    pub(super) fn window(&self, probe: usize, at: At) -> Option<(usize, &Window)> {
        let of_probe = self.windows.get(probe)?;
        let index = of_probe.partition_point(|window| window.from <= at).checked_sub(1)?;
        let window = of_probe.get(index)?;
        (at < window.until).then_some((index, window))
    }

    /// Index of the range of a profile.
    pub(super) fn range_index(&self, lo: Celsius, hi: Option<Celsius>) -> Option<usize> {
        let wanted = guarded(&self.pile, lo, hi);
        self.ranges.iter().position(|range| *range == wanted)
    }
}

// === impl Window ===

impl Window {
    /// `near` of design 5.1: max(1 h, 2 x `every`).
    pub(super) fn near(&self) -> Span {
        near(self.every)
    }
}

/// `near` for a reading that lies in a window or in none.
pub(super) fn near_of(window: Option<&Window>) -> Span {
    window.map_or(near(EVERY_UNPLACED), Window::near)
}

fn near(every: Span) -> Span {
    Span::hours(1).max(every + every)
}

// === impl Range ===

impl Range {
    pub(super) fn is_too_cold(&self, c: Celsius) -> bool {
        c.is_below(self.lo)
    }

    pub(super) fn is_too_hot(&self, c: Celsius) -> bool {
        self.hi.is_some_and(|hi| c.is_above(hi))
    }
}

fn window(pile: &Pile, placement: &Placement) -> Option<Window> {
    let spot = pile.spots.iter().position(|spot| spot.name == placement.spot)?;
    let ended_by = pile
        .placements
        .iter()
        .filter(|other| other.probe == placement.probe || other.spot == placement.spot)
        .map(|other| other.from)
        .filter(|from| *from > placement.from)
        .min();
    let until = placement.until.unwrap_or(At::MAX).min(ended_by.unwrap_or(At::MAX));
    Some(Window { spot, from: placement.from, until, every: placement.every, offset_c: placement.offset_c })
}

fn guarded(pile: &Pile, lo: Celsius, hi: Option<Celsius>) -> Range {
    let guard = pile.settings.guard_c;
    Range { lo: Celsius(lo.0 + guard), hi: hi.map(|hi| Celsius(hi.0 - guard)) }
}

fn ranges(pile: &Pile, standards: &[Standard]) -> Vec<Range> {
    let mut ranges = Vec::new();
    for profile in standards.iter().flat_map(|standard| standard.profiles(pile.method)) {
        let range = guarded(pile, profile.lo, profile.hi);
        if !ranges.contains(&range) {
            ranges.push(range);
        }
    }
    ranges
}

/// Of several entries at one instant the reason that is first in the alphabet: the order of arrival must not matter.
fn first_given_up(entries: &[&LogEntry], name: &crate::ids::SpotName) -> Option<GivenUp> {
    entries
        .iter()
        .filter_map(|entry| match &entry.event {
            LogEvent::SpotGivenUp { spot, reason } if spot == name => Some((entry.at, reason)),
            _ => None,
        })
        .min()
        .map(|(at, reason)| GivenUp { at, reason: reason.clone() })
}
