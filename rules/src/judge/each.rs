//! Agreement `each`: every required spot holds for itself (design 5.2 rule 6).

use super::agreement::{PileOutcome, SpotSegment, Spots};
use super::segment::Segment;
use crate::units::At;
use crate::verdict::Break;

pub(super) fn outcome(spots: &Spots) -> PileOutcome {
    let decided = spots.present_lot().find_map(|(index, segment)| decide(spots, index, segment));
    PileOutcome {
        at: decided.map(|(at, _)| at),
        decided_by: decided.map(|(_, spot)| spot),
        breaks: spots.required().flat_map(|spot| breaks(spots, spot).map(move |b| (spot, b))).collect(),
    }
}

/// The instant at which a segment gets there, and the spot whose instant that is.
fn decide(spots: &Spots, index: usize, segment: &Segment) -> Option<(At, usize)> {
    let mut latest: Option<(At, usize)> = None;
    for spot in spots.required() {
        let own = spots.at(index, spot).and_then(SpotSegment::qualified_at);
        let at = match (own, spots.given_up_in(spot, segment)) {
            (Some(own), Some(given_up)) => own.min(given_up),
            (Some(at), None) | (None, Some(at)) => at,
            (None, None) => return None,
        };
        if latest.is_none_or(|(best, _)| at > best) {
            latest = Some((at, spot));
        }
    }
    latest.filter(|_| spots.some_spot_qualified_itself(index, segment))
}

/// The ends of a spot's runs that had not qualified, until it has qualified in the segment.
fn breaks<'a>(spots: &'a Spots, spot: usize) -> impl Iterator<Item = Break> + 'a {
    spots.frame.segments.iter().enumerate().flat_map(move |(index, segment)| {
        let runs = spots.at(index, spot).map_or(&[][..], |at| at.runs.as_slice());
        runs.iter()
            .take_while(|run| run.qualified_at.is_none())
            .filter(move |run| spots.has_ended(run, segment, spot))
            .filter_map(move |run| spots.run_break(run, index, segment, spot))
    })
}
