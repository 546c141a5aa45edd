//! Who fell silent: one probe, or all of them at once.
//!
//! Source: the age of the data is the only proof that a probe lives (a last will is not), with the limit of three
//! intervals and at least 15 min of design 5.3. If one gateway serves all probes, its end is one incident. So a probe
//! past its limit counts as silent for itself only if another one was heard since it should have spoken; if nobody
//! was, it waits for company: half of the probes, at least two, make it the gateway or the power.
//!
//! `opened` is a function of the instants at which the probes were last heard: after a restart the newest reading of
//! each probe is enough to find the same incidents again.

use std::collections::BTreeMap;

use super::case::{Case, Subject};
use super::progress::Progress;
use crate::finding::{Figures, Finding, Kind, Level};
use crate::ids::{PileId, ProbeId, SpotName};
use crate::pile::{Pile, Placement, Zone};
use crate::units::{At, Span};

#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SilenceParams {
    /// So many intervals of a probe without a reading.
    pub intervals: i64,
    /// And at least so long.
    pub at_least: Span,
    /// A silent probe whose spot has an open run and no second probe in its zone is worth a text after this: hand
    /// readings keep the evidence.
    pub act_after: Span,
}

/// A finding with the pile that it belongs to; none for the farm as a whole.
#[derive(Clone, Debug, PartialEq)]
pub struct FarmFinding {
    pub pile: Option<PileId>,
    pub finding: Finding,
}

/// Silence of all probes that stand in piles.
#[derive(Clone, Debug)]
pub struct Farm {
    params: SilenceParams,
    voices: BTreeMap<ProbeId, Voice>,
    progress: BTreeMap<PileId, Progress>,
    /// Newest instant stepped.
    now: At,
    all: Option<Case>,
    /// When all came back, or the watch began: each has its time to speak before it counts as silent.
    back: At,
    /// Before this instant nothing opens or worsens, whoever is heard, and nothing ends but the silence of a probe that
    /// speaks again: nobody waits for company. Not known before somebody was heard.
    calm_until: Option<At>,
    /// How often all probes were gone through.
    #[cfg(test)]
    walks: std::cell::Cell<usize>,
}

/// The newest words of all probes: whom a probe's silence is compared with.
#[derive(Clone, Copy)]
struct Newest<'f> {
    probe: &'f ProbeId,
    heard: At,
    /// The newest of any other.
    second: Option<At>,
}

/// A probe: where it stands and when it was heard.
#[derive(Clone, Debug, Default)]
struct Voice {
    heard: Option<At>,
    /// When its last word came in: while what a gateway kept comes in, the probe speaks, though of long ago.
    arrived: Option<At>,
    /// Every placement in every pile, by its beginning.
    places: BTreeMap<At, Place>,
    case: Option<(Place, Case)>,
}

#[derive(Clone, Debug, PartialEq)]
struct Place {
    pile: PileId,
    spot: SpotName,
    zone: Zone,
    /// Its silence may cost evidence of heat.
    heat: bool,
    every: Span,
    until: Option<At>,
}

// === impl SilenceParams ===

impl Default for SilenceParams {
    fn default() -> SilenceParams {
        SilenceParams { intervals: 3, at_least: Span::minutes(15), act_after: Span::hours(2) }
    }
}

impl SilenceParams {
    /// How long a probe that reports `every` so often may say nothing.
    pub fn limit(&self, every: Span) -> Span {
        Span(every.0.saturating_mul(self.intervals)).max(self.at_least)
    }
}

// === impl Voice ===

impl Voice {
    /// Where the probe stands at an instant, and since when.
    fn place(&self, at: At) -> Option<(At, &Place)> {
        let (from, place) = self.places.range(..=at).next_back()?;
        place.until.is_none_or(|until| at < until).then_some((*from, place))
    }

