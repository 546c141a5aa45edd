//! Copies of the records, made each night while the daemon goes on: a folder for each day, and the oldest goes.
//!
//! `heapward-2026-05-12/` holds the store as `heapward restore` takes it, the configuration and what it names of the
//! user's own, and `copy.txt`, which is written last: a folder without it was cut short and does not count. Secrets and
//! passes are not copied: a stick is easily lost.

use std::fs;
use std::io;
use std::os::unix::fs::MetadataExt as _;
use std::path::{Path, PathBuf};

use chrono::NaiveDate;
use chrono_tz::Tz;
use heapward_rules::units::At;
use tracing::warn;

use crate::config::{BackupConfig, Config};
use crate::model::time::{local, parse_rfc3339, rfc3339};
use crate::store::{Reader, StoreError, note_copy};

/// Says that a copy is whole, and when it was made.
const MADE: &str = "copy.txt";
const PREFIX: &str = "heapward-";

/// The folder of the copies.
#[derive(Clone, Debug)]
pub struct Copies {
    dir: PathBuf,
    keep: usize,
    same_disk: bool,
    zone: Tz,
}

/// Why no copy was made, with what to do.
#[derive(Debug, thiserror::Error)]
pub enum CopyError {
    #[error("there is no folder {}: is the stick in and mounted?", .0.display())]
    NoFolder(PathBuf),
    #[error(
        "{} lies on the same disk as the records: is the stick in and mounted? Where a copy beside the records is \
         wanted, write same_disk = true in [backup]",
        .0.display()
    )]
    SameDisk(PathBuf),
    #[error("{}: {source}; has it room, and may Heapward write there?", .dir.display())]
    Files { dir: PathBuf, source: io::Error },
    #[error("{}: {source}", .dir.display())]
    Store { dir: PathBuf, source: StoreError },
}

// === impl Copies ===

impl Copies {
    pub fn new(config: &BackupConfig, zone: Tz) -> Copies {
        Copies { dir: config.dir.clone(), keep: config.keep.into(), same_disk: config.same_disk, zone }
    }

    pub fn dir(&self) -> &Path {
        &self.dir
    }

    /// When the newest whole copy was made.
    pub fn newest(&self) -> Option<At> {
        self.whole().into_iter().filter_map(|(_, dir)| made(&dir)).max()
    }

    /// Makes the copy of the local day of `now`, or makes it anew, and lets the oldest go.
    pub fn make(&self, reader: &Reader, config: &Config, now: At) -> Result<PathBuf, CopyError> {
        if !self.dir.is_dir() {
            return Err(CopyError::NoFolder(self.dir.clone()));
        }
        // The folder on which a stick would be mounted is there without it too.
        if !self.same_disk && on_same_disk(&self.dir, &config.store.dir) {
            return Err(CopyError::SameDisk(self.dir.clone()));
        }
        let day = local(now, self.zone).date_naive();
        let (to, part) =
            (self.dir.join(format!("{PREFIX}{day}")), self.dir.join(format!("{PREFIX}{day}.part")));
        let done = self.fill(reader, config, &part, now).and_then(|()| {
            remove(&to).and_then(|()| fs::rename(&part, &to)).map_err(|source| self.failed(source))
        });
        if done.is_err() {
            // The next try begins anew; what can't be removed is overwritten then or said again.
            let _ = fs::remove_dir_all(&part);
        }
        done?;
        if let Err(problem) = note_copy(&config.store.dir, now) {
            // The copy is made; a card that takes nothing is told of by others.
            warn!(
                "when the last copy was made could not be noted in {}: {problem}",
                config.store.dir.display()
            );
        }
        self.thin().map_err(|source| self.failed(source))?;
        Ok(to)
    }

    fn fill(&self, reader: &Reader, config: &Config, part: &Path, now: At) -> Result<(), CopyError> {
        remove(part).map_err(|source| self.failed(source))?;
        reader.backup(part).map_err(|source| CopyError::Store { dir: self.dir.clone(), source })?;
        let rest = || {
            add_configuration(config, part)?;
            write(&part.join(MADE), &made_text(now))
        };
        rest().map_err(|source| self.failed(source))
    }

    /// Removes the oldest whole copies beyond the number that is kept. What is not a copy of ours is not touched.
    fn thin(&self) -> io::Result<()> {
        let mut whole = self.whole();
        whole.sort_unstable();
        let surplus = whole.len().saturating_sub(self.keep);
        whole.drain(..surplus).try_for_each(|(_, dir)| fs::remove_dir_all(dir))
    }

    fn whole(&self) -> Vec<(NaiveDate, PathBuf)> {
        let entries = fs::read_dir(&self.dir).into_iter().flatten().flatten();
        let day = |name: &str| name.strip_prefix(PREFIX)?.parse().ok();
        let of_ours = entries.filter_map(|entry| Some((day(entry.file_name().to_str()?)?, entry.path())));
        of_ours.filter(|(_, dir)| made(dir).is_some()).collect()
    }

    fn failed(&self, source: io::Error) -> CopyError {
        CopyError::Files { dir: self.dir.clone(), source }
    }
}

/// Whether two folders lie on one file system; no, if one of them can't be looked at.
pub fn on_same_disk(one: &Path, other: &Path) -> bool {
    let device = |dir: &Path| fs::metadata(dir).map(|about| about.dev()).ok();
    device(one).is_some_and(|of_one| device(other) == Some(of_one))
}

fn made_text(now: At) -> String {
    let name = concat!(env!("CARGO_PKG_NAME"), " ", env!("CARGO_PKG_VERSION"));
    format!("made {}\nby {name}\nTo bring it back: heapward restore THIS_FOLDER\n", rfc3339(now))
}

fn made(dir: &Path) -> Option<At> {
    let text = fs::read_to_string(dir.join(MADE)).ok()?;
    parse_rfc3339(text.lines().next()?.strip_prefix("made ")?)
}

/// The configuration without its secrets, and the standards and feedstocks of the user's own.
pub fn add_configuration(config: &Config, to: &Path) -> io::Result<()> {
    let folder = to.join("configuration");
    fs::create_dir_all(&folder)?;
    write(&folder.join("heapward.toml"), &config.text)?;
    if let Some(file) = &config.feedstocks {
        write(&folder.join("feedstocks.toml"), &fs::read_to_string(file)?)?;
    }
    let Some(own) = &config.standards_dir else { return Ok(()) };
    let standards = folder.join("standards");
    fs::create_dir_all(&standards)?;
    for file in fs::read_dir(own)? {
        let file = file?.path();
        if let Some(name) = file.file_name().filter(|_| file.extension().is_some_and(|is| is == "toml")) {
            write(&standards.join(name), &fs::read_to_string(&file)?)?;
        }
    }
    Ok(())
}

/// Written through to the stick: it may be pulled out right after.
fn write(to: &Path, text: &str) -> io::Result<()> {
    fs::write(to, text)?;
    fs::File::open(to)?.sync_all()
}

fn remove(dir: &Path) -> io::Result<()> {
    match fs::remove_dir_all(dir) {
        Err(error) if error.kind() != io::ErrorKind::NotFound => Err(error),
        _ => Ok(()),
    }
}

#[cfg(test)]
mod tests;
