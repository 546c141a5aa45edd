//! When readings are committed: syncs of the card are counted, by the file and by the time of the recorder's clock.

use std::collections::BTreeMap;
use std::future::Future;
use std::io;
use std::pin::Pin;
use std::sync::Mutex;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use tokio::sync::watch;

use super::*;
use crate::clock::SharedClock;
use crate::limits::{COMMIT_READINGS_MAX, COMMIT_UNACKNOWLEDGED};
use crate::store::watched::Watched;

const COMMIT_EVERY: Span = Span::seconds(5);

/// A manual clock that tells how often the recorder has looked at it before it lay down to wait.
struct Bedside {
    clock: Arc<ManualClock>,
    rests: watch::Sender<u64>,
}

/// What happened on the card and to messages, in order.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Event {
    /// A sync of the side log, at milliseconds of the clock.
    LogSync(i64),
    DatabaseSync(i64),
    /// A message was acknowledged.
    Ack(i64),
    Refused(i64),
}

struct Barn {
    _dir: tempfile::TempDir,
    house: House,
    rests: watch::Receiver<u64>,
    events: Arc<Mutex<Vec<Event>>>,
    is_broken: Arc<AtomicBool>,
}

/// A script, and its commits: at what time, of how many messages.
type Case<'a> = (&'a [Step], &'a [(i64, usize)]);

/// A step of a script.
#[derive(Clone, Copy, Debug)]
enum Step {
    /// So many messages with so many readings each at so many °C.
    Messages(usize, usize, f64),
    /// So many percent of moisture in one message.
    Moisture(f64),
    /// Milliseconds pass.
    Pass(i64),
}

use Step::{Messages, Moisture, Pass};

// === impl Bedside ===

impl Clock for Bedside {
    fn now(&self) -> At {
        self.clock.now()
    }

    fn is_trusted(&self) -> bool {
        self.clock.is_trusted()
    }

    fn monotonic(&self) -> Span {
        self.clock.monotonic()
    }

    /// The recorder asks for this at the end of each turn, whether or not anything waits.
    fn sleep(&self, span: Span) -> Pin<Box<dyn Future<Output = ()> + Send + '_>> {
        let sleep = self.clock.sleep(span);
        self.rests.send_modify(|rests| *rests += 1);
        sleep
    }
}

// === impl Barn ===

impl Barn {
    async fn new(waiting: impl FnOnce(&Arc<Mutex<Vec<Event>>>, &Arc<ManualClock>) -> Vec<Command>) -> Barn {
        let dir = tempfile::tempdir().unwrap();
        let clock = Arc::new(ManualClock::new(built() + Span::days(1)));
        let events = Arc::<Mutex<Vec<Event>>>::default();
        let is_broken = Arc::<AtomicBool>::default();
        let (syncs, time, broken) = (Arc::clone(&events), Arc::clone(&clock), Arc::clone(&is_broken));
        let on_sync = move |file: &str| {
            let ms = time.monotonic().0;
            if broken.load(Ordering::Relaxed) {
                return Err(io::Error::other("the card is out"));
            }
            match file {
                "side.log" => syncs.lock().unwrap().push(Event::LogSync(ms)),
                _ => syncs.lock().unwrap().push(Event::DatabaseSync(ms)),
            }
            Ok(())
        };
        let sender = watch::Sender::new(0);
        let mut rests = sender.subscribe();
        let bedside: SharedClock = Arc::new(Bedside { clock: Arc::clone(&clock), rests: sender });
        let commands = waiting(&events, &clock);
        let none_waits = commands.is_empty();
        let change = |parts: &mut Parts| {
            parts.clock = bedside;
            parts.commit_every = COMMIT_EVERY;
            parts.store.disk = Arc::new(Watched::new(dir.path(), Arc::new(on_sync)));
        };
        let house = start_with(dir.path(), &clock, change, commands);
        rests.wait_for(|rests| *rests > 0).await.unwrap();
        if none_waits {
            events.lock().unwrap().clear();
        }
        Barn { _dir: dir, house, rests, events, is_broken }
    }

    async fn empty() -> Barn {
        Barn::new(|_, _| Vec::new()).await
    }

    /// Hands in a message and waits until the recorder has dealt with it and rests again.
    async fn hand_in(&mut self, readings: Vec<DatedReading>) {
        let rests = *self.rests.borrow();
        let ack = ack(&self.events, &self.house.clock);
        self.house.handle.readings(readings, ack).await.unwrap();
        self.rests.wait_for(|now| *now > rests).await.unwrap();
    }

    async fn pass(&mut self, ms: i64) {
        self.house.clock.advance(Span(ms));
        // Nothing says that the recorder goes on sleeping; if it wakes, it does so within this time or a later step
        // finds what it has done.
        tokio::time::sleep(Duration::from_millis(30)).await;
    }

