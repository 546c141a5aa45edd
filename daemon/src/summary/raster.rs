//! A picture of RGB pixels with smooth lines and single-stroke figures: all that a small chart needs.

pub(super) type Colour = [u8; 3];

/// A point in pixels from the upper left corner.
pub(super) type Point = (f64, f64);

pub(super) struct Raster {
    width: usize,
    height: usize,
    rgb: Vec<u8>,
}

/// Height of a figure in units of its own grid; the width is 4, the advance 6.
const GLYPH_HEIGHT: f64 = 6.0;
const GLYPH_ADVANCE: f64 = 6.0;
const GLYPH_WIDTH: f64 = 4.0;

type Strokes = &'static [&'static [(f64, f64)]];

/// Strokes of a character on a grid 4 wide and 6 high, from the upper left. What isn't here draws nothing.
const FIGURES: [(char, Strokes); 13] = [
    (
        '0',
        &[&[
            (1.2, 0.0),
            (2.8, 0.0),
            (4.0, 1.4),
            (4.0, 4.6),
            (2.8, 6.0),
            (1.2, 6.0),
            (0.0, 4.6),
            (0.0, 1.4),
            (1.2, 0.0),
        ]],
    ),
    ('1', &[&[(0.8, 1.4), (2.4, 0.0), (2.4, 6.0)]]),
    ('2', &[&[(0.0, 1.3), (1.1, 0.0), (2.9, 0.0), (4.0, 1.3), (4.0, 2.2), (0.0, 6.0), (4.0, 6.0)]]),
    (
        '3',
        &[&[
            (0.0, 1.0),
            (1.1, 0.0),
            (2.9, 0.0),
            (3.9, 1.0),
            (3.9, 1.9),
            (2.8, 2.8),
            (1.6, 2.8),
            (2.8, 2.8),
            (4.0, 3.8),
            (4.0, 4.8),
            (2.9, 6.0),
            (1.1, 6.0),
            (0.0, 4.9),
        ]],
    ),
    ('4', &[&[(3.1, 6.0), (3.1, 0.0), (0.0, 4.2), (4.0, 4.2)]]),
    (
        '5',
        &[&[
            (3.7, 0.0),
            (0.5, 0.0),
            (0.2, 2.8),
            (1.3, 2.3),
            (2.8, 2.3),
            (4.0, 3.5),
            (4.0, 4.7),
            (2.8, 6.0),
            (1.1, 6.0),
            (0.0, 5.0),
        ]],
    ),
    (
        '6',
        &[&[
            (3.7, 0.7),
            (2.8, 0.0),
            (1.4, 0.0),
            (0.0, 1.6),
            (0.0, 4.7),
            (1.2, 6.0),
            (2.8, 6.0),
            (4.0, 4.7),
            (4.0, 3.7),
            (2.8, 2.5),
            (1.2, 2.5),
            (0.0, 3.7),
        ]],
    ),
    ('7', &[&[(0.0, 0.0), (4.0, 0.0), (1.4, 6.0)]]),
    (
        '8',
        &[&[
            (1.2, 2.8),
            (0.2, 1.9),
            (0.2, 1.0),
            (1.2, 0.0),
            (2.8, 0.0),
            (3.8, 1.0),
            (3.8, 1.9),
            (2.8, 2.8),
            (1.2, 2.8),
            (0.0, 3.9),
            (0.0, 4.9),
            (1.2, 6.0),
            (2.8, 6.0),
            (4.0, 4.9),
            (4.0, 3.9),
            (2.8, 2.8),
        ]],
    ),
    (
        '9',
        &[&[
            (4.0, 2.3),
            (2.8, 3.5),
            (1.2, 3.5),
            (0.0, 2.3),
            (0.0, 1.3),
            (1.2, 0.0),
            (2.8, 0.0),
            (4.0, 1.3),
            (4.0, 4.4),
            (2.6, 6.0),
            (1.2, 6.0),
            (0.3, 5.3),
        ]],
    ),
    ('-', &[&[(0.6, 3.2), (3.4, 3.2)]]),
    ('F', &[&[(4.0, 0.0), (0.3, 0.0), (0.3, 6.0)], &[(0.3, 2.8), (3.4, 2.8)]]),
    (
        'C',
        &[&[(4.0, 1.2), (2.9, 0.0), (1.3, 0.0), (0.0, 1.5), (0.0, 4.5), (1.3, 6.0), (2.9, 6.0), (4.0, 4.8)]],
    ),
];

// === impl Raster ===

impl Raster {
    pub(super) fn new(width: usize, height: usize, background: Colour) -> Raster {
        let rgb = background.iter().copied().cycle().take(width * height * 3).collect();
        Raster { width, height, rgb }
    }

    pub(super) fn png(&self) -> Vec<u8> {
        let side = |pixels: usize| u32::try_from(pixels).unwrap_or(u32::MAX);
        super::png::encode(side(self.width), side(self.height), &self.rgb)
    }

    /// A filled rectangle between two corners, to the nearest pixel.
    pub(super) fn fill(&mut self, from: Point, to: Point, colour: Colour) {
        for y in pixels(from.1, to.1, self.height) {
            for x in pixels(from.0, to.0, self.width) {
                self.blend(x, y, colour, 1.0);
            }
        }
    }

