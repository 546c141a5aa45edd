//! File systems of a test's own: small ones, ones that are full, ones that take nothing, ones that are gone.
//!
//! They are mounted in a namespace that the test has for itself: it runs itself again in there, so that nothing stays
//! behind on the machine whatever becomes of it.

use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::process::Command;

/// Tells the inner run that it is inside.
const INSIDE: &str = "HEAPWARD_TEST_NAMESPACE";

/// A file system in memory.
pub struct Memory {
    place: PathBuf,
}

/// Whether this is the run inside. Else runs the test of that name (`care::card::...`) inside, and fails if it failed.
#[track_caller]
pub fn inside(test: &str) -> bool {
    if std::env::var_os(INSIDE).is_some() {
        return true;
    }
    let status = Command::new("unshare")
        .args(["--mount", "--propagation", "private"])
        .arg(std::env::current_exe().unwrap())
        .args([test, "--exact", "--nocapture"])
        .env(INSIDE, "1")
        .status()
        .expect("unshare is missing: apt-get install util-linux");
    assert!(status.success(), "{test} failed in its own mounts (it needs root)");
    false
}

#[track_caller]
fn mount(args: &[&str], place: &Path) {
    let status = Command::new("mount").args(args).arg(place).status().unwrap();
    assert!(status.success(), "mount {args:?} {} failed: it needs root", place.display());
}

// === impl Memory ===

impl Memory {
    /// Mounts one over a folder, which is made if it is missing. `size` as tmpfs has it: `16m`.
    #[track_caller]
    pub fn mount(place: &Path, size: &str) -> Memory {
        std::fs::create_dir_all(place).unwrap();
        mount(&["-t", "tmpfs", "-o", &format!("size={size}"), "tmpfs"], place);
        Memory { place: place.to_owned() }
    }

    /// From now on nothing can be written. Waits for a moment in which nobody has a file open for it.
    #[track_caller]
    pub fn make_read_only(&self) {
        crate::wait::wait_until("a moment in which no file is being written", || {
            let mut command = Command::new("mount");
            command.args(["-o", "remount,ro"]).arg(&self.place).stderr(std::process::Stdio::null());
            command.status().unwrap().success()
        });
    }

    #[track_caller]
    pub fn make_writable(&self) {
        mount(&["-o", "remount,rw"], &self.place);
    }

    /// Takes all the room that is left.
    pub fn fill(&self) -> PathBuf {
        let ballast = self.place.join("ballast");
        let mut file = std::fs::File::create(&ballast).unwrap();
        while file.write_all(&[7; 4_096]).is_ok() {}
        ballast
    }

    /// What was mounted is gone with all that lay in it; the folder below is seen again.
    #[track_caller]
    pub fn unmount(self) {
        let status = Command::new("umount").arg(&self.place).status().unwrap();
        assert!(status.success(), "umount {} failed", self.place.display());
    }
}
