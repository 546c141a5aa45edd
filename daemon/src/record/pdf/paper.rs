//! Breaks a document into pages: what stands where, in points from the upper left corner of each page.

use super::Paper;
use super::fonts::{Face, lines, width};
use crate::record::chart::{Anchor, Chart, Op};
use crate::record::document::{Block, Document, Table};

/// What stands on one page.
#[derive(Clone, Debug, Default)]
pub(super) struct Page {
    pub(super) texts: Vec<Text>,
    pub(super) drawn: Vec<Op>,
}

/// A text in one line; `at` is the left end of its foot.
#[derive(Clone, Debug)]
pub(super) struct Text {
    pub(super) at: (f32, f32),
    pub(super) size: f32,
    pub(super) face: Face,
    pub(super) gray: f32,
    pub(super) line: String,
}

struct Layout {
    size: (f32, f32),
    pages: Vec<Page>,
    /// Upper end of what is free on the last page.
    y: f32,
}

const SIDE: f32 = 46.0;
const TOP: f32 = 42.0;
const BOTTOM: f32 = 48.0;
const BODY: f32 = 9.5;
const CELL: f32 = 8.3;
const CELL_GAP: f32 = 6.0;
/// Distance of lines, against the size.
const LEADING: f32 = 1.26;
/// Size of headings and verdicts.
const HEADING: f32 = 11.5;
/// Share of its height to which a chart may be pressed before it begins a new page.
const CHART_LEAST: f32 = 0.5;
/// Between a chart and the words below it.
const CHART_GAP: f32 = 4.0;
/// Room that a heading wants below it, so that it never ends a page.
const COMPANY: f32 = 46.0;

pub(super) fn lay_out(document: &Document, paper: Paper) -> Vec<Page> {
    let mut layout = Layout { size: paper.points(), pages: vec![Page::default()], y: TOP };
    layout.paragraph(&document.title, Face::Bold, 17.0, 0.0);
    layout.y += 4.0;
    let mut blocks = document.blocks.as_slice();
    while let Some((block, rest)) = blocks.split_first() {
        match (block, rest) {
            (Block::Heading(_), [Block::Chart(chart), then @ ..]) => {
                layout.make_room(chart.height() * CHART_LEAST + HEADING * 3.0 + layout.caption(then));
            }
            (Block::Chart(chart), then) => layout.chart(chart, layout.caption(then)),
            _ => {}
        }
        layout.block(block);
        blocks = rest;
    }
    layout.feet(&document.foot);
    layout.pages
}

// === impl Layout ===

impl Layout {
    fn block(&mut self, block: &Block) {
        match block {
            Block::Heading(text) => {
                self.y += 7.0;
                self.make_room(HEADING * LEADING + COMPANY);
                self.paragraph(text, Face::Bold, HEADING, 0.0);
                self.y += 2.0;
            }
            Block::Verdict(text) => {
                self.y += 3.0;
                self.paragraph(text, Face::Bold, HEADING, 0.0);
            }
            Block::Text(text) => {
                self.paragraph(text, Face::Regular, BODY, 0.0);
                self.y += 3.0;
            }
            Block::Aside(text) => {
                self.paragraph(text, Face::Regular, CELL, 0.0);
                self.y += 3.0;
            }
            Block::List(lines) => {
                for line in lines {
                    self.make_room(BODY * LEADING);
                    let y = self.y + BODY;
                    self.put((SIDE + 1.0, y), BODY, Face::Regular, 0.0, "\u{2022}".to_owned());
                    self.paragraph(line, Face::Regular, BODY, 10.0);
                }
                self.y += 3.0;
            }
            Block::Facts(facts) => self.facts(facts),
            Block::Table(table) => self.table(table),
            // With the words below it: see `lay_out`.
            Block::Chart(_) => {}
            Block::Sign(words) => self.sign(words),
        }
    }

