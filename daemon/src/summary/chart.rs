//! The small chart of a pile: a line for each spot over the last days, the band in which time counts, gaps as gaps.
//!
//! Drawn at twice the size at which a phone shows it. Names stand beside the picture in the mail, where a reader can
//! enlarge them; the picture bears figures only.

use chrono::Datelike;
use heapward_rules::units::{At, Celsius, Span};

use super::raster::{Colour, Point, Raster, text_width};
use crate::config::DisplayUnit;
use crate::model::time::{local, local_day};

/// A line of the chart.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Series {
    pub name: String,
    /// In order of time, °C.
    pub points: Vec<(At, f64)>,
}

/// What the chart shows.
#[derive(Clone, Copy, Debug)]
pub struct Frame {
    pub from: At,
    pub to: At,
    pub zone: chrono_tz::Tz,
    pub shows: DisplayUnit,
    /// The line breaks where neighbours are further apart.
    pub gap: Span,
}

pub const WIDTH: usize = 720;
pub const HEIGHT: usize = 340;

const LEFT: f64 = 92.0;
const RIGHT: f64 = 708.0;
const TOP: f64 = 12.0;
const BOTTOM: f64 = 296.0;
const LABEL: f64 = 20.0;

/// Colours that also people with a colour-vision deficiency tell apart (Okabe and Ito, 2008).
const COLOURS: [Colour; 7] = [
    [0x00, 0x72, 0xb2],
    [0xd5, 0x5e, 0x00],
    [0x00, 0x9e, 0x73],
    [0xcc, 0x79, 0xa7],
    [0xe6, 0x9f, 0x00],
    [0x56, 0xb4, 0xe9],
    [0x33, 0x33, 0x33],
];
const WHITE: Colour = [0xff, 0xff, 0xff];
const BAND: Colour = [0xe6, 0xf2, 0xe2];
const GRID: Colour = [0xd8, 0xd8, 0xd8];
const LIMIT: Colour = [0x4a, 0x7a, 0x3c];
const INK: Colour = [0x30, 0x30, 0x30];

/// Ends of the band, °C: 131 and 170 F.
const BAND_C: (f64, f64) = (55.0, 690.0 / 9.0);

/// The colour of the n-th line, as `#rrggbb` for the legend.
pub fn colour_word(index: usize) -> String {
    let [r, g, b] = colour(index);
    format!("#{r:02x}{g:02x}{b:02x}")
}

/// The picture as PNG.
pub fn png(series: &[Series], frame: Frame) -> Vec<u8> {
    let mut raster = Raster::new(WIDTH, HEIGHT, WHITE);
    let scale = Scale::of(series, frame);
    raster.fill((LEFT, scale.y(BAND_C.1)), (RIGHT, scale.y(BAND_C.0)), BAND);
    days(&mut raster, &scale, frame);
    levels(&mut raster, &scale, frame.shows);
    for (index, one) in series.iter().enumerate() {
        for piece in pieces(&one.points, frame) {
            let line: Vec<Point> = piece.iter().map(|(at, c)| (scale.x(*at), scale.y(*c))).collect();
            raster.line(&line, 3.0, colour(index));
        }
    }
    raster.png()
}

fn colour(index: usize) -> Colour {
    COLOURS.get(index % COLOURS.len()).copied().unwrap_or(INK)
}

struct Scale {
    from: At,
    to: At,
    low_c: f64,
    high_c: f64,
}

// === impl Scale ===

impl Scale {
    /// Room for the band at least, and for every point.
    fn of(series: &[Series], frame: Frame) -> Scale {
        let shown = series
            .iter()
            .flat_map(|one| &one.points)
            .filter(|(at, c)| c.is_finite() && (frame.from..=frame.to).contains(at));
        let (low, high) = shown.fold((10.0_f64, 80.0_f64), |(low, high), (_, c)| (low.min(*c), high.max(*c)));
        Scale {
            from: frame.from,
            to: frame.to.max(frame.from + Span(1)),
            low_c: low - 2.0,
            high_c: high + 2.0,
        }
    }

    #[expect(clippy::cast_precision_loss, reason = "spans of a chart are far below 2^52 ms")]
    fn x(&self, at: At) -> f64 {
        LEFT + (RIGHT - LEFT) * (at - self.from).0 as f64 / (self.to - self.from).0 as f64
    }

