//! Lots and segments (design 5.2 rule 1).

use crate::log::{LogEntry, LogEvent};
use crate::pile::Method;
use crate::units::At;
use crate::verdict::BreakReason;

/// A stretch of a pile's life within which material was not moved: `from` included, `until` excluded.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Segment {
    pub(super) from: At,
    pub(super) until: At,
    pub(super) lot: usize,
    /// What ended it; none for the present segment.
    pub(super) ended_by: Option<BreakReason>,
    /// Turns that lie in it.
    pub(super) turns: Vec<At>,
}

/// The instants of one kind of entry, each once, in order of time.
pub(super) fn instants(entries: &[&LogEntry], event: &LogEvent) -> Vec<At> {
    let mut at: Vec<At> =
        entries.iter().filter(|entry| entry.event == *event).map(|entry| entry.at).collect();
    at.sort_unstable();
    at.dedup();
    at
}

/// Cuts the life of a pile. Material added and a turn at one instant: the boundary is the material, and the turn
/// belongs to the later segment.
pub(super) fn segments(method: Method, built: At, turns: &[At], added: &[At]) -> Vec<Segment> {
    let turn_cuts = method != Method::Windrow;
    let mut boundaries: Vec<(At, BreakReason)> =
        added.iter().map(|at| (*at, BreakReason::MaterialAdded)).collect();
    if turn_cuts {
        boundaries.extend(turns.iter().filter(|at| !added.contains(at)).map(|at| (*at, BreakReason::Turned)));
    }
    boundaries.sort_unstable();

    let mut segments = Vec::with_capacity(boundaries.len() + 1);
    let (mut from, mut lot) = (built, 0);
    for (at, reason) in boundaries {
        segments.push(segment(from, at, lot, Some(reason), turns));
        from = at;
        lot += usize::from(reason == BreakReason::MaterialAdded);
    }
    segments.push(segment(from, At::MAX, lot, None, turns));
    segments
}

fn segment(from: At, until: At, lot: usize, ended_by: Option<BreakReason>, turns: &[At]) -> Segment {
    let turns = turns.iter().copied().filter(|turn| (from..until).contains(turn)).collect();
    Segment { from, until, lot, ended_by, turns }
}
