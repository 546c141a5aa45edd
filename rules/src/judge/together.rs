//! Agreement `together`: all required spots hold at the same time (design 5.2 rule 6).

use super::agreement::{PileOutcome, Spots, first_qualified};
use super::proof::{self, Stretch};
use super::run::{self, RunTrace};
use super::segment::Segment;
use crate::units::At;
use crate::verdict::Break;

/// The runs that all required spots have in common in one segment.
struct Common {
    runs: Vec<RunTrace>,
}

pub(super) fn outcome(spots: &Spots) -> PileOutcome {
    let decided = spots.present_lot().find_map(|(index, segment)| decide(spots, index, segment));
    let breaks =
        spots.frame.segments.iter().enumerate().flat_map(|(index, segment)| breaks(spots, index, segment));
    PileOutcome {
        at: decided.map(|(at, _)| at),
        decided_by: decided.and_then(|(_, spot)| spot),
        breaks: breaks.collect(),
    }
}

fn decide(spots: &Spots, index: usize, segment: &Segment) -> Option<(At, Option<usize>)> {
    let common = Common::new(spots, index, segment);
    let run = common.runs.iter().find(|run| run.qualified_at.is_some())?;
    let at = run.qualified_at?;
    if !spots.some_spot_qualified_itself(index, segment) {
        return None;
    }
    let begins = |spot: &usize| {
        let proven = spots.at(index, *spot).map_or(&[][..], |at| at.proven.as_slice());
        let given_up = spots.given_up_in(*spot, segment);
        given_up == Some(run.run.start) || proven.iter().any(|stretch| stretch.start == run.run.start)
    };
    Some((at, spots.required().find(begins)))
}

fn breaks(spots: &Spots, index: usize, segment: &Segment) -> Vec<(usize, Break)> {
    let common = Common::new(spots, index, segment);
    let qualified = first_qualified(&common.runs);
    common
        .runs
        .iter()
        .filter(|run| run.qualified_at.is_none() && qualified.is_none_or(|at| run.run.start <= at))
        .filter_map(|run| {
            let ended = ended_at(spots, index, segment, run.run.end);
            let spot = ended.into_iter().find(|spot| spots.has_ended(run, segment, *spot))?;
            spots.run_break(run, index, segment, spot).map(|b| (spot, b))
        })
        .collect()
}

/// The spots whose proven time ends at an instant; where there is none, the last spot was given up then.
fn ended_at(spots: &Spots, index: usize, segment: &Segment, end: At) -> Vec<usize> {
    let ends = |spot: &usize| proves(spots, index, segment, *spot).iter().any(|stretch| stretch.end == end);
    let ended: Vec<usize> = spots.required().filter(ends).collect();
    if ended.is_empty() {
        return spots.required().filter(|spot| spots.given_up_in(*spot, segment) == Some(end)).collect();
    }
    ended
}

/// What a spot proves in a segment: its own time, and everything from its giving-up on.
fn proves(spots: &Spots, index: usize, segment: &Segment, spot: usize) -> Vec<Stretch> {
    let mut proven = spots.at(index, spot).map(|at| at.proven.clone()).unwrap_or_default();
    if let Some(given_up) = spots.given_up_in(spot, segment) {
        proven.push(Stretch { start: given_up.max(segment.from), end: segment.until });
    }
    proof::joined(proven)
}

// === impl Common ===

impl Common {
    fn new(spots: &Spots, index: usize, segment: &Segment) -> Common {
        let proven = common_time(spots, index, segment);
        let settings = &spots.frame.pile.settings;
        let start = |turn: At| {
            let not_given_up =
                spots.required().filter(|spot| spots.given_up_at(*spot).is_none_or(|at| at > turn));
            let starts = not_given_up
                .filter_map(|spot| spots.at(index, spot))
                .map(|at| run::allowance_start(at.pieces, turn, settings));
            starts.min().unwrap_or(turn)
        };
        let allowances = run::allowances(&spots.frame.pile, segment, start);
        Common { runs: run::runs(&proven, &allowances, segment, spots.profile) }
    }
}

/// Time that every required spot proves; nothing once the last is given up. With no required spot the last one was
/// given up before everything.
fn common_time(spots: &Spots, index: usize, segment: &Segment) -> Vec<Stretch> {
    let last_given_up = spots
        .required()
        .map(|spot| spots.given_up_in(spot, segment))
        .try_fold(At::MIN, |latest, given_up| given_up.map(|at| at.max(latest)));
    let end = last_given_up.map_or(segment.until, |at| at.min(segment.until));
    let whole = vec![Stretch { start: segment.from, end }];
    if end <= segment.from {
        return Vec::new();
    }
    spots
        .required()
        .fold(whole, |common, spot| proof::intersection(&common, &proves(spots, index, segment, spot)))
}