    /// Pressed as far as it may be, so that the caption below it stays on its page.
    fn chart(&mut self, chart: &Chart, caption: f32) {
        let full = chart.height();
        self.make_room(full * CHART_LEAST + caption);
        let height = full.min(self.size.1 - BOTTOM - self.y - caption);
        let (left, top) = (SIDE, self.y);
        let ops = chart.ops(self.room(), height);
        self.page().drawn.extend(ops.into_iter().map(|op| moved(op, left, top)));
        self.y += height + CHART_GAP;
    }

    /// Height of the caption with which these blocks begin, and of what parts it from its chart.
    #[expect(clippy::cast_precision_loss, reason = "lines of a caption")]
    fn caption(&self, then: &[Block]) -> f32 {
        let Some(Block::Aside(text)) = then.first() else { return CHART_GAP };
        CHART_GAP + lines(text, Face::Regular, CELL, self.room()).len() as f32 * CELL * LEADING
    }

    fn room(&self) -> f32 {
        self.size.0 - 2.0 * SIDE
    }

    fn page(&mut self) -> &mut Page {
        if self.pages.is_empty() {
            self.pages.push(Page::default());
        }
        let last = self.pages.len() - 1;
        &mut self.pages[last]
    }

    /// Begins a new page where the height does not fit on this one. True if it did.
    fn make_room(&mut self, height: f32) -> bool {
        let full = self.y + height > self.size.1 - BOTTOM && self.y > TOP;
        if full {
            self.pages.push(Page::default());
            self.y = TOP;
        }
        full
    }

    fn put(&mut self, at: (f32, f32), size: f32, face: Face, gray: f32, text: String) {
        self.page().texts.push(Text { at, size, face, gray, line: text });
    }

    fn paragraph(&mut self, text: &str, face: Face, size: f32, indent: f32) {
        for line in lines(text, face, size, self.room() - indent) {
            self.make_room(size * LEADING);
            let y = self.y + size;
            self.put((SIDE + indent, y), size, face, 0.0, line);
            self.y += size * LEADING;
        }
    }

    /// Names and values, in two columns.
    fn facts(&mut self, facts: &[(String, String)]) {
        self.y += 6.0;
        let names = facts.iter().map(|(name, _)| width(name, Face::Bold, BODY)).fold(0.0, f32::max) + 10.0;
        let half = self.room() / 2.0;
        let (left, right) = facts.split_at(facts.len().div_ceil(2));
        for (index, one) in left.iter().enumerate() {
            let pair = [Some(one), right.get(index)];
            let said = pair.map(|fact| {
                fact.map_or(Vec::new(), |(_, value)| {
                    lines(value, Face::Regular, BODY, half - names - CELL_GAP)
                })
            });
            self.make_room(tallest(&said) * BODY * LEADING);
            for ((fact, said), x) in pair.iter().zip(&said).zip([SIDE, SIDE + half]) {
                let mut y = self.y + BODY;
                if let Some((name, _)) = fact {
                    self.put((x, y), BODY, Face::Bold, 0.0, name.clone());
                }
                for line in said {
                    self.put((x + names, y), BODY, Face::Regular, 0.0, line.clone());
                    y += BODY * LEADING;
                }
            }
            self.y += tallest(&said) * BODY * LEADING;
        }
    }

    fn table(&mut self, table: &Table) {
        let shares: f32 = table.columns.iter().map(|column| column.share).sum();
        let widths: Vec<f32> =
            table.columns.iter().map(|column| self.room() * column.share / shares).collect();
        self.make_room(COMPANY);
        self.head(table, &widths);
        for row in &table.rows {
            let cells: Vec<Vec<String>> = row
                .cells
                .iter()
                .zip(&widths)
                .map(|(cell, width)| lines(cell, Face::Regular, CELL, width - CELL_GAP))
                .collect();
            let height = tallest(&cells) * CELL * LEADING + 2.5;
            if self.make_room(height) {
                self.head(table, &widths);
            }
            self.cells(table, &widths, &cells, Face::Regular, row.is_gone);
            self.rule(0.25, 0.7);
        }
        self.y += 5.0;
    }

    fn head(&mut self, table: &Table, widths: &[f32]) {
        let titles: Vec<Vec<String>> = table
            .columns
            .iter()
            .zip(widths)
            .map(|(column, width)| lines(&column.title, Face::Bold, CELL, width - CELL_GAP))
            .collect();
        self.cells(table, widths, &titles, Face::Bold, false);
        self.rule(0.6, 0.0);
    }