    async fn play(&mut self, script: &[Step]) {
        let mut number = 0;
        for step in script {
            match *step {
                Messages(count, readings, c) => {
                    for _ in 0..count {
                        let message = (0..readings).map(|_| {
                            number += 1;
                            reading(number, Quantity::Temperature, Unit::Celsius, c)
                        });
                        self.hand_in(message.collect()).await;
                    }
                }
                Moisture(percent) => {
                    number += 1;
                    self.hand_in(vec![reading(number, Quantity::Moisture, Unit::Percent, percent)]).await;
                }
                Pass(ms) => self.pass(ms).await,
            }
        }
    }

    async fn wait_for_acks(&self, count: usize) {
        let is_ack = |event: &&Event| matches!(event, Event::Ack(_));
        while self.events.lock().unwrap().iter().filter(is_ack).count() < count {
            tokio::time::sleep(Duration::from_millis(5)).await;
        }
    }

    fn events(&self) -> Vec<Event> {
        self.events.lock().unwrap().clone()
    }
}

fn reading(number: i64, quantity: Quantity, unit: Unit, value: f64) -> DatedReading {
    let at = built() + Span(number * 1_000);
    DatedReading { probe: ProbeId::new("k1"), quantity, unit, at, value, dated_by: DatedBy::Payload }
}

fn ack(events: &Arc<Mutex<Vec<Event>>>, clock: &Arc<ManualClock>) -> super::super::Ack {
    let (events, clock) = (Arc::clone(events), Arc::clone(clock));
    super::super::Ack::call(move |kept| {
        let ms = clock.monotonic().0;
        events.lock().unwrap().push(if kept { Event::Ack(ms) } else { Event::Refused(ms) });
    })
}

/// Commits of the side log as (time in ms, messages acknowledged by it); an acknowledgement before any is a fault.
fn commits(events: &[Event]) -> Vec<(i64, usize)> {
    let mut commits: Vec<(i64, usize)> = Vec::new();
    for event in events {
        match event {
            Event::LogSync(ms) => commits.push((*ms, 0)),
            Event::Ack(ms) => {
                let last = commits.last_mut().expect("acknowledged before anything was committed");
                assert_eq!(last.0, *ms, "acknowledged later than it was committed");
                last.1 += 1;
            }
            Event::Refused(_) => panic!("refused: {events:?}"),
            Event::DatabaseSync(_) => {}
        }
    }
    commits
}

/// 160 °F is 71.1 °C.
const HOT_C: f64 = 71.2;
const WARM_C: f64 = 71.1;
const FULL: usize = COMMIT_READINGS_MAX;
const WINDOW: usize = COMMIT_UNACKNOWLEDGED;

#[tokio::test(flavor = "multi_thread")]
async fn readings_are_committed_by_twenty_messages_by_time_by_number_and_at_once_when_hot() {
    let cases: &[Case] = &[
        (&[Messages(1, 1, 55.0), Pass(4_999), Pass(1)], &[(5_000, 1)]),
        (&[Messages(WINDOW - 1, 1, 55.0), Pass(5_000)], &[(5_000, WINDOW - 1)]),
        (&[Messages(WINDOW, 1, 55.0)], &[(0, WINDOW)]),
        (&[Pass(7_000), Messages(2 * WINDOW, 3, 55.0)], &[(7_000, WINDOW), (7_000, WINDOW)]),
        // The time counts from the first that waits.
        (
            &[
                Messages(1, 1, 55.0),
                Pass(3_000),
                Messages(1, 1, 55.0),
                Pass(2_000),
                Messages(1, 1, 55.0),
                Pass(5_000),
            ],
            &[(5_000, 2), (10_000, 1)],
        ),
        (&[Messages(1, FULL - 1, 55.0), Pass(5_000)], &[(5_000, 1)]),
        (&[Messages(1, FULL - 1, 55.0), Pass(10), Messages(1, 1, 55.0)], &[(10, 2)]),
        (&[Messages(1, FULL, 55.0)], &[(0, 1)]),
        (&[Messages(3, 1, 55.0), Pass(1_000), Messages(1, 1, HOT_C)], &[(1_000, 4)]),
        (
            &[Messages(1, 1, HOT_C), Messages(1, 1, HOT_C), Messages(1, 1, 55.0), Pass(5_000)],
            &[(0, 1), (0, 1), (5_000, 1)],
        ),
        (&[Messages(1, 1, WARM_C), Moisture(99.0), Pass(5_000)], &[(5_000, 2)]),
    ];
    for (script, wanted) in cases {
        let mut barn = Barn::empty().await;
        barn.play(script).await;
        barn.wait_for_acks(wanted.iter().map(|(_, messages)| messages).sum()).await;
        let events = barn.events();
        assert_eq!(commits(&events), *wanted, "{script:?}");
        let in_database = events.iter().filter(|event| matches!(event, Event::DatabaseSync(_))).count();
        assert_eq!(in_database, 0, "plain readings cost a page of the side log and nothing else: {script:?}");
        barn.house.stop().await;
    }
}