    fn y(&self, c: f64) -> f64 {
        BOTTOM - (BOTTOM - TOP) * (c - self.low_c) / (self.high_c - self.low_c)
    }
}

/// A line at each local midnight, and the day of the month in the middle of its day.
fn days(raster: &mut Raster, scale: &Scale, frame: Frame) {
    let mut at = frame.from;
    while at < frame.to {
        let (day, next) = local_day(at, frame.zone);
        if day > frame.from {
            raster.line(&[(scale.x(day), TOP), (scale.x(day), BOTTOM)], 1.0, GRID);
        }
        let label = local(at, frame.zone).day().to_string();
        let (left, right) = (scale.x(day.max(frame.from)), scale.x(next.min(frame.to)));
        let width = text_width(&label, LABEL);
        if right - left >= width + 8.0 {
            raster.text(((left + right - width) / 2.0, BOTTOM + 12.0), LABEL, &label, INK);
        }
        if next <= at {
            break;
        }
        at = next;
    }
}

fn levels(raster: &mut Raster, scale: &Scale, shows: DisplayUnit) {
    let (plain, unit): (&[f64], &str) = match shows {
        DisplayUnit::Fahrenheit => (&[50.0, 100.0], "F"),
        DisplayUnit::Celsius => (&[20.0, 40.0], "C"),
    };
    let to_c = |value: f64| match shows {
        DisplayUnit::Fahrenheit => Celsius::from_f(value).0,
        DisplayUnit::Celsius => value,
    };
    for value in plain {
        level(raster, scale.y(to_c(*value)), &format!("{value:.0}"), 1.0, GRID);
    }
    let limits = match shows {
        DisplayUnit::Fahrenheit => [(BAND_C.0, format!("131{unit}")), (BAND_C.1, format!("170{unit}"))],
        DisplayUnit::Celsius => [(BAND_C.0, format!("55{unit}")), (BAND_C.1, format!("77{unit}"))],
    };
    for (c, label) in limits {
        level(raster, scale.y(c), &label, 2.0, LIMIT);
    }
}

fn level(raster: &mut Raster, y: f64, label: &str, thickness: f64, colour: Colour) {
    raster.line(&[(LEFT, y), (RIGHT, y)], thickness, colour);
    let width = text_width(label, LABEL);
    raster.text((LEFT - 8.0 - width, y - LABEL / 2.0), LABEL, label, INK);
}

/// The points inside the frame, in pieces without a gap.
fn pieces(points: &[(At, f64)], frame: Frame) -> Vec<Vec<(At, f64)>> {
    let mut pieces: Vec<Vec<(At, f64)>> = Vec::new();
    let shown = points.iter().filter(|(at, c)| c.is_finite() && (frame.from..=frame.to).contains(at));
    for point in shown {
        match pieces.last_mut() {
            Some(piece) if piece.last().is_some_and(|last| point.0 - last.0 <= frame.gap) => {
                piece.push(*point);
            }
            _ => pieces.push(vec![*point]),
        }
    }
    pieces
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::telling::fixture::{ZONE, at};

    fn frame(from: &str, to: &str) -> Frame {
        Frame { from: at(from), to: at(to), zone: ZONE, shows: DisplayUnit::Fahrenheit, gap: Span::hours(4) }
    }

    #[test]
    fn a_gap_is_a_gap() {
        let points = [
            ("12 00:00", 50.0),
            ("12 03:00", 51.0),
            ("12 08:00", 52.0),
            ("12 09:00", f64::NAN),
            ("12 10:00", 53.0),
        ];
        let points: Vec<(At, f64)> = points.iter().map(|(when, c)| (at(when), *c)).collect();
        let lengths: Vec<usize> =
            pieces(&points, frame("12 00:00", "13 00:00")).iter().map(Vec::len).collect();
        assert_eq!(lengths, [2, 2]);
        assert_eq!(pieces(&points, frame("12 02:00", "12 09:00")).len(), 2);
    }

    #[test]
    fn odd_frames_and_values_do_no_harm() {
        let series =
            [Series { name: "a".to_owned(), points: vec![(At::MIN, 1.0), (At::MAX, f64::INFINITY)] }];
        for frame in
            [frame("12 00:00", "12 00:00"), frame("13 00:00", "12 00:00"), frame("1 00:00", "31 00:00")]
        {
            let png = png(&series, frame);
            assert!(png.len() < 60_000, "{}", png.len());
        }
    }
}
