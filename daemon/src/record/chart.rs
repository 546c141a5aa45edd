//! The chart: one strip for each spot above a common axis of time. A gap in the readings is a gap in the line.
//!
//! It is laid out once, in points of a paper, as lines and texts; SVG and PDF only write them down.

use heapward_rules::units::{At, Celsius, Span};

use super::evidence::Column;
use super::facts::{Facts, Farm};
use super::pdf::fonts::{Face, width};
use crate::http::words::log::mark;
use crate::model::time::{local, local_day};
use crate::recorder::facts::in_force;

/// What is drawn, before it has a size.
#[derive(Clone, Debug)]
pub struct Chart {
    pub farm: Farm,
    pub from: At,
    pub to: At,
    pub strips: Vec<Strip>,
    /// What people did, across all strips.
    pub marks: Vec<(At, &'static str)>,
    /// Ends of the range that the rules ask for.
    pub limits: Vec<Celsius>,
    /// Ends of the axis of temperature.
    pub low: Celsius,
    pub high: Celsius,
}

#[derive(Clone, Debug)]
pub struct Strip {
    pub name: String,
    pub pieces: Vec<Vec<Column>>,
    pub by_hand: Vec<(At, Celsius)>,
    pub crosses: Vec<(At, Celsius)>,
    /// The longest run of the first verdict, and whether the spot qualified by it.
    pub run: Option<(At, At, bool)>,
}

/// Something on the paper; points from the upper left corner of the chart.
#[derive(Clone, Debug, PartialEq)]
pub enum Op {
    Line {
        from: (f32, f32),
        to: (f32, f32),
        thick: f32,
        gray: f32,
        dashed: bool,
    },
    /// A line through several points.
    Trail {
        points: Vec<(f32, f32)>,
        thick: f32,
    },
    Fill {
        corners: [f32; 4],
        gray: f32,
    },
    Ring {
        at: (f32, f32),
        radius: f32,
    },
    Text {
        at: (f32, f32),
        size: f32,
        anchor: Anchor,
        text: String,
    },
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Anchor {
    Start,
    Middle,
    End,
}

const LEFT: f32 = 34.0;
const RIGHT: f32 = 8.0;
const MARK_ROWS: usize = 2;
const MARK_HEIGHT: f32 = 9.0;
const AXIS_HEIGHT: f32 = 14.0;
const GAP: f32 = 12.0;
const SMALL: f32 = 7.0;
/// Dates that stand side by side at the axis.
const DATES_MAX: usize = 11;

/// The chart of a pile; `None` without any reading.
pub(super) fn chart(facts: &Facts) -> Option<Chart> {
    let spots = &facts.evidence.spots;
    let shown = spots.iter().filter(|spot| !(spot.pieces.is_empty() && spot.by_hand.is_empty()));
    let instants = shown.flat_map(|spot| [spot.first, spot.last]).flatten();
    let (first, last) = (instants.clone().min()?, instants.max()?);
    let first_verdict = facts.judgement.verdicts.first();
    let strips: Vec<Strip> = facts
        .pile
        .spots
        .iter()
        .zip(spots)
        .enumerate()
        .map(|(index, (spot, evidence))| {
            let verdict = first_verdict.and_then(|verdict| verdict.spots.get(index));
            let run = verdict.and_then(|spot| Some((spot.longest_run?, spot.qualified_at.is_some())));
            let counting =
                evidence.by_hand.iter().filter(|one| one.class == heapward_rules::verdict::Class::Counts);
            Strip {
                name: spot.name.to_string(),
                pieces: evidence.pieces.clone(),
                by_hand: counting.map(|one| (one.at, one.value)).collect(),
                crosses: evidence.crosses.clone(),
                run: run.map(|(run, qualified)| (run.start, run.end, qualified)),
            }
        })
        .collect();
    let values = strips.iter().flat_map(|strip| {
        let columns = strip.pieces.iter().flatten().flat_map(|column| [column.low.0, column.high.0]);
        columns.chain(strip.by_hand.iter().map(|(_, c)| c.0)).collect::<Vec<f64>>()
    });
    let profile = first_verdict
        .and_then(|verdict| facts.standard(&verdict.standard))
        .and_then(|standard| standard.profiles(facts.pile.method).first());
    let limits: Vec<Celsius> = profile
        .map(|profile| [Some(profile.lo), profile.hi].into_iter().flatten().collect())
        .unwrap_or_default();
    let all: Vec<f64> = values.chain(limits.iter().map(|c| c.0)).collect();
    let low = all.iter().copied().fold(f64::INFINITY, f64::min).floor() - 2.0;
    let high = all.iter().copied().fold(f64::NEG_INFINITY, f64::max).ceil() + 2.0;
    let from = facts.pile.built.min(first);
    let to = last.max(from + Span::hours(1));
    let marks = in_force(&facts.entries)
        .filter_map(|entry| Some((At(entry.entry.at_ms), mark(&entry.entry.event)?.0)))
        .filter(|(at, _)| (from..=to).contains(at))
        .collect();
    Some(Chart {
        farm: facts.farm.clone(),
        from,
        to,
        strips,
        marks,
        limits,
        low: Celsius(low),
        high: Celsius(high),
    })
}

// === impl Chart ===

impl Chart {
    /// Height that it wants; a strip is low where there are many.
    pub fn height(&self) -> f32 {
        let strip = (190.0 / self.count().max(1.0)).clamp(26.0, 64.0);
        self.top() + self.count() * (strip + GAP) - GAP + AXIS_HEIGHT
    }

