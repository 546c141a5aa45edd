//! What the readings show, gathered in one pass: curves, extremes of the runs, gaps, and what did not count.

use std::collections::BTreeMap;

use heapward_rules::judge::Decided;
use heapward_rules::pile::Pile;
use heapward_rules::reading::Source;
use heapward_rules::units::{At, Celsius, Span};
use heapward_rules::verdict::{Class, Judgement};

use crate::limits::{RECORD_CHART_COLUMNS, RECORD_GAPS_MAX};

/// What the readings of a pile show.
#[derive(Clone, Debug, Default)]
pub struct Evidence {
    /// In the pile's order of spots.
    pub spots: Vec<SpotEvidence>,
    /// By verdict and spot: lowest and highest counting reading of the longest run.
    pub extremes: Vec<Vec<Option<Extremes>>>,
    /// By spot, source and class.
    pub doubts: Vec<Doubt>,
}

#[derive(Clone, Debug, Default)]
pub struct SpotEvidence {
    pub counting: u64,
    pub first: Option<At>,
    pub last: Option<At>,
    /// Curve of the probes' counting readings, in pieces with gaps between them.
    pub pieces: Vec<Vec<Column>>,
    /// Whole hours that have counting readings.
    pub hours: Vec<Hour>,
    /// Time between two counting readings that is too long to prove anything, longest kept first up to a bound.
    pub gaps: Vec<(At, At)>,
    /// Gaps that were not kept.
    pub more_gaps: usize,
    pub by_hand: Vec<HandReading>,
    /// Readings that do not count, one for each column at most.
    pub crosses: Vec<(At, Celsius)>,
    drawn_to: Option<At>,
}

/// Readings of one column of the chart.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Column {
    pub at: At,
    pub low: Celsius,
    pub high: Celsius,
    index: i64,
}

/// Counting readings of one hour of UTC.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Hour {
    pub at: At,
    pub low: Celsius,
    pub high: Celsius,
    pub sum_c: f64,
    pub count: u32,
}

#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Extremes {
    pub low: Celsius,
    pub high: Celsius,
}

#[derive(Clone, Copy, Debug, PartialEq)]
pub struct HandReading {
    pub at: At,
    pub value: Celsius,
    pub class: Class,
}

/// Readings of one source at one spot that do not count for one reason.
#[derive(Clone, Debug, PartialEq)]
pub struct Doubt {
    pub spot: usize,
    pub source: Source,
    pub class: Class,
    pub count: u64,
    pub first: At,
    pub last: At,
    pub low: Celsius,
    pub high: Celsius,
}

/// The pass itself.
pub(super) struct Gathering<'a> {
    pile: &'a Pile,
    /// By verdict and spot: the longest run.
    runs: Vec<Vec<Option<(At, At)>>>,
    from: At,
    column: Span,
    evidence: Evidence,
    doubts: BTreeMap<(usize, Source, Class), Doubt>,
    /// Held readings that no later one has decided on yet.
    held: Vec<(Decided, Source)>,
    /// By spot: the last counting reading, and whether a person took it.
    last: Vec<Option<(At, bool)>>,
}

// === impl Gathering ===

