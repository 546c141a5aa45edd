//! A copy of a store, so that a command can look at it while the daemon writes.

use std::fs;
use std::path::{Path, PathBuf};

use super::Failure;
use crate::store::{self, Store};

/// A copy in the temporary directory; it goes when it is dropped.
pub(super) struct Copy(PathBuf);

// === impl Copy ===

impl Copy {
    /// Copies a store and opens the copy.
    pub(super) fn open(dir: &Path, zone: chrono_tz::Tz, purpose: &str) -> Result<(Copy, Store), Failure> {
        let name = format!("heapward-{purpose}-{}", std::process::id());
        let copy = Copy(std::env::temp_dir().join(name));
        let store = store::open_copy(dir, &copy.0, zone)
            .map_err(|error| Failure::failed(format!("{}: {error}", dir.display())))?;
        Ok((copy, store))
    }
}

impl Drop for Copy {
    fn drop(&mut self) {
        // A folder that stays behind in the temporary directory does no harm.
        let _ = fs::remove_dir_all(&self.0);
    }
}