    fn cells(&mut self, table: &Table, widths: &[f32], cells: &[Vec<String>], face: Face, is_gone: bool) {
        let gray = if is_gone { 0.4 } else { 0.0 };
        let mut left = SIDE;
        for ((column, room), cell) in table.columns.iter().zip(widths).zip(cells) {
            let mut y = self.y + CELL;
            for line in cell {
                let length = width(line, face, CELL);
                let x = if column.is_number { left + room - CELL_GAP - length } else { left };
                if is_gone && !line.is_empty() {
                    let strike = y - CELL * 0.28;
                    let (from, to) = ((x, strike), (x + length, strike));
                    self.page().drawn.push(Op::Line { from, to, thick: 0.4, gray, dashed: false });
                }
                self.put((x, y), CELL, face, gray, line.clone());
                y += CELL * LEADING;
            }
            left += room;
        }
        self.y += tallest(cells) * CELL * LEADING + 0.5;
    }

    fn rule(&mut self, thick: f32, gray: f32) {
        let (from, to) = ((SIDE, self.y), (self.size.0 - SIDE, self.y));
        self.page().drawn.push(Op::Line { from, to, thick, gray, dashed: false });
        self.y += 2.0;
    }

    /// Lines side by side, with their words below.
    #[expect(clippy::cast_precision_loss, reason = "a handful of lines")]
    fn sign(&mut self, words: &[String]) {
        self.make_room(48.0);
        let each = self.room() / words.len().max(1) as f32;
        let y = self.y + 32.0;
        for (index, text) in words.iter().enumerate() {
            let left = SIDE + each * index as f32;
            let (from, to) = ((left, y), (left + each - 14.0, y));
            self.page().drawn.push(Op::Line { from, to, thick: 0.6, gray: 0.0, dashed: false });
            self.put((left, y + CELL + 2.0), CELL, Face::Regular, 0.0, text.clone());
        }
        self.y = y + CELL * LEADING + 8.0;
    }

    fn feet(&mut self, foot: &str) {
        let count = self.pages.len();
        let (width_all, height) = self.size;
        for (index, page) in self.pages.iter_mut().enumerate() {
            let y = height - BOTTOM + 22.0;
            let number = format!("page {} of {count}", index + 1);
            let x = width_all - SIDE - width(&number, Face::Regular, CELL);
            let text = |at, text| Text { at, size: CELL, face: Face::Regular, gray: 0.25, line: text };
            page.texts.push(text((SIDE, y), foot.to_owned()));
            page.texts.push(text((x, y), number));
        }
    }
}

#[expect(clippy::cast_precision_loss, reason = "lines of a cell")]
fn tallest(cells: &[Vec<String>]) -> f32 {
    cells.iter().map(Vec::len).max().unwrap_or(1) as f32
}

/// An op of a chart whose upper left corner is at (x, y).
fn moved(op: Op, x: f32, y: f32) -> Op {
    let by = |(px, py): (f32, f32)| (px + x, py + y);
    match op {
        Op::Line { from, to, thick, gray, dashed } => {
            Op::Line { from: by(from), to: by(to), thick, gray, dashed }
        }
        Op::Trail { points, thick } => Op::Trail { points: points.into_iter().map(by).collect(), thick },
        Op::Fill { corners, gray } => {
            let [left, top, right, bottom] = corners;
            Op::Fill { corners: [left + x, top + y, right + x, bottom + y], gray }
        }
        Op::Ring { at, radius } => Op::Ring { at: by(at), radius },
        Op::Text { at, size, anchor, text } => {
            let shift = match anchor {
                Anchor::Start => 0.0,
                Anchor::Middle => width(&text, Face::Regular, size) / 2.0,
                Anchor::End => width(&text, Face::Regular, size),
            };
            let (px, py) = by(at);
            Op::Text { at: (px - shift, py), size, anchor: Anchor::Start, text }
        }
    }
}
