//! `kill -9` of the daemon, a hundred times, while 60,000 numbered readings come in at the endpoint: all are acknowledged
//! in the end, and each is stored, once.
//!
//! `HEAPWARD_KILLS` says how often, `HEAPWARD_SEED` when.

use std::time::Duration;

use heapward_tests::daemon::Daemon;
use heapward_tests::process::free_port;

use super::numbered::{beginning, check, message, probes, stored};
use super::repeater::{Plan, Repeater};

const MESSAGES: u64 = 60_000;

fn from_environment(name: &str, otherwise: u64) -> u64 {
    std::env::var(name).ok().and_then(|text| text.parse().ok()).unwrap_or(otherwise)
}

/// Kills the daemon again and again, at moments that the seed decides: every tenth time while it starts, every
/// twentieth after a longer life.
pub(crate) fn kill_again_and_again(daemon: &mut Daemon) {
    let seed = from_environment("HEAPWARD_SEED", u64::from(std::process::id()));
    println!("HEAPWARD_SEED={seed}");
    let mut state = seed | 1;
    for n in 0..from_environment("HEAPWARD_KILLS", 100) {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        let millis = match n % 20 {
            9 | 19 => state % 100,
            7 => 1_000 + state % 600,
            _ => 100 + state % 500,
        };
        std::thread::sleep(Duration::from_millis(millis));
        daemon.process().kill();
        daemon.start_again();
    }
    daemon.wait();
}

#[test]
fn what_the_endpoint_acknowledged_is_stored_once_through_a_hundred_kills() {
    let dir = tempfile::tempdir().unwrap();
    let port = free_port();
    let rest = format!("[endpoint]\nlisten = \"127.0.0.1:{port}\"\n{}", probes());
    let mut daemon = Daemon::start(dir.path(), &rest);
    let beginning = beginning();
    let repeater = Repeater::start(Plan {
        port,
        client_id: "gate".to_owned(),
        count: MESSAGES,
        per_second: 1_700,
        message: Box::new(move |number| message(beginning, number)),
    });
    kill_again_and_again(&mut daemon);
    let outcome = repeater.finish();
    assert!(daemon.process().stop().success());
    println!("{} connections", outcome.connections);
    let stored = stored(dir.path());
    check(&outcome.acknowledged, &stored);
    assert_eq!(stored.len() as u64, MESSAGES);
}