/// While more messages wait, they join the commit: the queue has to run empty first.
#[tokio::test(flavor = "multi_thread")]
async fn a_backlog_is_committed_when_the_queue_has_run_empty_or_the_commit_is_full() {
    let waiting = |count: usize, readings: i64| {
        move |events: &Arc<Mutex<Vec<Event>>>, clock: &Arc<ManualClock>| {
            let message = |n: usize| {
                let n = i64::try_from(n).unwrap() * readings;
                let reading = |i| reading(n + i, Quantity::Temperature, Unit::Celsius, HOT_C);
                Command::Readings {
                    readings: (0..readings).map(reading).collect(),
                    acks: vec![ack(events, clock)],
                }
            };
            (0..count).map(message).collect()
        }
    };
    for (count, readings, wanted) in [(300, 1, vec![300]), (12, 1_000, vec![5, 5, 2])] {
        let barn = Barn::new(waiting(count, readings)).await;
        barn.wait_for_acks(count).await;
        let events = barn.events();
        // Opening the store has synced the new side log.
        let messages = commits(&events).into_iter().map(|(_, messages)| messages).filter(|n| *n > 0);
        assert_eq!(messages.collect::<Vec<_>>(), wanted);
        barn.house.stop().await;
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn what_a_person_enters_and_an_incident_are_on_the_card_at_once() {
    let mut barn = Barn::empty().await;
    barn.house.handle.start_pile(pile(), "OM".to_owned()).await.unwrap();
    barn.events.lock().unwrap().clear();
    barn.play(&[Messages(3, 1, 55.0)]).await;
    let turned = NewEntry {
        pile: Some("2026-05".to_owned()),
        at_ms: barn.house.clock.now().0,
        entered_ms: barn.house.clock.now().0,
        by: "OM".to_owned(),
        note: String::new(),
        corrects: None,
        event: super::Event::Turned,
    };
    barn.house.handle.enter(turned).await.unwrap();
    // What it is judged with first, then the entry; no time has passed.
    let events = barn.events();
    assert_eq!(events[..4], [Event::LogSync(0), Event::Ack(0), Event::Ack(0), Event::Ack(0)]);
    assert!(events[4..].contains(&Event::DatabaseSync(0)), "{events:?}");

    // Two readings above 160 °F, a quarter of an hour apart, are an incident.
    barn.events.lock().unwrap().clear();
    for minutes in [100, 116] {
        // The wall clock goes with them, or they would be old news; the commit interval is of the other clock.
        let at = built() + Span::days(1) + Span::minutes(minutes);
        barn.house.clock.step_to(at);
        let hot = DatedReading { at, ..reading(0, Quantity::Temperature, Unit::Celsius, 73.0) };
        barn.hand_in(vec![hot]).await;
    }
    let open = barn.house.reader.incidents(&IncidentFilter::default(), None, 10).unwrap();
    assert!(open.iter().any(|incident| incident.kind == "overheating"), "{open:?}");
    let messages = barn.house.reader.messages(None, 10).unwrap();
    assert!(!messages.is_empty(), "the text goes into the outbox in the same transaction");
    let mut counts = BTreeMap::new();
    for event in barn.events() {
        *counts.entry(format!("{event:?}")).or_insert(0) += 1;
    }
    assert_eq!((counts["LogSync(0)"], counts["Ack(0)"]), (2, 2), "{counts:?}");
    assert!(counts["DatabaseSync(0)"] >= 1, "{counts:?}");
    barn.house.stop().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_failed_sync_acknowledges_nothing_before_the_store_was_opened_again() {
    let mut barn = Barn::empty().await;
    barn.is_broken.store(true, Ordering::Relaxed);
    barn.house
        .handle
        .readings(
            vec![reading(1, Quantity::Temperature, Unit::Celsius, HOT_C)],
            ack(&barn.events, &barn.house.clock),
        )
        .await
        .unwrap();
    tokio::time::sleep(Duration::from_millis(300)).await;
    assert_eq!(barn.events(), []);
    barn.is_broken.store(false, Ordering::Relaxed);
    barn.pass(60_000).await;
    barn.wait_for_acks(1).await;
    let events = barn.events();
    assert_eq!(events.last(), Some(&Event::Ack(60_000)));
    assert!(events.contains(&Event::LogSync(60_000)), "{events:?}");
    let k1 = barn.house.reader.latest().unwrap();
    assert_eq!(k1.len(), 1);
    assert!((k1[0].reading.value - HOT_C).abs() < 1e-9);
    barn.house.stop().await;
}
