//! A copy of a store, so that a command can look at it while the daemon writes.

use std::fs;
use std::os::unix::fs::DirBuilderExt;
use std::path::{Path, PathBuf};

use super::Failure;
use crate::store::{Store, StoreError, StoreOptions};

/// A copy in the temporary directory; it goes when it is dropped.
pub(super) struct Copy(PathBuf);

/// A copy may catch the daemon in the middle of a write; then it can't be opened, and another is made.
const TRIES: usize = 5;

// === impl Copy ===

impl Copy {
    fn of(dir: &Path, purpose: &str) -> Result<Copy, Failure> {
        let wrong = |error: std::io::Error| {
            Failure::failed(format!("{}: the store cannot be copied: {error}", dir.display()))
        };
        let name = format!("heapward-{purpose}-{}", std::process::id());
        let copy = Copy(std::env::temp_dir().join(name));
        // What an earlier command with this number left behind.
        let _ = fs::remove_dir_all(&copy.0);
        fs::DirBuilder::new().mode(0o700).create(&copy.0).map_err(wrong)?;
        let mut files = Vec::new();
        list(dir, Path::new(""), &mut files).map_err(wrong)?;
        // The database last: what moves into it meanwhile is then in both, never in neither.
        files.sort_by_key(|file| file.extension().is_some_and(|ending| ending == "redb"));
        for file in files {
            let to = copy.0.join(&file);
            fs::create_dir_all(to.parent().unwrap_or(&copy.0)).map_err(wrong)?;
            match fs::copy(dir.join(&file), to) {
                // A file that is replaced just now.
                Err(error) if error.kind() == std::io::ErrorKind::NotFound => {}
                other => {
                    other.map_err(wrong)?;
                }
            }
        }
        Ok(copy)
    }

    /// Copies a store and opens the copy.
    pub(super) fn open(dir: &Path, zone: chrono_tz::Tz, purpose: &str) -> Result<(Copy, Store), Failure> {
        let mut last: Option<StoreError> = None;
        for _ in 0..TRIES {
            let copy = Copy::of(dir, purpose)?;
            match Store::open(&StoreOptions::new(&copy.0, zone)) {
                Ok((_, report)) if report.set_aside.is_some() => {}
                Ok((store, _)) => return Ok((copy, store)),
                Err(error) => last = Some(error),
            }
        }
        let why = last.map_or("its copy is damaged".to_owned(), |error| error.to_string());
        Err(Failure::failed(format!("{}: {why}", dir.display())))
    }
}

impl Drop for Copy {
    fn drop(&mut self) {
        // A folder that stays behind in the temporary directory does no harm.
        let _ = fs::remove_dir_all(&self.0);
    }
}

/// All files below a folder, as paths in it. Passes are nobody's business, and older stores are not the store.
fn list(dir: &Path, below: &Path, files: &mut Vec<PathBuf>) -> std::io::Result<()> {
    for entry in fs::read_dir(dir.join(below))? {
        let entry = entry?;
        let path = below.join(entry.file_name());
        if entry.file_type()?.is_file() {
            files.push(path);
        } else if entry.file_type()?.is_dir() && path == Path::new("record") {
            list(dir, &path, files)?;
        }
    }
    Ok(())
}
