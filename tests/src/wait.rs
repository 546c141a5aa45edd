//! Waiting for something that another process does.

use std::time::{Duration, Instant};

/// How long a test waits before it fails: `HEAPWARD_TEST_PATIENCE` in seconds, for slow machines.
pub fn patience() -> Duration {
    let seconds = std::env::var("HEAPWARD_TEST_PATIENCE").ok().and_then(|text| text.parse().ok());
    Duration::from_secs(seconds.unwrap_or(60))
}

/// Waits until `look` finds something, and fails after the patience with what was waited for.
#[track_caller]
pub fn wait_for<T>(what: &str, mut look: impl FnMut() -> Option<T>) -> T {
    let start = Instant::now();
    loop {
        if let Some(found) = look() {
            return found;
        }
        assert!(start.elapsed() < patience(), "waited {:?} in vain for {what}", patience());
        std::thread::sleep(Duration::from_millis(20));
    }
}

#[track_caller]
pub fn wait_until(what: &str, mut is_so: impl FnMut() -> bool) {
    wait_for(what, || is_so().then_some(()));
}