    /// Since when it has to speak, and its place.
    fn waits(&self, at: At) -> Option<(At, &Place)> {
        let (from, place) = self.place(at)?;
        let since = [Some(from), self.heard, self.arrived].into_iter().flatten().max()?;
        Some((since, place))
    }

    fn case_level(&self) -> Option<Level> {
        self.case.as_ref().map(|(_, case)| case.level())
    }
}

// === impl Newest ===

impl<'f> Newest<'f> {
    fn of(voices: impl Iterator<Item = (&'f ProbeId, &'f Voice)>) -> Option<Newest<'f>> {
        let heard = voices.filter_map(|(probe, voice)| Some((probe, voice.heard?)));
        heard.fold(None, |newest, (probe, heard)| match newest {
            Some(newest) if heard <= newest.heard => {
                Some(Newest { second: newest.second.max(Some(heard)), ..newest })
            }
            before => Some(Newest { probe, heard, second: before.map(|newest| newest.heard) }),
        })
    }

    /// Whether another probe was heard since this one should have spoken.
    fn outlives(&self, probe: &ProbeId, should: At) -> bool {
        let of_others = if self.probe == probe { self.second } else { Some(self.heard) };
        of_others >= Some(should)
    }
}

// === impl Farm ===

impl Farm {
    pub fn new(params: SilenceParams) -> Farm {
        Farm {
            params,
            voices: BTreeMap::new(),
            progress: BTreeMap::new(),
            now: At::MIN,
            all: None,
            back: At::MIN,
            calm_until: None,
            #[cfg(test)]
            walks: std::cell::Cell::default(),
        }
    }

    /// Takes over the placements of a pile, in place of what was known of it; `others` are those of probes that
    /// measure something else than heat and stand at its spots beside them.
    pub fn set_pile(&mut self, pile: &Pile, others: &[Placement]) {
        self.calm_until = None;
        for voice in self.voices.values_mut() {
            voice.places.retain(|_, place| place.pile != pile.id);
        }
        let heat = pile.placements.iter().map(|placement| (placement, true));
        for (placement, heat) in heat.chain(others.iter().map(|placement| (placement, false))) {
            let Some(spot) = pile.spots.iter().find(|spot| spot.name == placement.spot) else { continue };
            // The next placement at the spot ends this one too.
            let next = pile
                .placements
                .iter()
                .filter(|p| heat && p.spot == placement.spot && p.from > placement.from);
            let until = next.map(|p| p.from).chain(placement.until).min();
            let place = Place {
                pile: pile.id.clone(),
                spot: spot.name.clone(),
                zone: spot.zone,
                heat,
                every: placement.every,
                until,
            };
            self.voices.entry(placement.probe.clone()).or_default().places.insert(placement.from, place);
        }
    }

    /// The pile is used up: nobody waits for its probes.
    pub fn drop_pile(&mut self, pile: &PileId, at: At) -> Vec<FarmFinding> {
        self.calm_until = None;
        self.progress.remove(pile);
        for voice in self.voices.values_mut() {
            for place in voice.places.values_mut().filter(|place| place.pile == *pile) {
                place.until = Some(place.until.map_or(at, |until| until.min(at)));
            }
        }
        self.tick(at)
    }

    /// How far the runs of a pile have got: decides how grave a silence is.
    pub fn progress(&mut self, pile: &PileId, progress: Progress) {
        if self.progress.get(pile) != Some(&progress) {
            self.calm_until = None;
            self.progress.insert(pile.clone(), progress);
        }
    }

    /// The watch begins, or begins again after a stop: what was said meanwhile may still be on its way.
    pub fn begin(&mut self, at: At) {
        self.calm_until = None;
        self.now = self.now.max(at);
        self.back = self.back.max(at);
    }

