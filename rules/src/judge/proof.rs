//! Proven time of a spot in a segment (design 5.2 rule 2), and arithmetic on stretches of time.

use super::segment::Segment;
use super::trace::{Piece, Side};
use crate::pile::Settings;
use crate::units::{At, Span};

/// A closed stretch of time.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct Stretch {
    pub(super) start: At,
    pub(super) end: At,
}

/// The pieces of a spot that lie in a segment. Pieces never span the end of a segment.
pub(super) fn in_segment<'a>(pieces: &'a [Piece], segment: &Segment) -> &'a [Piece] {
    let from = pieces.partition_point(|piece| piece.first < segment.from);
    let until = pieces.partition_point(|piece| piece.first < segment.until);
    pieces.get(from..until).unwrap_or_default()
}

/// Proven time, as stretches that do not touch, in order.
///
/// Two readings prove what lies between them, not only neighbours: a gap is proven also from a hand reading before
/// it to the first reading after it, and from the last reading before it to a hand reading after it.
pub(super) fn proven(pieces: &[Piece], settings: &Settings) -> Vec<Stretch> {
    let mut stretches: Vec<Stretch> = Vec::new();
    for series in pieces.chunk_by(|a, b| a.side == Side::In && b.side == Side::In) {
        if series.first().is_some_and(|piece| piece.side == Side::In) {
            prove_series(series, settings, &mut stretches);
        }
    }
    stretches
}

fn prove_series(series: &[Piece], settings: &Settings, stretches: &mut Vec<Stretch>) {
    let mut hand_before: Option<At> = None;
    let mut open: Option<Stretch> = None;
    for (index, piece) in series.iter().enumerate() {
        let gap_is_proven = open.is_some_and(|before| {
            let hand_after =
                series.iter().skip(index).find_map(|piece| piece.by_hand).map(|(first, _)| first);
            piece.first - before.end <= settings.max_gap
                || hand_before.is_some_and(|hand| piece.first - hand <= settings.hand_gap)
                || hand_after.is_some_and(|hand| hand - before.end <= settings.hand_gap)
        });
        match &mut open {
            Some(stretch) if gap_is_proven => stretch.end = piece.last,
            _ => {
                stretches.extend(open.filter(|stretch| stretch.end > stretch.start));
                open = Some(Stretch { start: piece.first, end: piece.last });
            }
        }
        hand_before = piece.by_hand.map(|(_, last)| last).or(hand_before);
    }
    stretches.extend(open.filter(|stretch| stretch.end > stretch.start));
}

/// The time that two lists of stretches share; what has no length proves nothing.
pub(super) fn intersection(a: &[Stretch], b: &[Stretch]) -> Vec<Stretch> {
    let mut shared = Vec::new();
    let (mut i, mut j) = (0, 0);
    while let (Some(x), Some(y)) = (a.get(i), b.get(j)) {
        let (start, end) = (x.start.max(y.start), x.end.min(y.end));
        if start < end {
            shared.push(Stretch { start, end });
        }
        if x.end < y.end {
            i += 1;
        } else {
            j += 1;
        }
    }
    shared
}

/// Stretches in order of time, joined where they touch or overlap.
pub(super) fn joined(mut stretches: Vec<Stretch>) -> Vec<Stretch> {
    stretches.sort_unstable();
    let mut out: Vec<Stretch> = Vec::with_capacity(stretches.len());
    for stretch in stretches {
        match out.last_mut() {
            Some(last) if stretch.start <= last.end => last.end = last.end.max(stretch.end),
            _ => out.push(stretch),
        }
    }
    out
}

// === impl Stretch ===

impl Stretch {
    pub(super) fn length(self) -> Span {
        self.end - self.start
    }

    pub(super) fn holds(self, at: At) -> bool {
        self.start <= at && at <= self.end
    }
}
