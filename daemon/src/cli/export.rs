//! `heapward export`: everything as tables and documents, readable without Heapward.

use std::fs;
use std::path::{Path, PathBuf};

use super::copy::Copy;
use super::{ConfigArg, Failure, Outcome, print, standards_of};
use crate::record::facts::Surroundings;
use crate::record::files::{self, FolderProblem};
use crate::store::StoreError;

#[derive(Clone, Debug, clap::Args)]
pub struct ExportArgs {
    /// A folder, on a stick or a share; what an earlier export wrote there is replaced
    #[arg(long, value_name = "DIR")]
    out: PathBuf,
    #[command(flatten)]
    config: ConfigArg,
    /// A store or a backup of one, in place of the configured one
    #[arg(long, value_name = "DIR")]
    store: Option<PathBuf>,
}

/// Works on a copy of the store: the daemon may go on writing.
pub fn run(args: &ExportArgs) -> Outcome {
    let config = args.config.load()?;
    let standards = standards_of(config.standards_dir.as_deref())?;
    let dir = args.store.as_deref().unwrap_or(&config.store.dir);
    let (_copy, store) = Copy::open(dir, config.farm.timezone, "export")?;
    let reader = store.reader();
    let surroundings = Surroundings::of(&config, &standards);
    let piles = reader.piles().map_err(|error| said(&error))?;
    let folder = args.out.join("piles");
    fs::create_dir_all(&folder).map_err(|error| unwritten(&folder, &error))?;
    for pile in &piles {
        if let Some(facts) = surroundings.gather(&reader, &pile.id).map_err(|error| said(&error))? {
            replace(&folder, &pile.id, |new| files::write(&facts, &reader, new))?;
        }
    }
    files::write_series(&reader, &args.out).map_err(|problem| Failure::failed(problem.to_string()))?;
    let count = if piles.len() == 1 { "1 pile".to_owned() } else { format!("{} piles", piles.len()) };
    print(&format!(
        "{count} with their records, and all readings, are in {}. Nothing of Heapward is needed to read them.\n",
        args.out.display()
    ))
}

/// Writes a folder beside the old one, then puts it in its place: a stick that is pulled out has one of them whole.
fn replace(
    folder: &Path,
    name: &str,
    write: impl FnOnce(&Path) -> Result<(), FolderProblem>,
) -> Result<(), Failure> {
    let (new, old) = (folder.join(format!("{name}.new")), folder.join(name));
    let refused = |error: std::io::Error| unwritten(&old, &error);
    if new.exists() {
        fs::remove_dir_all(&new).map_err(refused)?;
    }
    write(&new).map_err(|problem| Failure::failed(problem.to_string()))?;
    if old.exists() {
        fs::remove_dir_all(&old).map_err(refused)?;
    }
    fs::rename(&new, &old).map_err(refused)
}

fn said(error: &StoreError) -> Failure {
    Failure::failed(error.to_string())
}

fn unwritten(path: &Path, error: &std::io::Error) -> Failure {
    Failure::failed(format!("{} can't be written: {error}", path.display()))
}
