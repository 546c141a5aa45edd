//! Runs: proven time joined over allowances, and when one qualifies (design 5.2 rules 4 and 5).

use super::proof::{Stretch, joined};
use super::segment::Segment;
use super::trace::{Piece, Side};
use crate::pile::{Method, Pile, Settings};
use crate::standard::{Mode, Profile};
use crate::units::{At, Span};
use crate::verdict::Run;

/// A run with what the verdict needs beside its figures.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct RunTrace {
    pub(super) run: Run,
    /// The joined piece: proven time and allowances; of a cumulative run from its first to its last proven instant.
    pub(super) whole: Stretch,
    pub(super) qualified_at: Option<At>,
}

/// The instant from which a spot has an allowance for a turn: its newest counting reading at or before the turn, if
/// that is in range and not too old, else the turn.
pub(super) fn allowance_start(pieces: &[Piece], turn: At, settings: &Settings) -> At {
    let newest =
        pieces.partition_point(|piece| piece.first <= turn).checked_sub(1).and_then(|i| pieces.get(i));
    newest
        .filter(|piece| piece.side == Side::In)
        .filter(|piece| {
            let by_hand = piece.by_hand.is_some_and(|(_, last)| last == piece.last);
            turn - piece.last <= if by_hand { settings.hand_gap } else { settings.max_gap }
        })
        .map_or(turn, |piece| piece.last)
}

/// The allowances of a segment; `start` gives the begin of each turn's.
pub(super) fn allowances(pile: &Pile, segment: &Segment, start: impl Fn(At) -> At) -> Vec<Stretch> {
    if pile.method != Method::Windrow {
        return Vec::new();
    }
    let end = |turn: At| (turn + pile.settings.turn_allowance).min(segment.until);
    segment.turns.iter().map(|turn| Stretch { start: start(*turn), end: end(*turn) }).collect()
}

/// The runs of a segment, in order of time.
pub(super) fn runs(
    proven: &[Stretch],
    allowances: &[Stretch],
    segment: &Segment,
    profile: &Profile,
) -> Vec<RunTrace> {
    let wholes = match (profile.mode, proven) {
        (Mode::Consecutive, _) => joined(proven.iter().chain(allowances).copied().collect()),
        (Mode::Cumulative, [first, .., last]) => {
            vec![Stretch { start: first.start, end: last.end }]
        }
        (Mode::Cumulative, few) => few.to_vec(),
    };
    wholes.into_iter().filter_map(|whole| run(proven, whole, segment, profile)).collect()
}

fn run(proven: &[Stretch], whole: Stretch, segment: &Segment, profile: &Profile) -> Option<RunTrace> {
    let inside: Vec<Stretch> = proven.iter().copied().filter(|stretch| whole.holds(stretch.start)).collect();
    let (start, end) = (inside.first()?.start, inside.last()?.end);
    let counted = inside.iter().fold(Span::ZERO, |sum, stretch| sum + stretch.length());
    // In a consecutive run a turn must lie in the joined piece.
    let counts = |turn: &At| *turn >= start && (profile.mode == Mode::Cumulative || *turn <= whole.end);
    let turns: Vec<At> = segment.turns.iter().copied().filter(counts).collect();
    let enough_time = reached(&inside, profile.required);
    let qualified_at = match profile.turns.checked_sub(1) {
        None => enough_time,
        Some(last) => enough_time.zip(turns.get(last)).map(|(at, turn)| at.max(*turn)),
    };
    let until = qualified_at.map_or(end, |at| at.max(end));
    let turns = turns.iter().filter(|turn| **turn <= until).count();
    Some(RunTrace { run: Run { start, end, counted, turns }, whole, qualified_at })
}

/// The first instant at which the proven time adds up to what is required.
fn reached(proven: &[Stretch], required: Span) -> Option<At> {
    let mut missing = required;
    for stretch in proven {
        if stretch.length() >= missing {
            return Some(stretch.start + missing);
        }
        missing = missing - stretch.length();
    }
    None
}
