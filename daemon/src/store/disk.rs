//! Where the store's files lie. The tests put a disk in its place that fails, forgets and tears.

use std::fmt::Debug;
use std::fs::{self, File};
use std::io::{self, Write as _};
use std::ops::Bound;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use redb::backends::FileBackend;
use redb::{BackendError, StorageBackend};

use super::lock::Lock;

/// A folder of files; names may have a folder of their own in front (`record/2026-05.txt`).
pub trait Disk: Debug + Send + Sync {
    /// Opens a file for reading and writing at any place; makes an empty one if there is none.
    fn open(&self, name: &str) -> io::Result<Box<dyn StorageBackend>>;

    fn exists(&self, name: &str) -> io::Result<bool>;

    /// Length of a file; `None` if there is none.
    fn size(&self, name: &str) -> io::Result<Option<u64>>;

    /// Bytes that can still be written.
    fn free(&self) -> io::Result<u64>;

    /// The whole of a small file; `None` if there is none.
    fn read(&self, name: &str) -> io::Result<Option<Vec<u8>>>;

    /// Puts a small file in the place of the one by that name: after a crash the old or the new is there, whole, and
    /// the new when this has returned.
    fn replace(&self, name: &str, bytes: &[u8]) -> io::Result<()>;

    /// Names of the files in a folder (`""` is the store's own), sorted; none if there is no such folder.
    fn list(&self, folder: &str) -> io::Result<Vec<String>>;

    /// Gives a file another name, durably.
    fn rename(&self, from: &str, to: &str) -> io::Result<()>;
}

/// The real one.
#[derive(Clone, Debug)]
pub struct Folder {
    dir: PathBuf,
}

/// An opened file as the database wants it. Failures are noted here, because the database does not tell of those that
/// it meets while it closes.
#[derive(Debug)]
pub(super) struct Backend {
    pub(super) file: Box<dyn StorageBackend>,
    pub(super) lock: Option<Arc<Lock>>,
}

// === impl Folder ===

impl Folder {
    pub fn new(dir: impl Into<PathBuf>) -> Folder {
        Folder { dir: dir.into() }
    }

    fn path(&self, name: &str) -> PathBuf {
        self.dir.join(name)
    }
}

impl Disk for Folder {
    fn open(&self, name: &str) -> io::Result<Box<dyn StorageBackend>> {
        let path = self.path(name);
        let is_new = !path.exists();
        if is_new {
            make_folder_of(&path)?;
        }
        let file = File::options().read(true).write(true).create(true).truncate(false).open(&path)?;
        if is_new {
            sync_folder_of(&path)?;
        }
        let backend = FileBackend::new(file).map_err(|error| io::Error::other(error.to_string()))?;
        Ok(Box::new(backend))
    }

    fn exists(&self, name: &str) -> io::Result<bool> {
        self.path(name).try_exists()
    }

    fn size(&self, name: &str) -> io::Result<Option<u64>> {
        match fs::metadata(self.path(name)) {
            Ok(metadata) => Ok(Some(metadata.len())),
            Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(None),
            Err(error) => Err(error),
        }
    }

    fn free(&self) -> io::Result<u64> {
        let stat = rustix::fs::statvfs(&self.dir)?;
        Ok(stat.f_bavail.saturating_mul(stat.f_frsize))
    }

    fn read(&self, name: &str) -> io::Result<Option<Vec<u8>>> {
        match fs::read(self.path(name)) {
            Ok(bytes) => Ok(Some(bytes)),
            Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(None),
            Err(error) => Err(error),
        }
    }

    fn replace(&self, name: &str, bytes: &[u8]) -> io::Result<()> {
        let path = self.path(name);
        make_folder_of(&path)?;
        let new = self.path(&format!("{name}.new"));
        let mut file = File::create(&new)?;
        file.write_all(bytes)?;
        file.sync_all()?;
        fs::rename(&new, &path)?;
        sync_folder_of(&path)
    }

    fn list(&self, folder: &str) -> io::Result<Vec<String>> {
        let entries = match fs::read_dir(self.path(folder)) {
            Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(Vec::new()),
            entries => entries?,
        };
        let names: io::Result<Vec<_>> = entries.map(|entry| Ok(entry?.file_name())).collect();
        let mut names: Vec<String> = names?.into_iter().filter_map(|name| name.into_string().ok()).collect();
        names.sort();
        Ok(names)
    }

    fn rename(&self, from: &str, to: &str) -> io::Result<()> {
        fs::rename(self.path(from), self.path(to))?;
        sync_folder_of(&self.path(to))
    }
}

fn make_folder_of(path: &Path) -> io::Result<()> {
    path.parent().map_or(Ok(()), fs::create_dir_all)
}

/// A new name is durable only when its folder is.
fn sync_folder_of(path: &Path) -> io::Result<()> {
    path.parent().map_or(Ok(()), |dir| File::open(dir)?.sync_all())
}

// === impl Backend ===

impl Backend {
    fn noted(&self, done: io::Result<()>) -> io::Result<()> {
        if let (Err(_), Some(lock)) = (&done, &self.lock) {
            lock.note_failure();
        }
        done
    }
}

impl StorageBackend for Backend {
    fn len(&self) -> io::Result<u64> {
        self.file.len()
    }

    fn read(&self, offset: u64, out: &mut [u8]) -> io::Result<()> {
        let done = self.file.read(offset, out);
        if let (Err(_), Some(lock)) = (&done, &self.lock) {
            lock.note_failed_read();
        }
        done
    }

    fn set_len(&self, len: u64) -> io::Result<()> {
        self.noted(self.file.set_len(len))
    }

    fn sync_data(&self) -> io::Result<()> {
        self.noted(self.file.sync_data())
    }

    fn write(&self, offset: u64, data: &[u8]) -> io::Result<()> {
        self.noted(self.file.write(offset, data))
    }

    fn close(&self) -> io::Result<()> {
        self.file.close()
    }

    fn try_lock_range(&self, start: Bound<u64>, end: Bound<u64>) -> Result<bool, BackendError> {
        self.file.try_lock_range(start, end)
    }

    fn try_lock_shared_range(&self, start: Bound<u64>, end: Bound<u64>) -> Result<bool, BackendError> {
        self.file.try_lock_shared_range(start, end)
    }

    fn lock_range(&self, start: Bound<u64>, end: Bound<u64>) -> Result<(), BackendError> {
        self.file.lock_range(start, end)
    }

    fn lock_shared_range(&self, start: Bound<u64>, end: Bound<u64>) -> Result<(), BackendError> {
        self.file.lock_shared_range(start, end)
    }

    fn unlock_range(&self, start: Bound<u64>, end: Bound<u64>) -> Result<(), BackendError> {
        self.file.unlock_range(start, end)
    }

    fn query_lock_range(&self, start: Bound<u64>, end: Bound<u64>) -> Result<bool, BackendError> {
        self.file.query_lock_range(start, end)
    }
}