    /// A reading of an instant came in: [`arrived`](Farm::arrived) and [`heard`](Farm::heard). Nearly always that
    /// changes nothing, which one look at the probe tells.
    pub fn came_in(&mut self, probe: &ProbeId, at: At, arrived: At) -> Vec<FarmFinding> {
        let reached = self.now.max(at);
        let is_calm = self.calm_until.is_some_and(|calm| reached < calm);
        if let Some(voice) = self.voices.get_mut(probe).filter(|voice| is_calm && voice.case.is_none()) {
            voice.arrived = voice.arrived.max(Some(arrived));
            voice.heard = voice.heard.max(Some(at));
            self.now = reached;
            return Vec::new();
        }
        self.arrived(probe, arrived);
        self.heard(probe, at)
    }

    /// A reading of a probe came in at an instant, whenever it was taken.
    pub fn arrived(&mut self, probe: &ProbeId, at: At) {
        let voice = self.voices.entry(probe.clone()).or_default();
        voice.arrived = voice.arrived.max(Some(at));
    }

    /// Any reading of a probe, whatever became of it; the probe lives.
    pub fn heard(&mut self, probe: &ProbeId, at: At) -> Vec<FarmFinding> {
        if !self.speaks_again(probe, at) && self.stays_calm(at) {
            let voice = self.voices.entry(probe.clone()).or_default();
            voice.heard = voice.heard.max(Some(at));
            return Vec::new();
        }
        let mut out = self.deadlines_before(at);
        self.now = self.now.max(at);
        let is_fresh = self.is_fresh(probe, at);
        let voice = self.voices.entry(probe.clone()).or_default();
        voice.heard = voice.heard.max(Some(at));
        if is_fresh {
            if let Some((place, case)) = voice.case.take() {
                out.push(FarmFinding { pile: Some(place.pile), finding: case.close(at, Figures::default()) });
            }
            if let Some(case) = self.all.take() {
                out.push(FarmFinding { pile: None, finding: case.close(at, Figures::default()) });
                self.back = at;
            }
        }
        self.look(&mut out);
        self.calm_until = self.calm();
        out
    }

    /// Time has passed.
    pub fn tick(&mut self, at: At) -> Vec<FarmFinding> {
        if self.stays_calm(at) {
            return Vec::new();
        }
        let mut out = self.deadlines_before(at);
        self.now = self.now.max(at);
        self.look(&mut out);
        self.calm_until = self.calm();
        out
    }

    /// Whether a reading of this instant is young enough to show that the probe speaks now.
    fn is_fresh(&self, probe: &ProbeId, at: At) -> bool {
        let reached = self.now.max(at);
        let place = self.voices.get(probe).and_then(|voice| voice.place(reached));
        at + self.params.limit(place.map_or(Span::minutes(1), |(_, place)| place.every)) > reached
    }

    /// Whether it was silent until now.
    fn speaks_again(&self, probe: &ProbeId, at: At) -> bool {
        self.voices.get(probe).is_some_and(|voice| voice.case.is_some()) && self.is_fresh(probe, at)
    }

    /// Whether an instant comes before anything can begin; it has been reached then.
    fn stays_calm(&mut self, at: At) -> bool {
        let reached = self.now.max(at);
        let stays = self.calm_until.is_some_and(|calm| reached < calm);
        if stays {
            self.now = reached;
        }
        stays
    }

    /// Until when nothing can begin, if everybody who is past its limit is known to be silent.
    fn calm(&self) -> Option<At> {
        let is_past = |voice: &Voice| {
            let waits = voice.waits(self.now);
            waits.is_some_and(|(since, place)| since + self.params.limit(place.every) <= self.now)
        };
        let is_calm = self.all.is_none() && !self.each().any(|(_, v)| v.case.is_none() && is_past(v));
        is_calm.then(|| self.next_deadline().unwrap_or(At::MAX))
    }

    /// The silences of a pile's probes that are open.
    pub fn open_in<'a>(&'a self, pile: &'a PileId) -> impl Iterator<Item = Finding> + 'a {
        self.each().filter_map(move |(_, voice)| {
            let (_, case) = voice.case.as_ref().filter(|(place, _)| place.pile == *pile)?;
            Some(case.standing(Figures { since: voice.heard, ..Figures::default() }))
        })
    }

