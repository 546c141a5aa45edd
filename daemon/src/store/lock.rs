//! The lock of a folder, and a note in it for the next opening.
//!
//! When a sync fails, the system forgets that the pages were to be written, but goes on to show them to whoever reads. A
//! database that is opened then looks whole and is built upon what the card has never had; the next power cut takes it
//! away. So a store that has failed leaves a note, and the next opening, by this process or by another, first writes the
//! database again as it reads. Where a power cut came between there is nothing to write again: the note names the boot.

use std::fs::{self, File, TryLockError};
use std::io::{Read as _, Seek as _, Write as _};
use std::path::Path;
use std::sync::atomic::{AtomicBool, Ordering};

use redb::StorageBackend;

use super::error::StoreError;

const LOCK_FILE: &str = "lock";
/// Changes with each start of the machine.
const BOOT_ID: &str = "/proc/sys/kernel/random/boot_id";
/// Longer notes are none of ours.
const NOTE_BYTES_MAX: u64 = 256;
/// What is read and written at a time.
const PIECE: usize = 1 << 20;

/// Held by the one process that has the store open.
#[derive(Debug)]
pub(super) struct Lock {
    file: File,
    /// A read of the database has failed: its handle answers nothing more, though the card may be in order again.
    read_failed: AtomicBool,
}

// === impl Lock ===

impl Lock {
    pub(super) fn take(dir: &Path) -> Result<Lock, StoreError> {
        let mut options = File::options();
        options.create(true).truncate(false).read(true).write(true);
        let file = options.open(dir.join(LOCK_FILE))?;
        match file.try_lock() {
            Ok(()) => Ok(Lock { file, read_failed: AtomicBool::new(false) }),
            Err(TryLockError::WouldBlock) => Err(StoreError::Locked(dir.to_owned())),
            Err(TryLockError::Error(error)) => Err(error.into()),
        }
    }

    /// Notes that a write has failed. Not synced: it is of use only as long as the memory of the system lasts.
    pub(super) fn note_failure(&self) {
        // Where the note can't be written no write is taken at all, and none can have been forgotten.
        let _ = self.write(boot().as_bytes());
    }

    pub(super) fn note_failed_read(&self) {
        self.read_failed.store(true, Ordering::Relaxed);
    }

    pub(super) fn has_failed_read(&self) -> bool {
        self.read_failed.load(Ordering::Relaxed)
    }

    /// Whether a write has failed since the machine was started, and what it wrote may not be on the card.
    pub(super) fn has_failure(&self) -> Result<bool, StoreError> {
        let mut note = String::new();
        let mut file = &self.file;
        file.rewind()?;
        file.take(NOTE_BYTES_MAX).read_to_string(&mut note)?;
        Ok(!note.is_empty() && note == boot())
    }

    pub(super) fn forget_failure(&self) -> Result<(), StoreError> {
        Ok(self.write(b"")?)
    }

    fn write(&self, note: &[u8]) -> std::io::Result<()> {
        let mut file = &self.file;
        file.set_len(0)?;
        file.rewind()?;
        file.write_all(note)
    }
}

fn boot() -> String {
    fs::read_to_string(BOOT_ID).unwrap_or_else(|_| "some boot".to_owned())
}

/// Writes a file again as it reads, in place. A power cut meanwhile leaves what one in the middle of the failed commit
/// would have left: everything before it was synced, so the same bytes are written over it.
pub(super) fn write_again(file: &dyn StorageBackend) -> Result<(), StoreError> {
    let (length, mut at) = (file.len()?, 0);
    let mut piece = vec![0; PIECE];
    while at < length {
        let n = usize::try_from(length - at).unwrap_or(PIECE).min(PIECE);
        file.read(at, &mut piece[..n])?;
        file.write(at, &piece[..n])?;
        at += n as u64;
    }
    Ok(file.sync_data()?)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_note_lasts_until_the_machine_starts_anew() {
        let dir = tempfile::tempdir().unwrap();
        let lock = Lock::take(dir.path()).unwrap();
        assert!(!lock.has_failure().unwrap());
        lock.note_failure();
        drop(lock);
        let lock = Lock::take(dir.path()).unwrap();
        assert!(lock.has_failure().unwrap());
        lock.forget_failure().unwrap();
        assert!(!lock.has_failure().unwrap());
        fs::write(dir.path().join(LOCK_FILE), "another boot\n").unwrap();
        assert!(!lock.has_failure().unwrap());
    }
}
