//! For tests: a folder whose syncs and reads are watched, so that they can be counted, made slow, or made to fail.

use std::fmt;
use std::io;
use std::ops::Bound;
use std::path::Path;
use std::sync::Arc;

use redb::{BackendError, StorageBackend};

use super::disk::{Disk, Folder};

/// Asked before each sync, with the file's name; an error is the sync's.
pub(crate) type OnSync = Arc<dyn Fn(&str) -> io::Result<()> + Send + Sync>;

pub(crate) struct Watched {
    folder: Folder,
    on_sync: OnSync,
    on_read: OnSync,
    /// What is said to be free, if not what is.
    free: Option<u64>,
}

struct WatchedFile {
    name: String,
    file: Box<dyn StorageBackend>,
    on_sync: OnSync,
    on_read: OnSync,
}

// === impl Watched ===

impl Watched {
    pub(crate) fn new(dir: &Path, on_sync: OnSync) -> Watched {
        Watched { folder: Folder::new(dir), on_sync, on_read: Arc::new(|_| Ok(())), free: None }
    }

    /// Asked before each read instead.
    pub(crate) fn with_reads(dir: &Path, on_read: OnSync) -> Watched {
        Watched { on_read, ..Watched::new(dir, Arc::new(|_| Ok(()))) }
    }

    /// On a card that has so many bytes left.
    pub(crate) fn with_free(dir: &Path, bytes: u64) -> Watched {
        Watched { free: Some(bytes), ..Watched::new(dir, Arc::new(|_| Ok(()))) }
    }
}

impl fmt::Debug for Watched {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Watched").field("folder", &self.folder).finish_non_exhaustive()
    }
}

impl Disk for Watched {
    fn open(&self, name: &str) -> io::Result<Box<dyn StorageBackend>> {
        let file = self.folder.open(name)?;
        let (on_sync, on_read) = (Arc::clone(&self.on_sync), Arc::clone(&self.on_read));
        Ok(Box::new(WatchedFile { name: name.to_owned(), file, on_sync, on_read }))
    }

    fn exists(&self, name: &str) -> io::Result<bool> {
        self.folder.exists(name)
    }

    fn size(&self, name: &str) -> io::Result<Option<u64>> {
        self.folder.size(name)
    }

    fn free(&self) -> io::Result<u64> {
        self.free.map_or_else(|| self.folder.free(), Ok)
    }

    fn read(&self, name: &str) -> io::Result<Option<Vec<u8>>> {
        self.folder.read(name)
    }

    fn replace(&self, name: &str, bytes: &[u8]) -> io::Result<()> {
        self.folder.replace(name, bytes)
    }

    fn list(&self, folder: &str) -> io::Result<Vec<String>> {
        self.folder.list(folder)
    }

    fn rename(&self, from: &str, to: &str) -> io::Result<()> {
        self.folder.rename(from, to)
    }
}

// === impl WatchedFile ===

impl fmt::Debug for WatchedFile {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("WatchedFile").field("name", &self.name).finish_non_exhaustive()
    }
}

impl StorageBackend for WatchedFile {
    fn len(&self) -> io::Result<u64> {
        self.file.len()
    }

    fn read(&self, offset: u64, out: &mut [u8]) -> io::Result<()> {
        (self.on_read)(&self.name)?;
        self.file.read(offset, out)
    }

    fn set_len(&self, len: u64) -> io::Result<()> {
        self.file.set_len(len)
    }

    fn sync_data(&self) -> io::Result<()> {
        (self.on_sync)(&self.name)?;
        self.file.sync_data()
    }

    fn write(&self, offset: u64, data: &[u8]) -> io::Result<()> {
        self.file.write(offset, data)
    }

    fn close(&self) -> io::Result<()> {
        self.file.close()
    }

    fn try_lock_range(&self, start: Bound<u64>, end: Bound<u64>) -> Result<bool, BackendError> {
        self.file.try_lock_range(start, end)
    }
}
