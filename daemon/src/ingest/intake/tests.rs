//! The intake with a clock that tests move, and a recorder that writes down what it is handed.

use std::sync::atomic::AtomicI32;

use heapward_rules::reading::{Quantity, Unit};

use super::*;
use crate::clock::{Clock, ManualClock};
use crate::config::{self, ProbeConfig, TimeFormat};
use crate::limits::HELD_MAX;
use crate::model::time::rfc3339;
use crate::recorder::Command;

mod doubts;
mod schedules;

const NOON: At = At(1_777_723_200_000);

struct House {
    clock: Arc<ManualClock>,
    arrivals: mpsc::Sender<Arrival>,
    commands: mpsc::Receiver<Command>,
    board: Arc<Board>,
    /// Acknowledged less refused.
    acked: Arc<AtomicI32>,
}

fn probes() -> Vec<ProbeConfig> {
    let probe = |id: &str, timed: bool| ProbeConfig {
        id: ProbeId::new(id),
        quantity: Quantity::Temperature,
        topic: format!("quillback/{id}"),
        every: Span::minutes(1),
        mapping: config::Mapping {
            value: "/c".to_owned(),
            unit: Some(Unit::Celsius),
            time: timed.then(|| "/t".to_owned()),
            time_format: TimeFormat::EpochMillis,
            ..config::Mapping::default()
        },
    };
    let mut k4 = probe("k4", true);
    k4.mapping.time_fallback_arrival = true;
    vec![probe("k1", false), probe("k2", false), probe("k3", true), k4]
}

fn house(newest: At) -> House {
    let clock = Arc::new(ManualClock::new(NOON));
    let (handle, commands) = Handle::new(64 * 1024);
    let router = watch::Sender::new(Arc::new(Router::new(&probes()).unwrap()));
    let board = Arc::new(Board::default());
    let shared: SharedClock = Arc::clone(&clock) as SharedClock;
    let intake = Intake::new(shared, handle, router.subscribe(), Arc::clone(&board), newest);
    let (arrivals, receiver) = mpsc::channel(64);
    tokio::spawn(async move {
        intake.run(receiver).await;
        drop(router);
    });
    House { clock, arrivals, commands, board, acked: Arc::default() }
}

const LIVE: Way = Way::Broker { is_retained: false, is_repeated: false, is_resumed: false, connection: 1 };
const RESUMED: Way = Way::Broker { is_retained: false, is_repeated: false, is_resumed: true, connection: 1 };
const AGAIN: Way = Way::Broker { is_retained: false, is_repeated: true, is_resumed: true, connection: 2 };
const RETAINED: Way = Way::Broker { is_retained: true, is_repeated: false, is_resumed: true, connection: 1 };

impl House {
    async fn send(&self, way: &Way, probe: &str, payload: &str) {
        let acked = Arc::clone(&self.acked);
        let ack = Ack::call(move |is_kept| {
            acked.fetch_add(if is_kept { 1 } else { -1 }, Ordering::SeqCst);
        });
        let (topic, payload) = (format!("quillback/{probe}"), Bytes::copy_from_slice(payload.as_bytes()));
        self.arrivals.send(Arrival { topic, payload, way: way.clone(), ack }).await.unwrap();
        tokio::time::sleep(Duration::from_millis(1)).await;
    }

    /// Lets real time pass, so that the intake has looked after everything; then all readings handed in, committed.
    async fn readings(&mut self) -> Vec<String> {
        tokio::time::sleep(Duration::from_millis(1_500)).await;
        let mut said = Vec::new();
        while let Ok(Command::Readings { readings, acks }) = self.commands.try_recv() {
            said.extend(readings.iter().map(|r| format!("{} {} {}", r.probe, r.value, rfc3339(r.at))));
            Ack::settle_all(acks, true);
        }
        said
    }

    fn acked(&self) -> i32 {
        self.acked.load(Ordering::SeqCst)
    }
}

