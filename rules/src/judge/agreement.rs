//! What both agreements need: the spots of a pile under one profile.

use super::frame::Frame;
use super::proof::{self, Stretch};
use super::run::{self, RunTrace};
use super::segment::Segment;
use super::trace::{ClosedDay, Piece, Side};
use crate::standard::{Mode, Profile};
use crate::units::{At, Span};
use crate::verdict::{Break, BreakReason, Run, SpotVerdict};

/// The traces of all spots for one range, joined over the days.
pub(super) struct Traces {
    pub(super) by_spot: Vec<Vec<Piece>>,
}

/// A spot in one segment.
pub(super) struct SpotSegment<'a> {
    pub(super) pieces: &'a [Piece],
    pub(super) proven: Vec<Stretch>,
    pub(super) runs: Vec<RunTrace>,
}

/// Everything about a pile under one profile that does not depend on the agreement.
pub(super) struct Spots<'a> {
    pub(super) frame: &'a Frame,
    pub(super) profile: &'a Profile,
    /// By segment, then by spot.
    pub(super) segments: Vec<Vec<SpotSegment<'a>>>,
    /// Newest counting reading of each spot.
    pub(super) newest: Vec<Option<At>>,
}

/// What an agreement says of the pile under one profile.
pub(super) struct PileOutcome {
    pub(super) at: Option<At>,
    /// The spot whose instant is `at`.
    pub(super) decided_by: Option<usize>,
    pub(super) breaks: Vec<(usize, Break)>,
}

/// A share of the required time, at most all of it; compared exactly.
#[derive(Clone, Copy)]
pub(super) struct Share {
    counted: Span,
    required: Span,
}

// === impl Share ===

impl Share {
    pub(super) fn is_more_than(self, other: Share) -> bool {
        let product = |a: Span, b: Span| i128::from(a.0) * i128::from(b.0);
        product(self.counted, other.required) > product(other.counted, self.required)
    }
}

// === impl Traces ===

impl Traces {
    pub(super) fn new<'a>(
        frame: &Frame,
        days: &(impl Iterator<Item = &'a ClosedDay> + Clone),
        range: u16,
    ) -> Traces {
        let of_spot = |spot: u16| days.clone().flat_map(|day| day.pieces(spot, range)).collect();
        Traces { by_spot: (0..).take(frame.pile.spots.len()).map(of_spot).collect() }
    }
}

// === impl Spots ===

impl<'a> Spots<'a> {
    pub(super) fn new(frame: &'a Frame, profile: &'a Profile, traces: &'a Traces) -> Spots<'a> {
        let of_segment = |segment: &Segment| {
            traces.by_spot.iter().map(|pieces| SpotSegment::new(frame, profile, segment, pieces)).collect()
        };
        let newest = traces.by_spot.iter().map(|pieces| pieces.last().map(|piece| piece.last)).collect();
        Spots { frame, profile, segments: frame.segments.iter().map(of_segment).collect(), newest }
    }

    /// Indices of the spots that the verdict needs.
    pub(super) fn required(&self) -> impl Iterator<Item = usize> + use<'_, 'a> {
        self.frame
            .pile
            .spots
            .iter()
            .enumerate()
            .filter(|(_, spot)| spot.is_required())
            .map(|(index, _)| index)
    }

    pub(super) fn given_up_at(&self, spot: usize) -> Option<At> {
        self.frame.given_up.get(spot)?.as_ref().map(|given_up| given_up.at)
    }

    /// When a spot was given up, if that holds nothing up in the segment any more.
    pub(super) fn given_up_in(&self, spot: usize, segment: &Segment) -> Option<At> {
        self.given_up_at(spot).filter(|at| *at < segment.until)
    }

    pub(super) fn at(&self, segment: usize, spot: usize) -> Option<&SpotSegment<'a>> {
        self.segments.get(segment)?.get(spot)
    }

    /// Positions and segments of the present lot.
    pub(super) fn present_lot(&self) -> impl Iterator<Item = (usize, &Segment)> {
        let lot = self.frame.segments.last().map_or(0, |segment| segment.lot);
        self.frame.segments.iter().enumerate().filter(move |(_, segment)| segment.lot == lot)
    }

    /// Whether a required spot qualified in the segment by its own readings before it was given up.
    pub(super) fn some_spot_qualified_itself(&self, index: usize, segment: &Segment) -> bool {
        self.required().any(|spot| {
            let own = self.at(index, spot).and_then(SpotSegment::qualified_at);
            let given_up = self.given_up_in(spot, segment);
            own.is_some_and(|own| given_up.is_none_or(|at| own < at))
        })
    }

    /// A spot as the verdict shows it.
    pub(super) fn spot_verdict(&self, spot: usize) -> Option<SpotVerdict> {
        let facts = self.frame.pile.spots.get(spot)?;
        Some(SpotVerdict {
            spot: facts.name.clone(),
            required: facts.is_required(),
            qualified_at: self.qualified_at(spot),
            longest_run: self.longest_run(spot),
            open_run: self.open_run(spot),
            given_up: self.frame.given_up.get(spot).cloned().flatten(),
        })
    }

    fn qualified_at(&self, spot: usize) -> Option<At> {
        self.present_lot().find_map(|(index, _)| self.at(index, spot)?.qualified_at())
    }

