//! What ails the daemon itself is told once, and once when it is over; meanwhile no heartbeat goes out. The daemon is
//! the whole one, in this process, on a clock that is moved.

use std::time::Duration;

use heapward_rules::units::Span;
use heapward_tests::broker::Broker;

use crate::NOW;
use crate::barn::Barn;

#[tokio::test(flavor = "multi_thread")]
async fn a_clock_that_is_not_set_is_told_once_and_its_end_once() {
    let barn = Barn::start("[endpoint]\nlisten = \"127.0.0.1:0\"").await;
    assert!(barn.beats(Span::minutes(3)).await >= 2);
    barn.clock.set_trusted(false);
    barn.pass(Span::minutes(1)).await;
    assert_eq!(barn.beats(Span::minutes(5)).await, 0);
    assert_eq!(barn.texts(), Vec::<String>::new());
    barn.pass(Span::minutes(40)).await;
    let told = "Heapward's clock is not set: readings without a time are held. Check the network or the clock's battery; \
                enter hand readings with their time.";
    assert_eq!(barn.texts(), [told]);
    // The time service sets it ahead.
    barn.clock.step_to(NOW + Span::hours(30));
    barn.clock.set_trusted(true);
    barn.pass(Span::minutes(2)).await;
    let texts = barn.texts();
    assert_eq!(texts.len(), 2, "{texts:#?}");
    assert!(texts[1].starts_with("Heapward's clock is set again at "), "{texts:#?}");
    assert!(barn.beats(Span::minutes(2)).await >= 1);
    barn.daemon.stop().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_stick_that_is_missing_is_told_after_two_days_and_gets_its_copy_when_it_is_back() {
    let stick = tempfile::tempdir().unwrap();
    let dir = stick.path().join("mounted");
    let backup = format!(
        "[endpoint]\nlisten = \"127.0.0.1:0\"\n[backup]\ndir = \"{}\"\nsame_disk = true",
        dir.display()
    );
    let barn = Barn::start(&backup).await;
    let hours = async |count: i64| {
        for _ in 0..count * 2 {
            barn.clock.advance(Span::minutes(30));
            tokio::time::sleep(Duration::from_millis(30)).await;
        }
        barn.pass(Span::minutes(1)).await;
    };
    hours(40).await;
    assert_eq!(barn.texts(), Vec::<String>::new());
    hours(30).await;
    let texts = barn.texts();
    assert_eq!(texts.len(), 1, "{texts:#?}");
    assert!(texts[0].starts_with("Heapward could make no copy of its records since "), "{texts:#?}");
    std::fs::create_dir(&dir).unwrap();
    hours(2).await;
    let copies: Vec<_> = std::fs::read_dir(&dir).unwrap().map(|entry| entry.unwrap().path()).collect();
    assert_eq!(copies.len(), 1, "{copies:?}");
    assert!(copies[0].join("copy.txt").exists());
    assert_eq!(barn.texts().len(), 1);
    barn.daemon.stop().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_broker_that_is_away_is_told_once_and_its_end_once() {
    let dir = tempfile::tempdir().unwrap();
    let mut broker = Broker::start(dir.path());
    let barn = Barn::start(&format!("[broker]\nhost = \"127.0.0.1\"\nport = {}", broker.port)).await;
    while barn.beats(Span::minutes(1)).await == 0 {}
    broker.process().kill();
    tokio::time::sleep(Duration::from_millis(200)).await;
    barn.pass(Span::seconds(30)).await;
    assert_eq!(barn.beats(Span::minutes(5)).await, 0);
    barn.pass(Span::minutes(15)).await;
    let texts = barn.texts();
    assert_eq!(texts.len(), 1, "{texts:#?}");
    assert!(texts[0].starts_with("Heapward can't reach the MQTT broker since 09:3"), "{texts:#?}");
    broker.start_again();
    while barn.beats(Span::minutes(1)).await == 0 {}
    barn.pass(Span::minutes(1)).await;
    let texts = barn.texts();
    assert_eq!(texts.len(), 2, "{texts:#?}");
    assert!(texts[1].starts_with("Heapward: broker is reached again since "), "{texts:#?}");
    barn.daemon.stop().await;
}