    /// Everything that is drawn, for a chart of this size.
    pub fn ops(&self, width: f32, height: f32) -> Vec<Op> {
        let mut ops = Vec::new();
        let strip_height =
            ((height - self.top() - AXIS_HEIGHT + GAP) / self.count().max(1.0) - GAP).max(10.0);
        let bottom = self.top() + self.count() * (strip_height + GAP) - GAP;
        self.days(width, bottom, &mut ops);
        self.people(width, bottom, &mut ops);
        let mut top = self.top();
        for strip in &self.strips {
            self.strip(strip, width, (top, top + strip_height), &mut ops);
            top += strip_height + GAP;
        }
        ops
    }

    #[expect(clippy::cast_precision_loss, reason = "a handful of spots")]
    fn count(&self) -> f32 {
        self.strips.len() as f32
    }

    fn top(&self) -> f32 {
        if self.marks.is_empty() { 12.0 } else { 12.0 + MARK_HEIGHT * 2.0 }
    }

    #[expect(clippy::cast_precision_loss, clippy::cast_possible_truncation, reason = "a place on paper")]
    fn x(&self, at: At, width: f32) -> f32 {
        let share = (at - self.from).0 as f64 / (self.to - self.from).0.max(1) as f64;
        LEFT + (width - LEFT - RIGHT) * share.clamp(0.0, 1.0) as f32
    }

    #[expect(clippy::cast_possible_truncation, reason = "a place on paper")]
    fn y(&self, c: Celsius, (top, bottom): (f32, f32)) -> f32 {
        let share = (c.0 - self.low.0) / (self.high.0 - self.low.0).max(1.0);
        top + (bottom - top) * (1.0 - share.clamp(0.0, 1.0) as f32)
    }

    /// A line and a date at each local midnight; where they would stand too close, at every second one, and so on.
    fn days(&self, width: f32, bottom: f32, ops: &mut Vec<Op>) {
        let mut midnights = Vec::new();
        let mut at = local_day(self.from, self.farm.zone).1;
        while at <= self.to && midnights.len() < 4_000 {
            midnights.push(at);
            at = local_day(at, self.farm.zone).1;
        }
        let mut every = 1;
        while midnights.len() / every > DATES_MAX {
            every += 1;
        }
        for (index, midnight) in midnights.into_iter().enumerate() {
            let x = self.x(midnight, width);
            let labelled = index % every == 0;
            if labelled {
                let day = local(midnight, self.farm.zone).format("%-d %b").to_string();
                ops.push(Op::Line {
                    from: (x, self.top()),
                    to: (x, bottom + 3.0),
                    thick: 0.3,
                    gray: 0.75,
                    dashed: false,
                });
                if x < width - 16.0 {
                    ops.push(Op::Text {
                        at: (x, bottom + 11.0),
                        size: SMALL,
                        anchor: Anchor::Middle,
                        text: day,
                    });
                }
            }
        }
    }