    /// The run of the present lot with the most counted time, the earliest of equals. Its turns are those up to its
    /// end or up to the spot's qualifying instant, whichever is later (design 5.5).
    fn longest_run(&self, spot: usize) -> Option<Run> {
        let of_segment = |(index, segment)| {
            let runs = self.at(index, spot).map_or(&[][..], |at| at.runs.as_slice());
            runs.iter().map(move |run| (segment, run.run))
        };
        let (segment, run) = self
            .present_lot()
            .flat_map(of_segment)
            .reduce(|best, next| if next.1.counted > best.1.counted { next } else { best })?;
        let until = self.qualified_at(spot).map_or(run.end, |at| at.max(run.end));
        let turns = segment.turns.iter().filter(|turn| run.start <= **turn && **turn <= until).count();
        Some(Run { turns, ..run })
    }

    /// The run of the present segment that is open: its joined piece holds the spot's newest counting reading of the
    /// segment. A cumulative run, once begun, is open.
    pub(super) fn open_run(&self, spot: usize) -> Option<Run> {
        let present = self.segments.last()?.get(spot)?;
        let newest = present.pieces.last()?.last;
        let cumulative = self.profile.mode == Mode::Cumulative;
        present.runs.iter().find(|run| cumulative || run.whole.holds(newest)).map(|run| run.run)
    }

    /// The spot that lags most: required, neither given up nor qualified in the present segment; the least counted
    /// in its open run, then the shortest longest run, then the first in the file.
    pub(super) fn lags_most(&self) -> Option<usize> {
        self.still_to_qualify().min_by_key(|spot| {
            let counted = |run: Option<Run>| run.map_or(Span::ZERO, |run| run.counted);
            (counted(self.open_run(*spot)), counted(self.longest_run(*spot)), *spot)
        })
    }

    /// Whether every spot that is still to qualify has an open run.
    pub(super) fn is_running(&self) -> bool {
        self.still_to_qualify().next().is_some()
            && self.still_to_qualify().all(|spot| self.open_run(spot).is_some())
    }

    /// How far the profile has got: the smallest share of the required time over the spots not given up.
    pub(super) fn progress(&self) -> Share {
        let counted = self
            .required()
            .filter(|spot| self.given_up_at(*spot).is_none())
            .map(|spot| self.longest_run(spot).map_or(Span::ZERO, |run| run.counted))
            .min();
        let required = self.profile.required;
        Share { counted: counted.unwrap_or(Span::ZERO).min(required), required }
    }

    fn still_to_qualify(&self) -> impl Iterator<Item = usize> + '_ {
        let present = self.segments.last();
        self.required().filter(move |spot| {
            let qualified = present.and_then(|spots| spots.get(*spot)).and_then(SpotSegment::qualified_at);
            self.given_up_at(*spot).is_none() && qualified.is_none()
        })
    }

    /// Whether a run has ended for a spot: it does not hold the spot's newest counting reading. A cumulative run is
    /// open to its segment's end.
    pub(super) fn has_ended(&self, run: &RunTrace, segment: &Segment, spot: usize) -> bool {
        let is_open = self.profile.mode == Mode::Cumulative && segment.ended_by.is_none();
        let newest = self.newest.get(spot).copied().flatten();
        !is_open && !newest.is_some_and(|newest| run.whole.holds(newest))
    }

    /// Where and why a run ended.
    pub(super) fn run_break(
        &self,
        run: &RunTrace,
        index: usize,
        segment: &Segment,
        spot: usize,
    ) -> Option<Break> {
        let name = self.frame.pile.spots.get(spot)?.name.clone();
        let pieces = self.at(index, spot)?.pieces;
        let reason = match first_after(pieces, run.run.end) {
            Some(Side::Cold) => BreakReason::TooCold,
            Some(Side::Hot) => BreakReason::TooHot,
            Some(Side::In) => BreakReason::NoEvidence,
            None => segment.ended_by.unwrap_or(BreakReason::NoEvidence),
        };
        Some(Break { at: run.whole.end, spot: name, reason, counted: run.run.counted })
    }
}

/// On which side the first counting reading after an instant lies.
fn first_after(pieces: &[Piece], at: At) -> Option<Side> {
    let next = pieces.partition_point(|piece| piece.last <= at);
    pieces.get(next).map(|piece| piece.side)
}

// === impl SpotSegment ===

impl<'a> SpotSegment<'a> {
    fn new(frame: &Frame, profile: &Profile, segment: &Segment, pieces: &'a [Piece]) -> SpotSegment<'a> {
        let settings = &frame.pile.settings;
        let pieces = proof::in_segment(pieces, segment);
        let proven = proof::proven(pieces, settings);
        let allowances =
            run::allowances(&frame.pile, segment, |turn| run::allowance_start(pieces, turn, settings));
        let runs = run::runs(&proven, &allowances, segment, profile);
        SpotSegment { pieces, proven, runs }
    }

    pub(super) fn qualified_at(&self) -> Option<At> {
        first_qualified(&self.runs)
    }
}

/// The first qualifying instant of some runs.
pub(super) fn first_qualified(runs: &[RunTrace]) -> Option<At> {
    runs.iter().filter_map(|run| run.qualified_at).min()
}