#[tokio::test(start_paused = true)]
async fn readings_are_handed_in_and_acknowledged_after_the_commit() {
    let mut house = house(At::MIN);
    house.send(&LIVE, "k1", r#"{"c":62.4}"#).await;
    house.send(&LIVE, "k3", &format!(r#"{{"c":49.5,"t":{}}}"#, NOON.0 - 1_234)).await;
    tokio::time::sleep(Duration::from_secs(1)).await;
    assert_eq!(house.acked(), 0);
    let expected = ["k1 62.4 2026-05-02T12:00:00.000Z", "k3 49.5 2026-05-02T11:59:58.766Z"];
    assert_eq!(house.readings().await, expected);
    assert_eq!(house.acked(), 2);
    let status = house.board.snapshot();
    assert_eq!(status.probes[&ProbeId::new("k3")].skew, Some(Span(1_234)));
    assert_eq!((status.counts.messages, status.counts.readings), (2, 2));
}

#[tokio::test(start_paused = true)]
async fn what_is_no_reading_is_counted_kept_once_and_acknowledged() {
    let mut house = house(At::MIN);
    for _ in 0..3 {
        house.send(&LIVE, "k1", r#"{"c":null}"#).await;
        house.send(&LIVE, "k1", "garbage").await;
        house.send(&LIVE, "k9", "62.4").await;
        house.send(&RETAINED, "k2", r#"{"c":50}"#).await;
    }
    house.send(&LIVE, "k3", r#"{"c":49.5,"t":192000}"#).await;
    house.send(&Way::Will, "k1", r#"{"c":1}"#).await;
    assert!(house.readings().await.is_empty());
    assert_eq!(house.acked(), 14);
    let status = house.board.snapshot();
    let refused: Vec<(&str, &str, u64)> =
        status.refused.iter().map(|row| (row.topic.as_str(), row.reason.word(), row.count)).collect();
    let expected = [
        ("quillback/k1", "not-json", 3),
        ("quillback/k1", "null", 3),
        ("quillback/k2", "retained", 3),
        ("quillback/k3", "time-too-old", 1),
    ];
    assert_eq!(refused, expected);
    assert_eq!(status.refused[0].example, "garbage");
    assert_eq!(status.topics[0].count, 3);
    assert_eq!(
        (status.topics[0].topic.as_str(), status.topics[0].payload.as_str()),
        ("quillback/k9", "62.4")
    );
    assert_eq!(status.probes[&ProbeId::new("k2")].last_known, Some((50.0, Unit::Celsius)));
    assert_eq!(status.probes[&ProbeId::new("k1")].no_value, Some(NOON));
    let counts = status.counts;
    assert_eq!((counts.readings, counts.refused, counts.retained, counts.unassigned), (0, 7, 3, 3));
}

#[tokio::test(start_paused = true)]
async fn of_a_backlog_only_the_last_of_a_probe_is_dated() {
    let mut house = house(At::MIN);
    for i in 0..5 {
        house.send(&RESUMED, "k1", &format!(r#"{{"c":{i}}}"#)).await;
        house.send(&RESUMED, "k2", &format!(r#"{{"c":1{i}}}"#)).await;
        house.send(&RESUMED, "k3", &format!(r#"{{"c":2{i},"t":{}}}"#, NOON.0 - 1_000 * i)).await;
    }
    let readings = house.readings().await;
    assert_eq!(readings.iter().filter(|line| line.starts_with("k3")).count(), 5);
    let last: Vec<&String> = readings.iter().filter(|line| !line.starts_with("k3")).collect();
    assert_eq!(last, ["k1 4 2026-05-02T12:00:00.000Z", "k2 14 2026-05-02T12:00:00.000Z"]);
    assert_eq!(house.acked(), 15);
    assert_eq!(house.board.snapshot().counts.undated, 8);
    // After the quiet moment messages are live again.
    tokio::time::sleep(Duration::from_secs(1)).await;
    house.clock.advance(Span::minutes(1));
    house.send(&RESUMED, "k1", r#"{"c":6}"#).await;
    house.send(&RESUMED, "k1", r#"{"c":7}"#).await;
    let expected = ["k1 6 2026-05-02T12:01:00.000Z", "k1 7 2026-05-02T12:01:00.100Z"];
    assert_eq!(house.readings().await, expected);
}

#[tokio::test(start_paused = true)]
async fn a_broker_with_a_small_window_sends_the_backlog_in_pieces() {
    let mut house = house(At::MIN);
    house.send(&RESUMED, "k1", r#"{"c":1}"#).await;
    // Nothing more comes before this one is acknowledged; then the rest of the backlog does.
    assert_eq!(house.readings().await, ["k1 1 2026-05-02T12:00:00.000Z"]);
    for i in 2..5 {
        house.send(&RESUMED, "k1", &format!(r#"{{"c":{i}}}"#)).await;
    }
    assert_eq!(house.readings().await, ["k1 4 2026-05-02T12:00:00.100Z"]);
    assert_eq!(house.board.snapshot().counts.undated, 2);
}

#[tokio::test(start_paused = true)]
async fn arrivals_wait_for_the_clock_and_get_their_true_instants() {
    let mut house = house(NOON - Span::days(1));
    house.clock.step_to(At(0));
    house.clock.set_trusted(false);
    for minute in 0..7 {
        house.send(&LIVE, "k1", &format!(r#"{{"c":6{minute}}}"#)).await;
        house.send(&LIVE, "k3", &format!(r#"{{"c":5{minute},"t":{}}}"#, NOON.0 + minute * 60_000)).await;
        house.clock.advance(Span::minutes(1));
    }
    assert!(house.readings().await.is_empty());
    assert_eq!((house.acked(), house.board.snapshot().held), (0, 14));
    // The time service sets the clock.
    house.clock.step_to(NOON + Span::minutes(7));
    house.clock.set_trusted(true);
    let readings = house.readings().await;
    let expected: Vec<String> = (0..7)
        .flat_map(|m| ["k1 6", "k3 5"].map(|p| format!("{p}{m} {}", rfc3339(NOON + Span::minutes(m)))))
        .collect();
    assert_eq!(readings, expected);
    assert_eq!((house.acked(), house.board.snapshot().held), (14, 0));
}

#[tokio::test(start_paused = true)]
async fn what_waits_for_the_clock_is_bounded_and_never_acknowledged_unkept() {
    let mut house = house(At::MIN);
    house.clock.set_trusted(false);
    for i in 0..HELD_MAX + 5 {
        house.send(&LIVE, "k3", &format!(r#"{{"c":1,"t":{}}}"#, NOON.0 - i64::try_from(i).unwrap())).await;
    }
    assert!(house.readings().await.is_empty());
    assert_eq!((house.acked(), house.board.snapshot().held), (0, HELD_MAX));
    house.clock.set_trusted(true);
    assert_eq!(house.readings().await.len(), HELD_MAX + 5);
}

#[tokio::test(start_paused = true)]
async fn what_is_delivered_again_keeps_its_instant() {
    let mut house = house(At::MIN);
    house.send(&LIVE, "k1", r#"{"c":62.4}"#).await;
    house.clock.advance(Span::seconds(10));
    house.send(&AGAIN, "k1", r#"{"c":62.4}"#).await;
    assert_eq!(house.readings().await, ["k1 62.4 2026-05-02T12:00:00.000Z"; 2]);
    house.send(&AGAIN, "k1", r#"{"c":62.4}"#).await;
    assert_eq!(house.readings().await, ["k1 62.4 2026-05-02T12:00:10.000Z"]);
    // The same while it waits for the clock: it waits once.
    house.clock.set_trusted(false);
    house.clock.advance(Span::seconds(2));
    house.send(&LIVE, "k1", r#"{"c":61}"#).await;
    house.clock.advance(Span::seconds(10));
    house.send(&AGAIN, "k1", r#"{"c":61}"#).await;
    tokio::time::sleep(Duration::from_secs(1)).await;
    house.clock.set_trusted(true);
    assert_eq!(house.readings().await, ["k1 61 2026-05-02T12:00:12.000Z"]);
    assert_eq!(house.acked(), 4);
}

#[tokio::test(start_paused = true)]
async fn parts_of_one_message_share_its_acknowledgement() {
    let acked = Arc::new(AtomicI32::new(0));
    for (kept, expected) in [([true, true, true], 1), ([true, false, true], -1)] {
        acked.store(0, Ordering::SeqCst);
        let count = Arc::clone(&acked);
        let parts =
            shared(Ack::call(move |is_kept| count.store(if is_kept { 1 } else { -1 }, Ordering::SeqCst)), 3);
        for (ack, is_kept) in parts.zip(kept) {
            assert_eq!(acked.load(Ordering::SeqCst), 0);
            ack.settle(is_kept);
        }
        assert_eq!(acked.load(Ordering::SeqCst), expected);
    }
    let clock = ManualClock::new(NOON);
    assert!(clock.is_trusted());
}