    /// What people did: a line through all strips, a word above, where there is room for it.
    fn people(&self, paper: f32, bottom: f32, ops: &mut Vec<Op>) {
        let mut marks = self.marks.clone();
        marks.sort_by_key(|(at, _)| *at);
        // By three rules at one instant is one word.
        marks.dedup();
        let mut ends = [0.0_f32; MARK_ROWS];
        for (at, word) in marks {
            let x = self.x(at, paper);
            ops.push(Op::Line {
                from: (x, self.top()),
                to: (x, bottom),
                thick: 0.6,
                gray: 0.35,
                dashed: true,
            });
            let length = width(word, Face::Regular, SMALL);
            let start = (x - length / 2.0).clamp(0.0, paper - length);
            let Some((row, end)) = ends.iter_mut().enumerate().find(|(_, end)| start > **end + 2.0) else {
                continue;
            };
            *end = start + length;
            let y = 6.0 + MARK_HEIGHT * if row == 0 { 1.0 } else { 0.0 };
            ops.push(Op::Text { at: (start, y), size: SMALL, anchor: Anchor::Start, text: word.to_owned() });
        }
    }

    fn strip(&self, strip: &Strip, paper: f32, ends: (f32, f32), ops: &mut Vec<Op>) {
        let (left, right) = (LEFT, paper - RIGHT);
        let (top, bottom) = ends;
        for y in [top, bottom] {
            ops.push(Op::Line { from: (left, y), to: (right, y), thick: 0.4, gray: 0.5, dashed: false });
        }
        if let Some((start, end, qualified)) = strip.run {
            let corners = [self.x(start, paper), bottom - 3.0, self.x(end, paper), bottom];
            ops.push(Op::Fill { corners, gray: if qualified { 0.0 } else { 0.6 } });
        }
        // In a low strip the figures of both limits would stand upon each other: they make room by half of what is missing.
        let apart = match self.limits[..] {
            [low, high] => ((SMALL - 0.5 - (self.y(low, ends) - self.y(high, ends))) / 2.0).max(0.0),
            _ => 0.0,
        };
        for (limit, shift) in self.limits.iter().zip([apart, -apart]) {
            let y = self.y(*limit, ends);
            ops.push(Op::Line { from: (left, y), to: (right, y), thick: 0.5, gray: 0.45, dashed: true });
            let text = self.farm.limit(*limit);
            ops.push(Op::Text { at: (left - 3.0, y + 2.4 + shift), size: SMALL, anchor: Anchor::End, text });
        }
        for piece in &strip.pieces {
            let mut points: Vec<(f32, f32)> = Vec::with_capacity(piece.len() * 2);
            for column in piece {
                let x = self.x(column.at, paper);
                points.push((x, self.y(column.low, ends)));
                if column.high.0 > column.low.0 {
                    points.push((x, self.y(column.high, ends)));
                }
            }
            if let [only] = points[..] {
                points.push((only.0 + 0.6, only.1));
            }
            ops.push(Op::Trail { points, thick: 0.8 });
        }
        for (at, c) in &strip.by_hand {
            ops.push(Op::Ring { at: (self.x(*at, paper), self.y(*c, ends)), radius: 2.0 });
        }
        for (at, c) in &strip.crosses {
            let (x, y) = (self.x(*at, paper), self.y(*c, ends));
            for slope in [-1.6, 1.6] {
                ops.push(Op::Line {
                    from: (x - 1.6, y - slope),
                    to: (x + 1.6, y + slope),
                    thick: 0.5,
                    gray: 0.3,
                    dashed: false,
                });
            }
        }
        // Above the strip: nothing that was measured is hidden.
        ops.push(Op::Text {
            at: (left, top - 2.5),
            size: 8.0,
            anchor: Anchor::Start,
            text: strip.name.clone(),
        });
    }
}
