//! The folder of a record: the document three times over, and everything that its verdicts follow from.
//!
//! | file | what |
//! | --- | --- |
//! | `record.html`, `record-a4.pdf`, `record-letter.pdf` | the document |
//! | `pile.toml`, `readings.csv`, `log.csv` | what `heapward judge` reads, and anybody else can |
//! | `verdict.json` | what it answers |
//! | `hours.csv` | lowest, mean and highest counting reading of each spot and hour |
//! | `entries.jsonl` | the log with its chain, corrected entries too |
//! | `sealed/`, `HEAD`, `SHA256SUMS`, `verify.sh` | what it is checked by (`sealed/mod.rs`) |

mod pile_toml;
pub(super) mod tables;

use std::fs::{self, File};
use std::io::{self, BufWriter, Write};
use std::path::Path;

use super::facts::Facts;
use super::pdf::{Paper, pdf};
use super::{compose, html, sealed};
use crate::exchange::judgement_json::JudgementJson;
use crate::store::{Reader, StoreError};

pub use pile_toml::text as pile_toml;

/// Why a folder could not be written.
#[derive(Debug, thiserror::Error)]
pub enum FolderProblem {
    #[error("{folder} is not empty; name a new folder, so that nothing old is mixed in")]
    NotEmpty { folder: String },
    #[error("{file} can't be written: {error}")]
    Write { file: String, error: io::Error },
    #[error(transparent)]
    Store(#[from] StoreError),
}

/// Writes the record of a pile into a new or empty folder.
pub fn write(facts: &Facts, reader: &Reader, folder: &Path) -> Result<(), FolderProblem> {
    let refused = |error| FolderProblem::Write { file: folder.display().to_string(), error };
    fs::create_dir_all(folder).map_err(refused)?;
    if fs::read_dir(folder).map_err(refused)?.next().is_some() {
        return Err(FolderProblem::NotEmpty { folder: folder.display().to_string() });
    }
    let document = compose::document(facts);
    put(folder, "record.html", html::page(&document).as_bytes())?;
    put(folder, "record-a4.pdf", &pdf(&document, Paper::A4))?;
    put(folder, "record-letter.pdf", &pdf(&document, Paper::Letter))?;
    put(folder, "pile.toml", pile_toml(&facts.pile).as_bytes())?;
    let verdict = JudgementJson::new(&facts.pile.id, &facts.judgement);
    let verdict = serde_json::to_string_pretty(&verdict).unwrap_or_default() + "\n";
    put(folder, "verdict.json", verdict.as_bytes())?;
    put(folder, "log.csv", tables::log(&facts.entries).as_bytes())?;
    put(folder, "entries.jsonl", tables::entries(&facts.entries).as_bytes())?;
    put(folder, "hours.csv", tables::hours(facts).as_bytes())?;
    stream(folder, "readings.csv", |out| tables::readings(facts, reader, out))?;
    sealed::write(facts, reader, folder)
}

/// Writes every reading of the store, of whatever probe, in place of what is in the folder.
pub fn write_series(reader: &Reader, folder: &Path) -> Result<(), FolderProblem> {
    for (name, temperatures) in [("temperatures.csv", true), ("others.csv", false)] {
        let new = format!("{name}.new");
        stream(folder, &new, |out| tables::series(reader, temperatures, out))?;
        let file = folder.join(name);
        fs::rename(folder.join(new), &file)
            .map_err(|error| FolderProblem::Write { file: file.display().to_string(), error })?;
    }
    Ok(())
}

pub(super) fn put(folder: &Path, name: &str, bytes: &[u8]) -> Result<(), FolderProblem> {
    let file = folder.join(name);
    fs::write(&file, bytes).map_err(|error| FolderProblem::Write { file: file.display().to_string(), error })
}

/// What can be long is written as it is read.
fn stream(
    folder: &Path,
    name: &str,
    write: impl FnOnce(&mut dyn Write) -> Result<(), tables::Problem>,
) -> Result<(), FolderProblem> {
    let file = folder.join(name);
    let refused = |error| FolderProblem::Write { file: file.display().to_string(), error };
    let mut out = BufWriter::new(File::create(&file).map_err(refused)?);
    match write(&mut out) {
        Ok(()) => out.flush().map_err(refused),
        Err(tables::Problem::Write(error)) => Err(refused(error)),
        Err(tables::Problem::Store(error)) => Err(FolderProblem::Store(error)),
    }
}