impl<'a> Gathering<'a> {
    /// `from` and `to` bound the chart.
    pub(super) fn new(pile: &'a Pile, judgement: &Judgement, (from, to): (At, At)) -> Gathering<'a> {
        let spots = pile.spots.len();
        let runs: Vec<Vec<Option<(At, At)>>> = judgement
            .verdicts
            .iter()
            .map(|verdict| {
                let run = |spot: &heapward_rules::verdict::SpotVerdict| {
                    spot.longest_run.map(|run| (run.start, run.end))
                };
                verdict.spots.iter().map(run).collect()
            })
            .collect();
        let evidence = Evidence {
            spots: vec![SpotEvidence::default(); spots],
            extremes: runs.iter().map(|runs| vec![None; runs.len()]).collect(),
            doubts: Vec::new(),
        };
        Gathering {
            pile,
            runs,
            from,
            column: Span(((to - from).0 / RECORD_CHART_COLUMNS).max(60_000)),
            evidence,
            doubts: BTreeMap::new(),
            held: Vec::new(),
            last: vec![None; spots],
        }
    }

    pub(super) fn take(&mut self, decided: &Decided, source: &Source) {
        // A held reading comes twice: as held, and as what a later reading made of it.
        self.held.retain(|(held, _)| !(held.source == decided.source && held.at == decided.at));
        match decided.class {
            Class::Counts => self.counts(decided, source),
            Class::Held => self.held.push((*decided, source.clone())),
            _ => self.doubt(decided, source),
        }
    }

    pub(super) fn finish(mut self) -> Evidence {
        for (decided, source) in std::mem::take(&mut self.held) {
            self.doubt(&decided, &source);
        }
        for spot in &mut self.evidence.spots {
            spot.gaps.sort_by_key(|(from, _)| *from);
            spot.crosses.sort_by_key(|(at, _)| *at);
        }
        self.evidence.doubts = self.doubts.into_values().collect();
        self.evidence.doubts.sort_by_key(|doubt| (doubt.spot, doubt.first));
        self.evidence
    }

    fn counts(&mut self, decided: &Decided, source: &Source) {
        let (at, value) = (decided.at, decided.value);
        let by_hand = matches!(source, Source::Hand(_));
        let Some(spot) = self.evidence.spots.get_mut(decided.spot) else { return };
        spot.counting += 1;
        spot.first = Some(spot.first.map_or(at, |first| first.min(at)));
        spot.last = Some(spot.last.map_or(at, |last| last.max(at)));
        spot.hour(at, value);
        if by_hand {
            spot.by_hand.push(HandReading { at, value, class: Class::Counts });
        } else {
            let near = near(self.pile, decided.spot, at);
            spot.draw(
                Column { at, low: value, high: value, index: (at - self.from).0 / self.column.0 },
                near,
            );
        }
        if let Some(last) = self.last.get_mut(decided.spot) {
            if let Some((before, hand)) = *last
                && before < at
            {
                let settings = &self.pile.settings;
                let bridged = if hand || by_hand { settings.hand_gap } else { settings.max_gap };
                if at - before > bridged {
                    spot.gap(before, at);
                }
            }
            *last = Some((at, by_hand)).max(*last);
        }
        for (runs, extremes) in self.runs.iter().zip(&mut self.evidence.extremes) {
            if let (Some(Some((start, end))), Some(extremes)) =
                (runs.get(decided.spot), extremes.get_mut(decided.spot))
                && (*start..=*end).contains(&at)
            {
                let before = extremes.unwrap_or(Extremes { low: value, high: value });
                *extremes = Some(Extremes { low: low(before.low, value), high: high(before.high, value) });
            }
        }
    }

    fn doubt(&mut self, decided: &Decided, source: &Source) {
        let (at, value) = (decided.at, decided.value);
        if let Some(spot) = self.evidence.spots.get_mut(decided.spot) {
            if matches!(source, Source::Hand(_)) {
                spot.by_hand.push(HandReading { at, value, class: decided.class });
            }
            let column = |at: At| (at - self.from).0 / self.column.0;
            if spot.crosses.last().is_none_or(|(last, _)| column(*last) != column(at)) {
                spot.crosses.push((at, value));
            }
        }
        let key = (decided.spot, source.clone(), decided.class);
        let doubt = self.doubts.entry(key).or_insert_with(|| Doubt {
            spot: decided.spot,
            source: source.clone(),
            class: decided.class,
            count: 0,
            first: at,
            last: at,
            low: value,
            high: value,
        });
        doubt.count += 1;
        doubt.first = doubt.first.min(at);
        doubt.last = doubt.last.max(at);
        doubt.low = low(doubt.low, value);
        doubt.high = high(doubt.high, value);
    }
}

// === impl SpotEvidence ===

impl SpotEvidence {
    /// Adds a probe's counting reading to the curve; a gap longer than `near` begins a new piece of it.
    fn draw(&mut self, column: Column, near: Span) {
        let goes_on = self.drawn_to.is_some_and(|last| column.at - last <= near);
        self.drawn_to = Some(column.at);
        let Some(piece) = self.pieces.last_mut().filter(|_| goes_on) else {
            self.pieces.push(vec![column]);
            return;
        };
        match piece.last_mut() {
            Some(last) if last.index == column.index => {
                last.low = low(last.low, column.low);
                last.high = high(last.high, column.high);
            }
            _ => piece.push(column),
        }
    }

    fn hour(&mut self, at: At, value: Celsius) {
        const HOUR: i64 = 3_600_000;
        let hour = At(at.0 - at.0.rem_euclid(HOUR));
        match self.hours.last_mut().filter(|last| last.at == hour) {
            Some(last) => {
                last.low = low(last.low, value);
                last.high = high(last.high, value);
                last.sum_c += value.0;
                last.count += 1;
            }
            None => self.hours.push(Hour { at: hour, low: value, high: value, sum_c: value.0, count: 1 }),
        }
    }

    /// Keeps the longest gaps up to the bound.
    fn gap(&mut self, from: At, to: At) {
        self.gaps.push((from, to));
        if self.gaps.len() > RECORD_GAPS_MAX {
            self.more_gaps += 1;
            let shortest = self.gaps.iter().enumerate().min_by_key(|(_, (from, to))| *to - *from);
            if let Some(index) = shortest.map(|(index, _)| index) {
                self.gaps.remove(index);
            }
        }
    }
}

/// How far apart readings of a spot may lie to be one line: `near` of design 5.1.
fn near(pile: &Pile, spot: usize, at: At) -> Span {
    let name = pile.spots.get(spot).map(|spot| &spot.name);
    let placed = pile.placements.iter().filter(|one| Some(&one.spot) == name && one.from <= at);
    let every = placed.max_by_key(|one| one.from).map_or(Span::ZERO, |one| one.every);
    Span::hours(1).max(every + every)
}

fn low(a: Celsius, b: Celsius) -> Celsius {
    Celsius(a.0.min(b.0))
}

fn high(a: Celsius, b: Celsius) -> Celsius {
    Celsius(a.0.max(b.0))
}
