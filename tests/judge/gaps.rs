//! A gap never qualifies (design 5.2 rule 2): under any standard, method and agreement a spot whose proven time is cut
//! by intervals longer than `max_gap` (by hand: `hand_gap`) stays short of the required time, however hot it was read on
//! both sides; with intervals of exactly that length it qualifies to the millisecond.
//!
//! What is proven is known here by construction: pieces shorter than required, and what lies between them.

use heapward_rules::ids::{PileId, StandardId};
use heapward_rules::judge::Judge;
use heapward_rules::log::{LogEntry, LogEvent};
use heapward_rules::pile::{Material, Method, Pile, Placement, Settings, Spot, Zone};
use heapward_rules::reading::{Reading, Source, Unit};
use heapward_rules::standard::{Mode, Standard};
use heapward_rules::units::{At, Span};
use heapward_rules::verdict::{Judgement, Status};
use proptest::prelude::*;

use super::scene::{BUILT, STANDARDS, cases, method, probe, settings, spot, standards_of};

/// Two fifths of three days, the shortest piece, are longer.
const HAND_GAP_MOST: Span = Span::hours(26);

/// How the readings of one piece of proven time are taken.
#[derive(Clone, Copy, Debug)]
enum Reader {
    Probe,
    /// Everything with a thermometer.
    Hand,
    /// A probe, with a hand reading as the first or last (or both) some way off.
    HandAtTheEnds {
        first: bool,
        last: bool,
    },
}

#[derive(Clone, Debug)]
struct SpotPlan {
    start_min: i64,
    /// Share of the required time in thousandths, for pieces that stand alone; else the weight among all pieces.
    pieces: Vec<(u16, Reader)>,
    /// How much of the longest interval allowed lies between two readings, in thousandths.
    step: u16,
    has_gaps: bool,
}

#[derive(Clone, Debug)]
struct Plan {
    standard: usize,
    profile: prop::sample::Index,
    method: Method,
    settings: Settings,
    spots: Vec<SpotPlan>,
    /// What the gaps are longer than allowed.
    excess: Span,
    turns_every: Span,
}

/// What the judge is asked, and what must come out.
struct Case {
    pile: Pile,
    readings: Vec<Reading>,
    log: Vec<LogEntry>,
    required: Span,
    /// The first proven instant of each spot.
    starts: Vec<At>,
}

fn spot_plan() -> impl Strategy<Value = SpotPlan> {
    let reader = prop_oneof![
        3 => Just(Reader::Probe),
        1 => Just(Reader::Hand),
        2 => any::<(bool, bool)>().prop_map(|(first, last)| Reader::HandAtTheEnds { first, last }),
    ];
    let share = prop_oneof![3 => 400_u16..1000, 1 => Just(1000)];
    let pieces = prop::collection::vec((share, reader), 3..5);
    let step = prop_oneof![3 => 150_u16..1000, 1 => Just(1000)];
    (0_i64..720, pieces, step, any::<bool>()).prop_map(|(start_min, pieces, step, has_gaps)| SpotPlan {
        start_min,
        pieces,
        step,
        has_gaps,
    })
}

fn plan() -> impl Strategy<Value = Plan> {
    let excess = prop_oneof![1 => Just(1_i64), 1 => 1_i64..1_000, 1 => 1_i64..40_000_000].prop_map(Span);
    let spots = prop::collection::vec(spot_plan(), 1..4);
    let profile = any::<prop::sample::Index>();
    (0..STANDARDS.len(), profile, method(), settings(), spots, excess, 1_i64..48).prop_map(
        |(standard, profile, method, settings, mut spots, excess, hours)| {
            if spots.iter().all(|spot| !spot.has_gaps) {
                spots[0].has_gaps = true;
            }
            // An allowance bridges what nobody read, and is meant to; it has its own tests. No piece is as short as
            // `hand_gap`: else a hand reading at its far end would reach over the gap as well.
            let hand_gap = settings.hand_gap.min(HAND_GAP_MOST);
            let settings = Settings { turn_allowance: Span::ZERO, hand_gap, ..settings };
            Plan { standard, profile, method, settings, spots, excess, turns_every: Span::hours(hours) }
        },
    )
}

// === impl Plan ===

impl Plan {
    /// With gaps longer than allowed in the spots that are to have them, or, for the control, in none.
    fn case(&self, with_gaps: bool) -> Case {
        let pile = self.pile();
        let standard = &standards_of(&pile)[0];
        let (value_c, required, mode, turns) = self.asked(standard);
        let mut readings = Vec::new();
        let mut starts = Vec::new();
        for (index, plan) in self.spots.iter().enumerate() {
            let excess = if with_gaps && plan.has_gaps { self.excess } else { Span::ZERO };
            // Pieces of a sum end with the required time: all spots begin together, so that they end together.
            let start_min = if mode == Mode::Cumulative { 0 } else { plan.start_min };
            let start = BUILT + self.settings.settle + Span::minutes(start_min);
            starts.push(start);
            let mut at = start;
            let lengths = self.lengths(plan, required, mode);
            for (piece, (length, (_, reader))) in lengths.iter().zip(&plan.pieces).enumerate() {
                if piece > 0 {
                    let by_hand = ends_by_hand(plan.pieces[piece - 1].1) || begins_by_hand(*reader);
                    at = at + self.longest(by_hand) + excess;
                }
                self.read(index, (at, *length), *reader, plan.step, value_c, &mut readings);
                at = at + *length;
            }
        }
        let latest = starts.iter().copied().max().unwrap();
        let log = (0..turns).map(|n| {
            let n = i64::try_from(n).unwrap();
            LogEntry { at: latest + Span(self.turns_every.0 * n), event: LogEvent::Turned }
        });
        Case { log: log.collect(), pile, readings, required, starts }
    }

