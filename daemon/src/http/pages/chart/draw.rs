//! A chart as SVG. Colours and widths are in the style sheet; here are only places.

use std::collections::BTreeMap;
use std::fmt::Write;

use heapward_rules::units::At;
use maud::{Markup, PreEscaped, html};

use super::axis;
use super::trail::COLUMNS;
use super::{Line, Mark, Plot};
use crate::http::words::Style;

/// Paper of one drawing, in pixels.
#[derive(Clone, Copy, Debug)]
struct Paper {
    class: &'static str,
    width: i32,
    /// Height above the time axis.
    height: i32,
    /// Room for the figures of the value axis.
    left: i32,
    /// Room for the spots' names.
    right: i32,
    /// Columns of the trail that make one of this drawing.
    joined: usize,
    /// Figures on the time axis.
    times: i64,
}

const TOP: i32 = 12;
/// Room for the figures of the time axis.
const TIMES: i32 = 26;
/// Height of one row of words below them.
const ROW: i32 = 20;
const ROWS: usize = 3;
/// Least distance of two names at the right edge.
const NAME: i32 = 18;
const LETTER: i32 = 8;
/// Pixels by which the readings of one column may differ to be drawn as one.
const FLICKER: i32 = 2;

const WIDE: Paper =
    Paper { class: "wide", width: 720, height: 350, left: 42, right: 118, joined: 1, times: 8 };
const NARROW: Paper =
    Paper { class: "narrow", width: 340, height: 310, left: 34, right: 96, joined: 3, times: 4 };

/// Places on a paper.
struct Ruler<'a> {
    /// The marks with their places and rows.
    marks: Vec<(&'a Mark, i32, Option<i32>)>,
    paper: Paper,
    plot: &'a Plot,
    low: f64,
    high: f64,
}

/// The chart with its caption.
pub(in crate::http::pages) fn figure(plot: &Plot, style: Style) -> Markup {
    html! {
        figure.chart {
            @for paper in [WIDE, NARROW] { (drawing(&Ruler::new(plot, paper), style)) }
            figcaption { (plot.caption) }
        }
    }
}

fn drawing(ruler: &Ruler<'_>, style: Style) -> Markup {
    let Ruler { paper, plot, .. } = ruler;
    let (bottom, edge) = (ruler.bottom(), paper.width - paper.right);
    html! {
        svg class=(paper.class) viewBox=(format!("0 0 {} {}", paper.width, ruler.height())) role="img" aria-label=(plot.caption) {
            @for (value, y) in ruler.figures() {
                text.figure x=(paper.left - 6) y=(y + 4) text-anchor="end" { (figure_text(value)) }
                path.tick d=(format!("M{} {y}h4", paper.left - 4)) {}
            }
            text.figure x="2" y=(TOP - 1) { (plot.unit) }
            path.base d=(format!("M{} {bottom}H{edge}", paper.left)) {}
            @for (at, label) in axis::times(plot.from, plot.to, style.zone, paper.times) {
                @let x = ruler.x(at);
                path.tick d=(format!("M{x} {bottom}v5")) {}
                @if x < edge - 14 { text.figure x=(x) y=(bottom + 18) text-anchor="middle" { (label) } }
            }
            @for rule in &plot.rules {
                @let y = ruler.y(rule.value);
                path.limit d=(format!("M{} {y}H{edge}", paper.left)) {}
                text.limit-name x=(paper.left - 6) y=(y + 5) text-anchor="end" { (rule.label) }
            }
            (marks(ruler))
            @for line in &plot.lines { (PreEscaped(strokes(ruler, line))) }
            (names(ruler))
        }
    }
}

fn figure_text(value: f64) -> String {
    if (value - value.round()).abs() < 1e-9 { format!("{value:.0}") } else { format!("{value:.1}") }
}

/// The line of a spot, its crosses and circles. Only numbers and fixed words: nothing to escape.
fn strokes(ruler: &Ruler<'_>, line: &Line) -> String {
    let pattern = line.pattern % 8;
    let mut d = Pen::default();
    for column in line.trail.columns(ruler.paper.joined) {
        let x = ruler.column(column.index);
        let (mut low, mut high) = (ruler.y(column.minimum), ruler.y(column.maximum));
        if low - high <= FLICKER {
            (low, high) = (i32::midpoint(low, high), i32::midpoint(low, high));
        }
        // The nearer end first: the stroke goes on from where the pen stands.
        let (near, far) = if (d.y - low).abs() <= (d.y - high).abs() { (low, high) } else { (high, low) };
        if column.breaks {
            d.lift(x, near);
        } else {
            d.draw(x, near);
        }
        if far != near {
            d.draw(x, far);
        }
    }
    let mut out = format!("<path class=\"line p{pattern}\" d=\"{}\"/>", d.path);
    let mut crosses = String::new();
    for (at, value) in &line.crosses {
        let _ = write!(crosses, "M{} {}l6 6m-6 0l6-6", ruler.x(*at) - 3, ruler.y(*value) - 3);
    }
    if !crosses.is_empty() {
        let _ = write!(out, "<path class=\"cross\" d=\"{crosses}\"/>");
    }
    for (at, value) in &line.circles {
        let _ = write!(
            out,
            "<circle class=\"hand\" cx=\"{}\" cy=\"{}\" r=\"4\"/>",
            ruler.x(*at),
            ruler.y(*value)
        );
    }
    out
}

