//! The chart of a pile, drawn on the server as with pen and ruler.
//!
//! `gather` reads what is to be drawn, `axis` rules the paper, `draw` makes SVG of it: twice, for a phone's width and
//! for a wider one, so that the letters are never scaled down; the style sheet shows one.

mod axis;
mod draw;
pub(super) mod gather;
mod trail;

use heapward_rules::units::At;

pub(super) use axis::round_tick;
pub(super) use draw::figure;
use trail::Trail;

/// A chart before it is drawn. Values are in the unit that is shown.
#[derive(Clone, Debug)]
pub(super) struct Plot {
    pub(super) from: At,
    pub(super) to: At,
    /// What is drawn, for the caption.
    pub(super) caption: String,
    pub(super) unit: &'static str,
    pub(super) lines: Vec<Line>,
    /// The limits of the standards, ruled over the whole width.
    pub(super) rules: Vec<Rule>,
    /// What happened, on the time axis.
    pub(super) marks: Vec<Mark>,
    /// Least stretch of the value axis.
    pub(super) at_least: (f64, f64),
    /// Distance of the figures on the value axis.
    pub(super) tick: f64,
    /// Half as high: for what stands beside the temperatures.
    pub(super) low: bool,
}

/// The readings of one spot.
#[derive(Clone, Debug)]
pub(super) struct Line {
    pub(super) name: String,
    /// Number of the stroke pattern: the spot's place in the pile.
    pub(super) pattern: usize,
    pub(super) trail: Trail,
    /// Readings that do not count.
    pub(super) crosses: Vec<(At, f64)>,
    /// Readings by hand that count.
    pub(super) circles: Vec<(At, f64)>,
}

#[derive(Clone, Debug, PartialEq)]
pub(super) struct Rule {
    pub(super) value: f64,
    pub(super) label: String,
}

#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Mark {
    pub(super) at: At,
    pub(super) word: &'static str,
    /// A new beginning for the hours: ruled through the whole chart.
    pub(super) through: bool,
}

// === impl Line ===

impl Line {
    /// Lowest and highest reading that counts.
    pub(super) fn extremes(&self) -> Option<(f64, f64)> {
        self.trail.extremes()
    }

    /// Whether there is nothing to draw.
    pub(super) fn is_empty(&self) -> bool {
        self.trail.newest().is_none() && self.crosses.is_empty() && self.circles.is_empty()
    }
}
