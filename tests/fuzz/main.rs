//! Random input from a seed, for what strangers can send us: messages, and bytes on the endpoint's socket.
//!
//! Each test works for `HEAPWARD_FUZZ_SECONDS` (60 by itself, two minutes in all; `tests/fuzz/hour` takes an hour) from `HEAPWARD_SEED`, and
//! prints the seed. A panic fails it; so does an answer that breaks a promise.

#![allow(clippy::unwrap_used, clippy::expect_used, reason = "a test that cannot go on stops with the place")]

mod corpus;
mod decoder;
mod endpoint;
mod hostile;
mod mutate;

use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, Instant};

/// How long one test works.
fn seconds() -> u64 {
    std::env::var("HEAPWARD_FUZZ_SECONDS").ok().and_then(|text| text.parse().ok()).unwrap_or(60)
}

/// The seed of this run, printed so that it can be run again.
fn seed(what: &str) -> u64 {
    let given = std::env::var("HEAPWARD_SEED").ok().and_then(|text| text.parse().ok());
    let seed = given.unwrap_or_else(|| u64::from(std::process::id()) << 20 | 0x5eed);
    println!("{what}: HEAPWARD_SEED={seed}");
    seed
}

/// Counts panics of all threads and tasks from now on.
fn count_panics() -> Arc<AtomicU64> {
    let panics = Arc::<AtomicU64>::default();
    let (count, before) = (Arc::clone(&panics), std::panic::take_hook());
    std::panic::set_hook(Box::new(move |info| {
        count.fetch_add(1, Ordering::Relaxed);
        before(info);
    }));
    panics
}

/// Calls `once` until the time is over; how often.
fn repeat(mut once: impl FnMut(u64)) -> u64 {
    let end = Instant::now() + Duration::from_secs(seconds());
    let mut n = 0;
    while Instant::now() < end {
        for _ in 0..100 {
            once(n);
            n += 1;
        }
    }
    n
}