/// Names at the right edge, each as near to its line's end as the others allow.
fn names(ruler: &Ruler<'_>) -> Markup {
    let edge = ruler.paper.width - ruler.paper.right;
    let ends =
        ruler.plot.lines.iter().filter_map(|line| line.trail.newest().map(|(at, value)| (line, at, value)));
    let mut ends: Vec<_> = ends.map(|(line, at, value)| (line, ruler.x(at), ruler.y(value))).collect();
    ends.sort_by_key(|(_, _, y)| *y);
    let mut places =
        spread(&ends.iter().map(|(_, _, y)| *y).collect::<Vec<_>>(), TOP, ruler.bottom()).into_iter();
    html! {
        @for (line, x, y) in ends {
            @let place = places.next().unwrap_or(y);
            path.lead d=(format!("M{} {y}L{} {place}h6", x + 2, edge + 6)) {}
            @let (name, squeezed) = fitting(&line.name, ruler.paper.right - 16);
            text.name x=(edge + 14) y=(place + 5) textLength=[squeezed] lengthAdjust="spacingAndGlyphs" { (name) }
            path class=(format!("line p{}", line.pattern % 8)) d=(format!("M{} {}h{}", edge + 14, place + 9, ruler.paper.right - 22)) {}
        }
    }
}

/// A spot's name as it has room, and the length to which its letters are squeezed for that. The longest are cut; the
/// table below says them whole.
fn fitting(name: &str, room: i32) -> (String, Option<i32>) {
    let letters = i32::try_from(name.chars().count()).unwrap_or(i32::MAX);
    let most = usize::try_from(2 * room / LETTER).unwrap_or(0);
    let cut = if letters > 2 * room / LETTER {
        name.chars().take(most.saturating_sub(1)).chain(['…']).collect()
    } else {
        name.to_owned()
    };
    (cut, (width(name) > room).then_some(room))
}

/// About how wide a name is in the chart's type: one that fits is left as it is, since letters that are drawn apart are
/// harder to read.
fn width(name: &str) -> i32 {
    let letter = |letter: char| match letter {
        'f' | 'i' | 'j' | 'l' | 'r' | 't' | '-' | ' ' | '.' | ',' | '1' => 5,
        'm' | 'w' | 'M' | 'W' => 11,
        letter if letter.is_uppercase() || !letter.is_ascii() => 10,
        _ => 7,
    };
    name.chars().map(letter).sum()
}

/// Ascending places moved apart to [`NAME`], none outside [top, bottom] if they all fit.
fn spread(wanted: &[i32], top: i32, bottom: i32) -> Vec<i32> {
    let mut places = wanted.to_vec();
    let mut least = top;
    for place in &mut places {
        *place = (*place).max(least);
        least = *place + NAME;
    }
    let mut most = bottom;
    for place in places.iter_mut().rev() {
        *place = (*place).min(most);
        most = *place - NAME;
    }
    places
}

/// Words below the time axis.
fn marks(ruler: &Ruler<'_>) -> Markup {
    let bottom = ruler.bottom();
    html! {
        @for (mark, x, row) in &ruler.marks {
            @let y = bottom + TIMES + ROW * row.unwrap_or(0) + 12;
            @if mark.through { path.through d=(format!("M{x} {TOP}V{bottom}")) {} }
            path.tick d=(format!("M{x} {}v7", bottom - 7)) {}
            @if row.is_some() { path.tick d=(format!("M{x} {}V{y}", bottom + TIMES - 4)) {} }
        }
        // Above all lines, each on paper of its own, so that no line goes through a word.
        @for (mark, x, row) in &ruler.marks {
            @if let Some(row) = row { text.word x=(x + 3) y=(bottom + TIMES + ROW * row + 12) { (mark.word) } }
        }
    }
}

/// A path in whole pixels, relative, as short as it can be written.
#[derive(Default)]
struct Pen {
    path: String,
    x: i32,
    y: i32,
}

// === impl Pen ===

impl Pen {
    fn lift(&mut self, x: i32, y: i32) {
        // A stroke of no length, so that a single reading is seen.
        let _ = write!(self.path, "M{x} {y}h0");
        (self.x, self.y) = (x, y);
    }

    fn draw(&mut self, x: i32, y: i32) {
        match (x - self.x, y - self.y) {
            (0, 0) => {}
            (dx, 0) => {
                let _ = write!(self.path, "h{dx}");
            }
            (0, dy) => {
                let _ = write!(self.path, "v{dy}");
            }
            (dx, dy) => {
                let space = if dy < 0 { "" } else { " " };
                let _ = write!(self.path, "l{dx}{space}{dy}");
            }
        }
        (self.x, self.y) = (x, y);
    }
}

