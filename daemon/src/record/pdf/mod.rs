//! The document as PDF, A4 or Letter, in the Times that every reader of PDF has (none is embedded).
//!
//! `fonts` measures texts, `paper` breaks lines and pages, `write` makes the file. Letters outside of Western European
//! are printed as `?`: the page and the HTML show them as they are.

pub mod fonts;
mod paper;
mod write;

use super::document::Document;

/// Size of the paper in points.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Paper {
    A4,
    Letter,
}

/// Writes a document; the same one gives the same bytes.
pub fn pdf(document: &Document, paper: Paper) -> Vec<u8> {
    write::file(document, &paper::lay_out(document, paper), paper)
}

// === impl Paper ===

impl Paper {
    /// Width and height.
    fn points(self) -> (f32, f32) {
        match self {
            Paper::A4 => (595.276, 841.89),
            Paper::Letter => (612.0, 792.0),
        }
    }

    pub fn parse(word: &str) -> Option<Paper> {
        match word {
            "a4" => Some(Paper::A4),
            "letter" => Some(Paper::Letter),
            _ => None,
        }
    }
}