    /// When to look again, if nothing is heard until then.
    pub fn next_deadline(&self) -> Option<At> {
        let of_voices = self.each().flat_map(|(_, voice)| {
            let next_place = voice.places.range(self.now + Span(1)..).next().map(|(from, _)| *from);
            let Some((since, place)) = voice.waits(self.now) else {
                return [next_place, None, None, None, None];
            };
            let limit = self.params.limit(place.every);
            [
                next_place,
                place.until,
                Some(since + limit),
                Some(self.back + limit),
                Some(since + self.params.act_after),
            ]
        });
        let of_all = self.newest().max(Some(self.back)).map(|life| life + self.params.at_least);
        of_voices.chain([of_all]).flatten().filter(|at| *at > self.now).min()
    }

    fn deadlines_before(&mut self, at: At) -> Vec<FarmFinding> {
        let mut out = Vec::new();
        while let Some(deadline) = self.next_deadline().filter(|deadline| *deadline < at) {
            self.now = deadline;
            self.look(&mut out);
        }
        out
    }

    /// All probes. On a farm with a thousand of them a look takes a few walks, not one for each of them.
    fn each(&self) -> impl Iterator<Item = (&ProbeId, &Voice)> {
        #[cfg(test)]
        self.walks.set(self.walks.get() + 1);
        self.voices.iter()
    }

    /// Opens, worsens and ends what the time asks for.
    fn look(&mut self, out: &mut Vec<FarmFinding>) {
        self.end_of_places(out);
        if self.all.is_none() {
            self.open_all(out);
        }
        if self.all.is_none() {
            self.open_alone(out);
        }
        self.worsen(out);
    }

    /// A probe that was moved or taken out is not silent any more.
    fn end_of_places(&mut self, out: &mut Vec<FarmFinding>) {
        for voice in self.voices.values_mut() {
            let Some((place, _)) = &voice.case else { continue };
            let stays = voice
                .place(self.now)
                .is_some_and(|(_, now)| now.pile == place.pile && now.spot == place.spot);
            if let Some((place, case)) = voice.case.take_if(|_| !stays) {
                let finding = case.close(self.now, Figures::default());
                out.push(FarmFinding { pile: Some(place.pile), finding });
            }
        }
    }

    fn newest(&self) -> Option<At> {
        self.each().filter_map(|(_, voice)| voice.heard).max()
    }

    fn placed(&self) -> usize {
        self.each().filter(|(_, voice)| voice.place(self.now).is_some()).count()
    }

    /// Enough probes are past their limit that nobody has outlived.
    fn open_all(&mut self, out: &mut Vec<FarmFinding>) {
        let newest = Newest::of(self.each());
        let mut limits: Vec<At> = self
            .each()
            .filter_map(|(probe, voice)| {
                let (since, place) = voice.waits(self.now)?;
                let is_outlived = newest.is_some_and(|newest| newest.outlives(probe, since + place.every));
                (!is_outlived).then(|| since + self.params.limit(place.every))
            })
            .collect();
        limits.sort();
        let enough = self.placed().div_ceil(2).max(2);
        let newest = newest.map(|newest| newest.heard);
        // Not before the newest sign of life is as old as a probe's silence has to be.
        let life = newest.max(Some(self.back)).unwrap_or(At::MIN);
        let opened = limits.get(enough - 1).map(|limit| (life + self.params.at_least).max(*limit));
        let Some(opened) = opened.filter(|opened| *opened <= self.now) else { return };
        let figures = Figures { since: newest, ..Figures::default() };
        let (case, finding) =
            Case::open(Subject::pile(Kind::AllSilent), Level::Act, opened, self.now, figures);
        self.all = Some(case);
        out.push(FarmFinding { pile: None, finding });
    }

