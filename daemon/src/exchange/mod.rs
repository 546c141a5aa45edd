//! Files that go in and out: a pile, its readings and its log as text, and a judgement as JSON (design 5.4, 5.5).

mod csv_text;
pub mod judgement_json;
pub mod log_csv;
pub mod logger_csv;
pub mod pile_toml;
pub mod readings_csv;
mod rows;
mod toml_text;

pub use toml_text::quoted;

/// What is wrong with a file, for the person who wrote it.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{file}:{line}: {what}")]
pub struct FileProblem {
    pub file: String,
    /// From 1; the header is line 1.
    pub line: usize,
    /// What is wrong and what to write instead.
    pub what: String,
}