    /// A line through the points with round ends and joints, smooth at its edges.
    pub(super) fn line(&mut self, points: &[Point], thickness: f64, colour: Colour) {
        let reach = thickness / 2.0 + 1.0;
        let segments: Vec<(Point, Point)> = match points {
            [] => return,
            [one] => vec![(*one, *one)],
            many => many.windows(2).filter_map(|w| Some((*w.first()?, *w.last()?))).collect(),
        };
        // The cover of the whole line is gathered first, so that joints are not drawn twice.
        let (x0, x1) = bounds(points.iter().map(|p| p.0), reach);
        let (y0, y1) = bounds(points.iter().map(|p| p.1), reach);
        let (columns, rows) = (pixels(x0, x1, self.width), pixels(y0, y1, self.height));
        let stride = columns.len();
        let mut cover = vec![0.0_f64; stride * rows.len()];
        for (a, b) in segments {
            let (sx0, sx1) = bounds([a.0, b.0].into_iter(), reach);
            let (sy0, sy1) = bounds([a.1, b.1].into_iter(), reach);
            for y in pixels(sy0, sy1, self.height) {
                for x in pixels(sx0, sx1, self.width) {
                    let here = (thickness / 2.0 + 0.5 - distance(centre(x, y), a, b)).clamp(0.0, 1.0);
                    let place = y.checked_sub(rows.start).zip(x.checked_sub(columns.start));
                    let cell = place.and_then(|(row, column)| cover.get_mut(row * stride + column));
                    if let Some(cell) = cell {
                        *cell = cell.max(here);
                    }
                }
            }
        }
        for (row, y) in rows.enumerate() {
            for (column, x) in columns.clone().enumerate() {
                let cover = cover.get(row * stride + column).copied().unwrap_or(0.0);
                self.blend(x, y, colour, cover);
            }
        }
    }

    /// Figures with their upper left corner at a point.
    pub(super) fn text(&mut self, at: Point, height: f64, text: &str, colour: Colour) {
        let scale = height / GLYPH_HEIGHT;
        let mut left = at.0;
        for c in text.chars() {
            let strokes =
                FIGURES.iter().find(|(figure, _)| *figure == c).map_or(&[][..], |(_, strokes)| strokes);
            for stroke in strokes {
                let points: Vec<Point> =
                    stroke.iter().map(|(x, y)| (left + x * scale, at.1 + y * scale)).collect();
                self.line(&points, height / 8.0, colour);
            }
            left += GLYPH_ADVANCE * scale;
        }
    }

    fn blend(&mut self, x: usize, y: usize, colour: Colour, cover: f64) {
        if cover <= 0.0 || x >= self.width || y >= self.height {
            return;
        }
        let start = (y * self.width + x) * 3;
        if let Some(pixel) = self.rgb.get_mut(start..start + 3) {
            for (channel, new) in pixel.iter_mut().zip(colour) {
                let mixed = f64::from(*channel) * (1.0 - cover) + f64::from(new) * cover;
                #[expect(
                    clippy::cast_possible_truncation,
                    clippy::cast_sign_loss,
                    reason = "between 0 and 255"
                )]
                let mixed = mixed.round() as u8;
                *channel = mixed;
            }
        }
    }
}

/// Width of a text of this height.
pub(super) fn text_width(text: &str, height: f64) -> f64 {
    #[expect(clippy::cast_precision_loss, reason = "a label of a few characters")]
    let characters = text.chars().count() as f64;
    (characters * GLYPH_ADVANCE - (GLYPH_ADVANCE - GLYPH_WIDTH)) * height / GLYPH_HEIGHT
}

#[expect(clippy::cast_precision_loss, reason = "pixels of a small picture")]
fn centre(x: usize, y: usize) -> Point {
    (x as f64 + 0.5, y as f64 + 0.5)
}

fn bounds(values: impl Iterator<Item = f64>, reach: f64) -> (f64, f64) {
    let (low, high) = values.fold((f64::MAX, f64::MIN), |(low, high), v| (low.min(v), high.max(v)));
    (low - reach, high + reach)
}

/// The pixels between two coordinates, cut to the picture.
fn pixels(from: f64, to: f64, size: usize) -> std::ops::Range<usize> {
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a cast of f64 saturates")]
    let (from, to) = (from.round().max(0.0) as usize, to.round().max(0.0) as usize);
    from.min(size)..to.min(size)
}

/// Distance of a point from a segment.
fn distance(p: Point, a: Point, b: Point) -> f64 {
    let (dx, dy) = (b.0 - a.0, b.1 - a.1);
    let length = dx * dx + dy * dy;
    let along =
        if length > 0.0 { (((p.0 - a.0) * dx + (p.1 - a.1) * dy) / length).clamp(0.0, 1.0) } else { 0.0 };
    (p.0 - a.0 - along * dx).hypot(p.1 - a.1 - along * dy)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn pixel(raster: &Raster, x: usize, y: usize) -> &[u8] {
        let start = (y * raster.width + x) * 3;
        &raster.rgb[start..start + 3]
    }

    #[test]
    fn a_line_covers_what_it_should_and_nothing_else() {
        let mut raster = Raster::new(40, 20, [255, 255, 255]);
        raster.line(&[(5.0, 10.0), (30.0, 10.0)], 4.0, [0, 0, 0]);
        assert_eq!(pixel(&raster, 15, 9), [0, 0, 0]);
        assert_eq!(pixel(&raster, 15, 11), [0, 0, 0]);
        assert_eq!(pixel(&raster, 15, 3), [255, 255, 255]);
        assert_eq!(pixel(&raster, 38, 10), [255, 255, 255]);
    }

    #[test]
    fn drawing_outside_the_picture_does_no_harm() {
        let mut raster = Raster::new(10, 10, [1, 2, 3]);
        raster.line(&[(-50.0, -20.0), (900.0, 400.0), (f64::NAN, 3.0)], 3.0, [9, 9, 9]);
        raster.fill((-5.0, -5.0), (500.0, 2.0), [7, 7, 7]);
        raster.text((-20.0, 8.0), 12.0, "131 F?", [0, 0, 0]);
        assert_eq!(raster.rgb.len(), 300);
        assert_eq!(pixel(&raster, 4, 1), [7, 7, 7]);
    }
}