    fn pile(&self) -> Pile {
        let spots = 0..self.spots.len();
        let zones = [Zone::Core, Zone::Middle, Zone::Base];
        let named = |index: usize| Spot {
            name: spot(index),
            zone: zones[index % 3],
            depth_in: None,
            watched_only: false,
        };
        // Nobody reads it, and it holds nothing up.
        let watched = Spot { watched_only: true, ..named(3) };
        Pile {
            id: PileId::new("2026-08"),
            method: self.method,
            material: Material::Manure,
            built: BUILT,
            initial_cn: Some(30.0),
            standards: vec![StandardId::new(STANDARDS[self.standard])],
            spots: spots.clone().map(named).chain([watched]).collect(),
            placements: spots
                .map(|index| Placement {
                    probe: probe(index),
                    spot: spot(index),
                    from: BUILT,
                    until: None,
                    every: Span::minutes(30),
                    offset_c: 0.0,
                })
                .collect(),
            settings: self.settings.clone(),
        }
    }

    /// A temperature in the range of a profile, and the shortest time that any profile with it in its range requires.
    fn asked(&self, standard: &Standard) -> (f64, Span, Mode, usize) {
        let guard = self.settings.guard_c;
        let profiles = standard.profiles(self.method);
        let value = self.profile.get(profiles).lo.0 + guard + 1.5;
        let holds = profiles
            .iter()
            .filter(|profile| profile.lo.0 + guard <= value)
            .filter(|profile| profile.hi.is_none_or(|hi| value <= hi.0 - guard));
        let least = holds.min_by_key(|profile| profile.required).unwrap();
        (value, least.required, least.mode, least.turns)
    }

    /// The longest interval that is proven.
    fn longest(&self, by_hand: bool) -> Span {
        let Settings { max_gap, hand_gap, .. } = self.settings;
        if by_hand { max_gap.max(hand_gap) } else { max_gap }
    }

    /// Lengths of the pieces: each short of the required time by a millisecond at least; where pieces add up, all
    /// together.
    fn lengths(&self, plan: &SpotPlan, required: Span, mode: Mode) -> Vec<Span> {
        let shares: Vec<i64> = plan.pieces.iter().map(|(share, _)| i64::from(*share)).collect();
        match mode {
            Mode::Consecutive => shares.iter().map(|share| Span(required.0 * share / 1000 - 1)).collect(),
            Mode::Cumulative => {
                let sum: i64 = shares.iter().sum();
                // Short by a tenth of a gap: with gaps that are proven there is enough.
                let all = required.0 - self.settings.max_gap.0 / 10;
                shares.iter().map(|share| Span(all * share / sum - 1)).collect()
            }
        }
    }

    /// The readings of one piece, from its first instant to its last, both read.
    fn read(
        &self,
        index: usize,
        (start, length): (At, Span),
        reader: Reader,
        step: u16,
        value: f64,
        readings: &mut Vec<Reading>,
    ) {
        let mut take = |at: At, by_hand: bool| {
            let source = if by_hand { Source::Hand(spot(index)) } else { Source::Probe(probe(index)) };
            readings.push(Reading { at, source, value, unit: Unit::Celsius });
        };
        let by_hand = matches!(reader, Reader::Hand);
        let far = self.longest(true).min(Span(length.0 / 3));
        let end = start + length;
        let (mut from, mut to) = (start, end);
        if let Reader::HandAtTheEnds { first, last } = reader {
            if first {
                take(start, true);
                from = start + far;
            }
            if last {
                take(end, true);
                to = end - far;
            }
        }
        let step = Span((self.longest(by_hand).0 * i64::from(step) / 1000).max(1));
        let mut at = from;
        while at < to {
            take(at, by_hand);
            at = at + step;
        }
        take(to, by_hand);
    }
}

fn begins_by_hand(reader: Reader) -> bool {
    matches!(reader, Reader::Hand | Reader::HandAtTheEnds { first: true, .. })
}

fn ends_by_hand(reader: Reader) -> bool {
    matches!(reader, Reader::Hand | Reader::HandAtTheEnds { last: true, .. })
}

// === impl Case ===

impl Case {
    fn judge(&self) -> Judgement {
        let standards = standards_of(&self.pile);
        Judge::of_set(self.pile.clone(), standards, &self.log, &self.readings).judgement()
    }

    /// When everything is met, if nothing is missing: the last spot's time, or the last turn.
    fn met_at(&self) -> At {
        let latest = self.starts.iter().copied().max().unwrap();
        let turn = self.log.iter().map(|entry| entry.at).max();
        (latest + self.required).max(turn.unwrap_or(At::MIN))
    }
}

proptest! {
    #![proptest_config(cases())]

    #[test]
    fn a_gap_longer_than_allowed_never_qualifies_and_one_just_as_long_does(plan in plan()) {
        let with_gaps = plan.case(true);
        let judgement = with_gaps.judge();
        let verdict = &judgement.verdicts[0];
        prop_assert!(!matches!(verdict.status, Status::Qualified | Status::TemperatureMet), "{verdict:?}");
        prop_assert_eq!(verdict.at, None);
        for ((shown, spot), start) in verdict.spots.iter().zip(&plan.spots).zip(&with_gaps.starts) {
            let is_met = shown.qualified_at.is_some();
            prop_assert_eq!(is_met, !spot.has_gaps, "{} from {:?}: {:?}", shown.spot, start, shown);
        }

        let control = plan.case(false);
        let judgement = control.judge();
        let verdict = &judgement.verdicts[0];
        prop_assert_eq!(verdict.status, Status::Qualified, "{:?}", verdict);
        prop_assert_eq!(verdict.at, Some(control.met_at()));
    }
}
