//! Status, cautions and order of a verdict (design 5.2 rule 8 and 5.5).

use super::agreement::{PileOutcome, Spots, Traces};
use super::frame::Frame;
use super::state::State;
use super::trace::ClosedDay;
use super::{each, together};
use crate::pile::Agreement;
use crate::standard::{Profile, Standard};
use crate::units::Span;
use crate::verdict::{
    Break, Caution, Counts, Judgement, Overheating, Required, SpotVerdict, Status, Verdict,
};

/// Two turns nearer than this carry a caution.
const TURNS_APART: Span = Span::hours(12);

pub(super) fn judgement<'a, I>(frame: &Frame, state: &State, days: impl Fn() -> I) -> Judgement
where
    I: Iterator<Item = &'a ClosedDay> + Clone,
{
    let traces: Vec<Traces> =
        (0..).take(frame.ranges.len()).map(|range| Traces::new(frame, &days(), range)).collect();
    let nothing = Traces { by_spot: vec![Vec::new(); frame.pile.spots.len()] };
    let cautions = cautions(frame, state);
    let verdict = |standard: &Standard| {
        let traces_of = |profile: &Profile| {
            let range = frame.range_index(profile.lo, profile.hi);
            range.and_then(|range| traces.get(range)).unwrap_or(&nothing)
        };
        verdict(frame, standard, traces_of, &cautions)
    };
    Judgement {
        verdicts: frame.standards.iter().map(verdict).collect(),
        counts: days().fold(Counts::default(), |sum, day| sum.plus(day.counts)),
        overheating: overheating(frame, state, days()),
    }
}

/// One profile, judged.
struct Judged<'a> {
    spots: Spots<'a>,
    pile: PileOutcome,
}

fn verdict<'a>(
    frame: &'a Frame,
    standard: &'a Standard,
    traces_of: impl Fn(&Profile) -> &'a Traces,
    cautions: &[Caution],
) -> Verdict {
    let judged: Vec<Judged> = standard
        .profiles(frame.pile.method)
        .iter()
        .map(|profile| Judged::new(Spots::new(frame, profile, traces_of(profile))))
        .collect();
    let shown = shown(&judged);
    let is_running = judged.iter().any(|judged| judged.spots.is_running());
    let met_at = shown.and_then(|judged| judged.pile.at);
    let status = status(frame, standard, met_at.is_some(), is_running);
    let is_met = matches!(status, Status::Qualified | Status::TemperatureMet);
    let held_up_by = match status {
        Status::NotRequired => None,
        _ if is_met => shown.and_then(|judged| judged.pile.decided_by),
        _ => shown.and_then(|judged| judged.spots.lags_most()),
    };
    let mut cautions = cautions.to_vec();
    if standard.asks_curing {
        cautions.push(Caution::CuringNotRecorded);
    }
    Verdict {
        standard: standard.id.clone(),
        verified: standard.verified,
        status,
        at: met_at.filter(|_| is_met),
        held_up_by: held_up_by.and_then(|spot| frame.pile.spots.get(spot)).map(|spot| spot.name.clone()),
        cautions,
        spots: shown.map_or_else(|| bare_spots(frame), |judged| judged.spot_verdicts(frame)),
        breaks: shown.map(Judged::breaks).unwrap_or_default(),
        required: shown.map(Judged::required),
    }
}

/// The profile that qualified first, else the one that has got furthest; among equals the first listed.
fn shown<'a, 'b>(judged: &'b [Judged<'a>]) -> Option<&'b Judged<'a>> {
    let qualified =
        judged.iter().filter(|judged| judged.pile.at.is_some()).min_by_key(|judged| judged.pile.at);
    let further = |best: &'b Judged<'a>, next: &'b Judged<'a>| {
        if next.spots.progress().is_more_than(best.spots.progress()) { next } else { best }
    };
    qualified.or_else(|| judged.iter().reduce(further))
}

fn status(frame: &Frame, standard: &Standard, is_met: bool, is_running: bool) -> Status {
    let recipe_is_right = standard
        .initial_cn
        .is_none_or(|(least, most)| frame.pile.initial_cn.is_some_and(|cn| (least..=most).contains(&cn)));
    if standard.no_heat_for.contains(&frame.pile.material) {
        Status::NotRequired
    } else if is_met && recipe_is_right {
        Status::Qualified
    } else if is_met {
        Status::TemperatureMet
    } else if is_running {
        Status::Running
    } else {
        Status::NotMet
    }
}

fn cautions(frame: &Frame, state: &State) -> Vec<Caution> {
    let doubtful = frame
        .pile
        .spots
        .iter()
        .zip(&state.doubts)
        .filter(|(spot, doubt)| spot.is_required() && doubt.is_unconfirmed(frame.pile.built))
        .map(|(spot, _)| Caution::UnitUnconfirmed(spot.name.clone()));
    let close = frame.turns.windows(2).any(|pair| matches!(pair, [a, b] if *b - *a < TURNS_APART));
    doubtful.chain(close.then_some(Caution::TurnsCloseTogether)).collect()
}

fn overheating<'a>(
    frame: &Frame,
    state: &State,
    days: impl Iterator<Item = &'a ClosedDay>,
) -> Vec<Overheating> {
    let all = days.flat_map(|day| &day.overheated).chain(&state.heat.open);
    all.filter_map(|incident| {
        let spot = frame.pile.spots.get(incident.spot)?.name.clone();
        Some(Overheating { opened: incident.opened, closed: incident.closed, peak: incident.peak, spot })
    })
    .collect()
}

/// Spots of a pile whose method the standard does not know.
fn bare_spots(frame: &Frame) -> Vec<SpotVerdict> {
    let bare = frame.pile.spots.iter().zip(&frame.given_up).map(|(spot, given_up)| SpotVerdict {
        spot: spot.name.clone(),
        required: spot.is_required(),
        qualified_at: None,
        longest_run: None,
        open_run: None,
        given_up: given_up.clone(),
    });
    bare.collect()
}

// === impl Judged ===

impl<'a> Judged<'a> {
    fn new(spots: Spots<'a>) -> Judged<'a> {
        let pile = match spots.frame.pile.settings.agreement {
            Agreement::Each => each::outcome(&spots),
            Agreement::Together => together::outcome(&spots),
        };
        Judged { spots, pile }
    }

    fn spot_verdicts(&self, frame: &Frame) -> Vec<SpotVerdict> {
        (0..frame.pile.spots.len()).filter_map(|spot| self.spots.spot_verdict(spot)).collect()
    }

    /// In order of time, then of the spots in the file.
    fn breaks(&self) -> Vec<Break> {
        let mut breaks = self.pile.breaks.clone();
        breaks.sort_by_key(|(spot, b)| (b.at, *spot));
        breaks.into_iter().map(|(_, b)| b).collect()
    }

    fn required(&self) -> Required {
        Required { time: self.spots.profile.required, turns: self.spots.profile.turns }
    }
}

impl Counts {
    fn plus(self, other: Counts) -> Counts {
        Counts {
            counting: self.counting + other.counting,
            conflict: self.conflict + other.conflict,
            fault: self.fault + other.fault,
            unplaced: self.unplaced + other.unplaced,
            warming_up: self.warming_up + other.warming_up,
            held: self.held + other.held,
        }
    }
}
