//! What can not be believed: a clock that was thrown about, a device's own time, and messages without a reading. All of it
//! is told, and not too often.

use std::io;

use super::*;
use crate::clock::SystemClock;

/// Lines of the log, as they are written.
#[derive(Clone, Default)]
struct Lines(Arc<Mutex<Vec<u8>>>);

impl io::Write for Lines {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.0.lock().unwrap().extend_from_slice(bytes);
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

impl Lines {
    /// What this thread writes from now on, as long as the guard lives.
    fn of_this_thread() -> (Lines, tracing::subscriber::DefaultGuard) {
        let lines = Lines::default();
        let writer = lines.clone();
        let log =
            tracing_subscriber::fmt().without_time().with_ansi(false).with_writer(move || writer.clone());
        (lines, tracing::subscriber::set_default(log.finish()))
    }

    fn with(&self, part: &str) -> Vec<String> {
        let bytes = self.0.lock().unwrap().clone();
        let text = String::from_utf8(bytes).unwrap();
        text.lines().filter(|line| line.contains(part)).map(str::to_owned).collect()
    }
}

async fn two_seconds() {
    tokio::time::sleep(Duration::from_secs(2)).await;
}

/// Pages, texts, summaries and seals go by the clock too: they learn of it though no message comes.
#[tokio::test(start_paused = true)]
async fn a_clock_that_was_thrown_about_is_trusted_by_nobody() {
    let (lines, _guard) = Lines::of_this_thread();
    let mut house = house(At::MIN);
    two_seconds().await;
    assert!(house.clock.is_trusted());
    house.clock.step_to(NOON + Span::days(400));
    two_seconds().await;
    assert!(house.clock.is_set() && !house.clock.is_trusted());
    house.clock.step_to(NOON);
    two_seconds().await;
    assert!(house.clock.is_trusted());

    house.send(&LIVE, "k1", r#"{"c":62.4}"#).await;
    assert_eq!(house.readings().await.len(), 1);
    house.clock.step_to(NOON - Span::hours(1));
    two_seconds().await;
    assert!(!house.clock.is_trusted());
    house.clock.step_to(NOON);
    two_seconds().await;
    assert!(house.clock.is_trusted());

    let told = lines.with("clock");
    let parts = ["thrown ahead by 400 days", "not doubted", "before 2026-05-02T12:00:00.000Z", "not doubted"];
    assert_eq!(told.len(), parts.len(), "{told:?}");
    assert!(told.iter().zip(parts).all(|(line, part)| line.contains(part)), "{told:?}");
}

#[test]
fn the_machines_own_clock_can_be_doubted() {
    let clock = SystemClock::new(true);
    clock.doubt(true);
    assert!(clock.is_set() && !clock.is_trusted());
    clock.doubt(false);
    assert!(clock.is_trusted());
}

/// A node that boots before its time service answers.
#[tokio::test(start_paused = true)]
async fn a_devices_impossible_time_gives_way_to_the_arrival_where_that_is_wanted() {
    let mut house = house(At::MIN);
    for probe in ["k3", "k4"] {
        house.send(&LIVE, probe, r#"{"c":61.9,"t":192000}"#).await;
    }
    assert_eq!(house.readings().await, ["k4 61.9 2026-05-02T12:00:00.000Z"]);
}

#[tokio::test(start_paused = true)]
async fn a_reason_has_a_line_a_minute_however_many_topics_and_messages_it_comes_from() {
    let (lines, _guard) = Lines::of_this_thread();
    let house = house(At::MIN);
    for probes in [["k1", "k2"], ["k3", "k4"]] {
        for _ in 0..50 {
            for probe in probes {
                house.send(&LIVE, probe, "garbage").await;
                house.send(&LIVE, probe, r#"{"c":null}"#).await;
            }
        }
        house.clock.advance(Span::minutes(1));
    }
    for reason in ["not-json", "null"] {
        let told = lines.with(reason);
        let [first, second] = told.as_slice() else { panic!("{told:?}") };
        assert!(first.contains("quillback/k1") && second.contains("quillback/k3"), "{told:?}");
    }
    assert_eq!(house.board.snapshot().counts.refused, 2 * 50 * 4);
}
