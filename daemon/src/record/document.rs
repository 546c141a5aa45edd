//! The document before it is written down: headings, sentences, tables, one chart, lines to sign.

use super::chart::Chart;

/// A document, the same on paper and on a page.
#[derive(Clone, Debug, Default)]
pub struct Document {
    pub title: String,
    /// Who keeps it and what it is about, in one line: the foot of each page.
    pub foot: String,
    pub blocks: Vec<Block>,
}

#[derive(Clone, Debug)]
pub enum Block {
    Heading(String),
    /// The sentence that somebody reads who reads nothing else.
    Verdict(String),
    Text(String),
    /// Smaller: a remark.
    Aside(String),
    List(Vec<String>),
    /// Names and values.
    Facts(Vec<(String, String)>),
    Table(Table),
    Chart(Box<Chart>),
    /// Lines for a pen, each under its words.
    Sign(Vec<String>),
}

#[derive(Clone, Debug, Default, PartialEq)]
pub struct Table {
    pub columns: Vec<Column>,
    pub rows: Vec<Row>,
}

#[derive(Clone, Debug, PartialEq)]
pub struct Column {
    pub title: String,
    /// Share of the width, against those of the other columns.
    pub share: f32,
    pub is_number: bool,
}

#[derive(Clone, Debug, Default, PartialEq)]
pub struct Row {
    pub cells: Vec<String>,
    /// It was corrected or withdrawn: it stays, struck through.
    pub is_gone: bool,
}

// === impl Document ===

impl Document {
    pub fn heading(&mut self, text: impl Into<String>) {
        self.blocks.push(Block::Heading(text.into()));
    }

    pub fn text(&mut self, text: impl Into<String>) {
        self.blocks.push(Block::Text(text.into()));
    }

    pub fn aside(&mut self, text: impl Into<String>) {
        self.blocks.push(Block::Aside(text.into()));
    }

    pub fn list(&mut self, lines: Vec<String>) {
        if !lines.is_empty() {
            self.blocks.push(Block::List(lines));
        }
    }

    /// A table, or a sentence where it would have no row.
    pub fn table(&mut self, table: Table, otherwise: &str) {
        if table.rows.is_empty() {
            self.text(otherwise);
        } else {
            self.blocks.push(Block::Table(table));
        }
    }
}

// === impl Table ===

impl Table {
    /// Columns as `(title, share, is it a number)`.
    pub fn of(columns: &[(&str, f32, bool)]) -> Table {
        let column = |(title, share, is_number): &(&str, f32, bool)| Column {
            title: (*title).to_owned(),
            share: *share,
            is_number: *is_number,
        };
        Table { columns: columns.iter().map(column).collect(), rows: Vec::new() }
    }

    pub fn row<const N: usize>(&mut self, cells: [String; N]) {
        self.rows.push(Row { cells: cells.into(), is_gone: false });
    }
}
