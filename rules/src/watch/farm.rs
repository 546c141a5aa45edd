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
    /// Nothing is open, nobody is past its limit, and before this instant that stays so, whoever is heard. Not known
    /// before somebody was heard.
    calm_until: Option<At>,
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
        self.progress.insert(pile.clone(), progress);
    }

    /// The watch begins, or begins again after a stop: what was said meanwhile may still be on its way.
    pub fn begin(&mut self, at: At) {
        self.calm_until = None;
        self.now = self.now.max(at);
        self.back = self.back.max(at);
    }

    /// A reading of a probe came in at an instant, whenever it was taken.
    pub fn arrived(&mut self, probe: &ProbeId, at: At) {
        let voice = self.voices.entry(probe.clone()).or_default();
        voice.arrived = voice.arrived.max(Some(at));
    }

    /// Any reading of a probe, whatever became of it; the probe lives.
    pub fn heard(&mut self, probe: &ProbeId, at: At) -> Vec<FarmFinding> {
        if self.stays_calm(at) {
            let voice = self.voices.entry(probe.clone()).or_default();
            voice.heard = voice.heard.max(Some(at));
            return Vec::new();
        }
        let mut out = self.deadlines_before(at);
        self.now = self.now.max(at);
        let voice = self.voices.entry(probe.clone()).or_default();
        voice.heard = voice.heard.max(Some(at));
        let every = voice.place(self.now).map_or(Span::minutes(1), |(_, place)| place.every);
        if at + self.params.limit(every) > self.now {
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

    /// Whether an instant comes before anything can begin; it has been reached then.
    fn stays_calm(&mut self, at: At) -> bool {
        let reached = self.now.max(at);
        let stays = self.calm_until.is_some_and(|calm| reached < calm);
        if stays {
            self.now = reached;
        }
        stays
    }

    /// Until when nothing can begin, if nothing is open and nobody is past its limit.
    fn calm(&self) -> Option<At> {
        let is_past = |voice: &Voice| {
            let waits = voice.waits(self.now);
            waits.is_some_and(|(since, place)| since + self.params.limit(place.every) <= self.now)
        };
        let is_calm = self.all.is_none() && !self.voices.values().any(|v| v.case.is_some() || is_past(v));
        is_calm.then(|| self.next_deadline().unwrap_or(At::MAX))
    }

    /// The silences of a pile's probes that are open.
    pub fn open_in<'a>(&'a self, pile: &'a PileId) -> impl Iterator<Item = Finding> + 'a {
        self.voices.values().filter_map(move |voice| {
            let (_, case) = voice.case.as_ref().filter(|(place, _)| place.pile == *pile)?;
            Some(case.standing(Figures { since: voice.heard, ..Figures::default() }))
        })
    }

    /// When to look again, if nothing is heard until then.
    pub fn next_deadline(&self) -> Option<At> {
        let of_voices = self.voices.values().flat_map(|voice| {
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
        self.voices.values().filter_map(|voice| voice.heard).max()
    }

    fn placed(&self) -> usize {
        self.voices.values().filter(|voice| voice.place(self.now).is_some()).count()
    }

    /// Whether another probe was heard since this one should have spoken.
    fn is_outlived(&self, probe: &ProbeId, should: At) -> bool {
        let others = self.voices.iter().filter(|(other, _)| *other != probe);
        others.filter_map(|(_, voice)| voice.heard).max() >= Some(should)
    }

    /// Enough probes are past their limit that nobody has outlived.
    fn open_all(&mut self, out: &mut Vec<FarmFinding>) {
        let mut limits: Vec<At> = self
            .voices
            .iter()
            .filter_map(|(probe, voice)| {
                let (since, place) = voice.waits(self.now)?;
                (!self.is_outlived(probe, since + place.every))
                    .then(|| since + self.params.limit(place.every))
            })
            .collect();
        limits.sort();
        let enough = self.placed().div_ceil(2).max(2);
        let newest = self.newest();
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
        let only_one = self.placed() == 1;
        let silent: Vec<(ProbeId, Place, At)> = self
            .voices
            .iter()
            .filter(|(_, voice)| voice.case.is_none())
            .filter_map(|(probe, voice)| {
                let (since, place) = voice.waits(self.now)?;
                let limit = self.params.limit(place.every);
                let past = since + limit <= self.now && self.back + limit <= self.now;
                let alone = past && (only_one || self.is_outlived(probe, since + place.every));
                alone.then(|| (probe.clone(), place.clone(), since + limit))
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
        let noted = self.voices.iter().filter(|(_, voice)| voice.case_level() == Some(Level::Note));
        let costly: Vec<ProbeId> = noted
            .filter(|(probe, voice)| self.is_costly(probe, voice))
            .map(|(probe, _)| probe.clone())
            .collect();
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

    fn is_costly(&self, probe: &ProbeId, voice: &Voice) -> bool {
        let Some((since, place)) = voice.waits(self.now) else { return false };
        let run_is_open = self
            .progress
            .get(&place.pile)
            .and_then(|progress| progress.spot(&place.spot))
            .is_some_and(|spot| spot.required && spot.qualified_at.is_none() && spot.open_run.is_some());
        let second_probe = self.voices.iter().any(|(other, voice)| {
            other != probe
                && voice.waits(self.now).is_some_and(|(since, there)| {
                    there.pile == place.pile
                        && there.heat
                        && there.zone == place.zone
                        && since + self.params.limit(there.every) > self.now
                })
        });
        since + self.params.act_after <= self.now && place.heat && run_is_open && !second_probe
    }
}

#[cfg(test)]
mod tests;