    fn open_alone(&mut self, out: &mut Vec<FarmFinding>) {
        let (only_one, newest) = (self.placed() == 1, Newest::of(self.each()));
        let silent: Vec<(ProbeId, Place, At)> = self
            .each()
            .filter(|(_, voice)| voice.case.is_none())
            .filter_map(|(probe, voice)| {
                let (since, place) = voice.waits(self.now)?;
                let limit = self.params.limit(place.every);
                let past = since + limit <= self.now && self.back + limit <= self.now;
                let is_outlived = || newest.is_some_and(|newest| newest.outlives(probe, since + place.every));
                (past && (only_one || is_outlived())).then(|| (probe.clone(), place.clone(), since + limit))
            })
            .collect();
        for (probe, place, opened) in silent {
            let Some(voice) = self.voices.get_mut(&probe) else { continue };
            let figures = Figures { since: voice.heard, ..Figures::default() };
            let subject = Subject::probe(Kind::ProbeSilent, &place.spot, &probe);
            let (case, finding) = Case::open(subject, Level::Note, opened, self.now, figures);
            out.push(FarmFinding { pile: Some(place.pile.clone()), finding });
            voice.case = Some((place, case));
        }
    }

    /// A silence that costs evidence is worth a text.
    fn worsen(&mut self, out: &mut Vec<FarmFinding>) {
        let noted = self.each().filter(|(_, voice)| voice.case_level() == Some(Level::Note));
        let mut costly: Vec<(&ProbeId, &Voice)> = noted.filter(|(_, voice)| self.is_costly(voice)).collect();
        if !costly.is_empty() {
            let speaking = self.speaking();
            costly.retain(|(_, voice)| !self.has_second(voice, &speaking));
        }
        let costly: Vec<ProbeId> = costly.into_iter().map(|(probe, _)| probe.clone()).collect();
        for probe in costly {
            let Some(voice) = self.voices.get_mut(&probe) else { continue };
            let figures = Figures { since: voice.heard, ..Figures::default() };
            if let Some((place, case)) = &mut voice.case
                && let Some(finding) = case.worsen(Level::Act, self.now, figures)
            {
                out.push(FarmFinding { pile: Some(place.pile.clone()), finding });
            }
        }
    }

    /// Whether the spot has a run to lose and the probe has been silent for long.
    fn is_costly(&self, voice: &Voice) -> bool {
        let Some((since, place)) = voice.waits(self.now) else { return false };
        let run_is_open = || {
            let progress = self.progress.get(&place.pile).and_then(|progress| progress.spot(&place.spot));
            progress
                .is_some_and(|spot| spot.required && spot.qualified_at.is_none() && spot.open_run.is_some())
        };
        since + self.params.act_after <= self.now && place.heat && run_is_open()
    }

    /// How many probes of heat speak in each zone of each pile.
    fn speaking(&self) -> BTreeMap<(&PileId, Zone), usize> {
        let mut speaking = BTreeMap::new();
        for (_, voice) in self.each() {
            if let Some((pile, zone)) = self.speaks_in(voice) {
                *speaking.entry((pile, zone)).or_default() += 1;
            }
        }
        speaking
    }

    fn speaks_in<'v>(&self, voice: &'v Voice) -> Option<(&'v PileId, Zone)> {
        let (since, place) = voice.waits(self.now)?;
        let speaks = place.heat && since + self.params.limit(place.every) > self.now;
        speaks.then_some((&place.pile, place.zone))
    }

    /// Whether another probe speaks in the probe's zone.
    fn has_second(&self, voice: &Voice, speaking: &BTreeMap<(&PileId, Zone), usize>) -> bool {
        let Some((_, place)) = voice.waits(self.now) else { return false };
        let itself = usize::from(self.speaks_in(voice).is_some());
        speaking.get(&(&place.pile, place.zone)).is_some_and(|count| *count > itself)
    }
}

#[cfg(test)]
mod tests;