// === impl Ruler ===

impl<'a> Ruler<'a> {
    fn new(plot: &'a Plot, paper: Paper) -> Ruler<'a> {
        let points = plot.lines.iter().flat_map(|line| {
            let ends = line.trail.extremes().map(|(low, high)| [low, high]).into_iter().flatten();
            ends.chain(line.circles.iter().map(|(_, value)| *value))
        });
        let (low, high) = points.fold(plot.at_least, |(low, high), value| (low.min(value), high.max(value)));
        let mut ruler = Ruler { marks: Vec::new(), paper, plot, low, high: high.max(low + 1.0) };
        ruler.marks = ruler.placed();
        ruler
    }

    /// The words of the time axis, each in the first row where it has room.
    fn placed(&self) -> Vec<(&'a Mark, i32, Option<i32>)> {
        let mut ends = [i32::MIN; ROWS];
        let mut said: BTreeMap<&str, i32> = BTreeMap::new();
        let mut place = |mark: &'a Mark| {
            let x = self.x(mark.at);
            // Three texts within the hour are one word: the ticks say how many.
            if said.insert(mark.word, x).is_some_and(|before| x - before < 2 * LETTER) {
                return (mark, x, None);
            }
            let width = LETTER * i32::try_from(mark.word.len()).unwrap_or(0);
            let row = ends.iter().position(|end| x >= *end);
            if let Some(end) = row.and_then(|row| ends.get_mut(row)) {
                *end = x + width + LETTER;
            }
            (mark, x, row.and_then(|row| i32::try_from(row).ok()))
        };
        self.plot.marks.iter().map(&mut place).collect()
    }

    /// Height of the paper, no more than its words need.
    fn height(&self) -> i32 {
        let rows = self.marks.iter().filter_map(|(_, _, row)| *row).max().map_or(0, |row| row + 1);
        self.bottom() + TIMES + ROW * rows
    }

    fn bottom(&self) -> i32 {
        if self.plot.low { self.paper.height / 2 } else { self.paper.height }
    }

    fn x(&self, at: At) -> i32 {
        let span = (self.plot.to - self.plot.from).as_hours();
        let part = if span > 0.0 { (at - self.plot.from).as_hours() / span } else { 0.0 };
        self.paper.left + whole(part.clamp(0.0, 1.0) * f64::from(self.across()))
    }

    /// Middle of a column of this drawing.
    fn column(&self, index: usize) -> i32 {
        let columns = COLUMNS.div_ceil(self.paper.joined);
        let doubled =
            i32::try_from((2 * index + 1) * usize::try_from(self.across()).unwrap_or(0)).unwrap_or(0);
        self.paper.left + doubled / i32::try_from(2 * columns).unwrap_or(1)
    }

    /// Values beyond the paper stand at its edge.
    fn y(&self, value: f64) -> i32 {
        let part = (value.clamp(self.low, self.high) - self.low) / (self.high - self.low);
        self.bottom() - whole(part * f64::from(self.bottom() - TOP))
    }

    /// Figures of the value axis with their heights.
    fn figures(&self) -> Vec<(f64, i32)> {
        let values = axis::values(self.low, self.high, self.plot.tick).into_iter();
        values.map(|value| (value, self.y(value))).filter(|(_, y)| self.is_free(*y)).collect()
    }

    /// Whether a figure at this height is not in the way of a limit's.
    fn is_free(&self, y: i32) -> bool {
        self.plot.rules.iter().all(|rule| (self.y(rule.value) - y).abs() >= NAME)
    }

    fn across(&self) -> i32 {
        self.paper.width - self.paper.left - self.paper.right
    }
}

#[expect(clippy::cast_possible_truncation, reason = "a place on a paper of some hundred pixels")]
fn whole(pixels: f64) -> i32 {
    pixels.round() as i32
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn long_names_stay_on_the_paper() {
        assert_eq!(fitting("core", 80), ("core".to_owned(), None));
        for short in ["outer-south", "outer-north", "core-north-1"] {
            assert_eq!(fitting(short, 80), (short.to_owned(), None), "as wide as it is, not drawn apart");
        }
        assert_eq!(fitting("outer-south-wall", 80), ("outer-south-wall".to_owned(), Some(80)));
        assert_eq!(
            fitting("outer-south-beside-the-wall", 80),
            ("outer-south-beside-\u{2026}".to_owned(), Some(80))
        );
    }

    #[test]
    fn names_keep_their_distance_and_stay_on_the_paper() {
        assert_eq!(spread(&[100, 101, 102], 12, 300), [100, 118, 136]);
        assert_eq!(spread(&[290, 295, 300], 12, 300), [264, 282, 300]);
        assert_eq!(spread(&[0, 50, 300], 12, 300), [12, 50, 300]);
    }
}
