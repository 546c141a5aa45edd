//! The counting readings of a spot, cut down to what the verdict needs: pieces in range and out of range.

use super::Decided;
use super::frame::{Frame, Range};
use super::heat::Incident;
use crate::units::{At, Celsius};
use crate::verdict::{Class, Counts};

/// Where the readings of one instant lie to a range.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Side {
    In,
    Cold,
    Hot,
}

/// Consecutive counting readings of a spot on one side of a range. Within a piece in range every gap is proven;
/// between two pieces in range the gap still has to be looked at.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Piece {
    pub(super) side: Side,
    pub(super) first: At,
    pub(super) last: At,
    /// First and last instant at which a person read a thermometer.
    pub(super) by_hand: Option<(At, At)>,
}

/// What a day has added so far.
#[derive(Clone, Debug)]
pub(super) struct Day {
    /// By spot, then by range.
    traces: Vec<Vec<Vec<Piece>>>,
    pub(super) counts: Counts,
    /// Overheating that closed on this day.
    pub(super) overheated: Vec<Incident>,
    /// What became of each reading, if somebody listens.
    pub(super) decided: Vec<Decided>,
}

/// What a whole day added, packed: a judge keeps one for each day of a pile.
#[derive(Clone, Debug)]
pub(super) struct ClosedDay {
    /// In order of spot, range and time.
    pieces: Box<[PackedPiece]>,
    /// Index of a piece with its first and last instant by hand: few have one.
    by_hand: Box<[(usize, At, At)]>,
    pub(super) counts: Counts,
    pub(super) overheated: Box<[Incident]>,
}

/// A [`Piece`] with its place, without what few pieces have.
#[derive(Clone, Copy, Debug)]
struct PackedPiece {
    first: At,
    last: At,
    spot: u16,
    range: u16,
    side: Side,
}

// === impl Day ===

impl Day {
    pub(super) fn new(frame: &Frame) -> Day {
        Day {
            traces: vec![vec![Vec::new(); frame.ranges.len()]; frame.pile.spots.len()],
            counts: Counts::default(),
            overheated: Vec::new(),
            decided: Vec::new(),
        }
    }

    /// Counts a reading whose class is final.
    pub(super) fn decide(&mut self, frame: &Frame, decided: Decided) {
        self.counts.add(decided.class);
        self.note(frame, decided);
    }

    pub(super) fn note(&mut self, frame: &Frame, decided: Decided) {
        if frame.listens {
            self.decided.push(decided);
        }
    }

    /// Adds the readings of a spot at one instant, later than all before.
    pub(super) fn add(&mut self, frame: &Frame, spot: usize, at: At, readings: &[(Celsius, bool)]) {
        let by_hand = readings.iter().any(|(_, by_hand)| *by_hand);
        let Some(traces) = self.traces.get_mut(spot) else { return };
        for (range, trace) in frame.ranges.iter().zip(traces) {
            let side = side(range, readings);
            match trace.last_mut() {
                Some(piece) if piece.goes_on(frame, side, at) => piece.extend(at, by_hand),
                _ => trace.push(Piece::new(side, at, by_hand)),
            }
        }
    }

    pub(super) fn close(self) -> ClosedDay {
        let (mut pieces, mut by_hand) = (Vec::new(), Vec::new());
        for (spot, traces) in (0..).zip(self.traces) {
            for (range, trace) in (0..).zip(traces) {
                for Piece { side, first, last, by_hand: hand } in trace {
                    by_hand.extend(hand.map(|(first, last)| (pieces.len(), first, last)));
                    pieces.push(PackedPiece { first, last, spot, range, side });
                }
            }
        }
        ClosedDay {
            pieces: pieces.into_boxed_slice(),
            by_hand: by_hand.into_boxed_slice(),
            counts: self.counts,
            overheated: self.overheated.into_boxed_slice(),
        }
    }
}

// === impl ClosedDay ===

impl ClosedDay {
    pub(super) fn pieces(&self, spot: u16, range: u16) -> impl Iterator<Item = Piece> {
        let begin = self.pieces.partition_point(|piece| (piece.spot, piece.range) < (spot, range));
        let rest = self.pieces.iter().enumerate().skip(begin);
        rest.take_while(move |(_, piece)| (piece.spot, piece.range) == (spot, range)).map(|(index, piece)| {
            let hand = self.by_hand.binary_search_by_key(&index, |(of, _, _)| *of).ok();
            let hand = hand.and_then(|found| self.by_hand.get(found));
            let by_hand = hand.map(|(_, first, last)| (*first, *last));
            Piece { side: piece.side, first: piece.first, last: piece.last, by_hand }
        })
    }
}

// === impl Piece ===

impl Piece {
    fn new(side: Side, at: At, by_hand: bool) -> Piece {
        Piece { side, first: at, last: at, by_hand: by_hand.then_some((at, at)) }
    }

    fn goes_on(&self, frame: &Frame, side: Side, at: At) -> bool {
        let settings = &frame.pile.settings;
        let bridged = side != Side::In
            || at - self.last <= settings.max_gap
            || self.by_hand.is_some_and(|(_, hand)| at - hand <= settings.hand_gap);
        self.side == side && bridged && !is_cut(&frame.cuts, self.last, at)
    }

    fn extend(&mut self, at: At, by_hand: bool) {
        self.last = at;
        if by_hand {
            self.by_hand = Some((self.by_hand.map_or(at, |(first, _)| first), at));
        }
    }
}

/// In range if all readings of the instant are; both too cold and too hot is too cold (design 5.5).
fn side(range: &Range, readings: &[(Celsius, bool)]) -> Side {
    if readings.iter().any(|(c, _)| range.is_too_cold(*c)) {
        Side::Cold
    } else if readings.iter().any(|(c, _)| range.is_too_hot(*c)) {
        Side::Hot
    } else {
        Side::In
    }
}

/// Whether an entry lies between two readings, or at one of them.
fn is_cut(cuts: &[At], from: At, to: At) -> bool {
    let next = cuts.partition_point(|cut| *cut < from);
    cuts.get(next).is_some_and(|cut| *cut <= to)
}

impl Counts {
    pub(super) fn add(&mut self, class: Class) {
        let count = match class {
            Class::Counts => &mut self.counting,
            Class::Conflict => &mut self.conflict,
            Class::Fault => &mut self.fault,
            Class::Unplaced => &mut self.unplaced,
            Class::WarmingUp => &mut self.warming_up,
            Class::Held => &mut self.held,
        };
        *count += 1;
    }
}

#[cfg(test)]
mod tests;
