//! `kill -9` of the daemon while numbered readings come in: what was acknowledged is stored, once.
//!
//! `HEAPWARD_KILLS` says how often (20 by itself), `HEAPWARD_SEED` when.

use std::time::Duration;

use heapward_tests::daemon::Daemon;
use heapward_tests::process::free_port;
use heapward_tests::wait::wait_until;

use super::numbered::{beginning, check, message, probes, stored};
use super::repeater::{Plan, Repeater};

fn from_environment(name: &str, otherwise: u64) -> u64 {
    std::env::var(name).ok().and_then(|text| text.parse().ok()).unwrap_or(otherwise)
}

/// Kills the daemon again and again, at a moment that the seed decides; every tenth time while it starts.
fn kill_again_and_again(daemon: &mut Daemon) {
    let seed = from_environment("HEAPWARD_SEED", u64::from(std::process::id()));
    println!("HEAPWARD_SEED={seed}");
    let mut state = seed | 1;
    for n in 0..from_environment("HEAPWARD_KILLS", 20) {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        let millis = if n % 10 == 9 { state % 300 } else { 200 + state % 1_800 };
        std::thread::sleep(Duration::from_millis(millis));
        daemon.process().kill();
        daemon.start_again();
    }
    daemon.wait();
}

#[test]
fn what_the_endpoint_acknowledged_is_stored_once_after_twenty_kills() {
    let dir = tempfile::tempdir().unwrap();
    let port = free_port();
    let rest = format!("[endpoint]\nlisten = \"127.0.0.1:{port}\"\n{}", probes());
    let mut daemon = Daemon::start(dir.path(), &rest);
    let beginning = beginning();
    let plan = Plan {
        port,
        client_id: "gate".to_owned(),
        count: u64::MAX,
        per_second: 2_000,
        message: Box::new(move |number| message(beginning, number)),
    };
    let repeater = Repeater::start(plan);
    kill_again_and_again(&mut daemon);
    wait_until("some more", || repeater.acknowledged() > 10_000);
    let outcome = repeater.stop();
    assert!(daemon.process().stop().success());
    println!("{} connections", outcome.connections);
    check(&outcome.acknowledged, &stored(dir.path()));
}
