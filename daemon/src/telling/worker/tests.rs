//! The worker on a clock that is moved minute by minute, with scripted channels and an outbox in memory that keeps
//! what the recorder would keep.

mod crashes;
mod failing;
mod held;
mod outage;
mod reach;
mod year;

use std::sync::Mutex;

use heapward_rules::finding::{Change, Kind, Level};

use super::*;
use crate::clock::{Clock, ManualClock};
use crate::config::TellingConfig;
use crate::model::time::local;
use crate::summary::{Summary, schedule};
use crate::telling::channel::{Failure, Letter, Sending};
use crate::telling::fixture::{ZONE, at, site, telling};
use crate::telling::policy::{Scene, Teller, Told, unreached};
use crate::telling::topic::{Matter, Topic, Trouble};
use crate::telling::unwritten::{Unwritten, WithUnwritten};
use crate::telling::wording;

#[derive(Clone, Default)]
struct MemoryOutbox {
    state: Arc<Mutex<State>>,
}

#[derive(Default)]
struct State {
    messages: BTreeMap<String, OutboxMessage>,
    incidents: BTreeMap<String, Incident>,
    /// The recorder takes no results at the moment.
    refuses: bool,
    /// Results written.
    commits: usize,
}

impl MemoryOutbox {
    fn with<T>(&self, work: impl FnOnce(&mut State) -> T) -> T {
        work(&mut self.state.lock().unwrap())
    }

    fn keep(&self, told: Told) {
        self.with(|state| {
            state.incidents.insert(told.incident.id.clone(), told.incident);
            state.messages.extend(told.messages.into_iter().map(|message| (message.id.clone(), message)));
        });
    }

    fn write(&self, work: impl FnOnce(&mut State)) -> Result<(), Refusal> {
        self.with(|state| {
            if state.refuses {
                return Err(Refusal::Unavailable("the card is slow".to_owned()));
            }
            state.commits += 1;
            work(state);
            Ok(())
        })
    }
}

impl Outbox for MemoryOutbox {
    fn waiting(&self, limit: usize) -> Result<Vec<OutboxMessage>, Refusal> {
        let mut waiting: Vec<OutboxMessage> = self.with(|state| {
            state.messages.values().filter(|message| due_at(message).is_some()).cloned().collect()
        });
        waiting.sort_by_key(due_at);
        waiting.truncate(limit);
        Ok(waiting)
    }

    fn incident(&self, id: &str) -> Result<Option<Incident>, Refusal> {
        Ok(self.with(|state| state.incidents.get(id).cloned()))
    }

    async fn delivered(&self, message: String, delivery: Delivery, tries: u32) -> Result<(), Refusal> {
        self.write(|state| {
            let message = state.messages.get_mut(&message).unwrap();
            assert!(due_at(message).is_some(), "{} was settled before", message.id);
            (message.delivery, message.tries) = (delivery, tries);
        })
    }

    async fn merged(&self, merged: OutboxMessage, superseded: Vec<String>) -> Result<(), Refusal> {
        self.write(|state| {
            for id in superseded {
                let message = state.messages.get_mut(&id).unwrap();
                assert!(due_at(message).is_some(), "{id} was settled before");
                message.delivery = Delivery::Superseded { by: merged.id.clone() };
            }
            state.messages.insert(merged.id.clone(), merged);
        })
    }
}

/// What a channel answers, by the time.
type Script = Box<dyn Fn(At, &Letter) -> Result<(), Failure> + Send + Sync>;

struct ScriptedChannel {
    clock: Arc<ManualClock>,
    script: Script,
    tries: Mutex<Vec<(At, Letter, bool)>>,
}

impl Channel for ScriptedChannel {
    fn send<'a>(&'a self, letter: &'a Letter) -> Sending<'a> {
        Box::pin(async move {
            let now = self.clock.now();
            let answer = (self.script)(now, letter);
            self.tries.lock().unwrap().push((now, letter.clone(), answer.is_ok()));
            answer
        })
    }
}

struct Barn {
    clock: Arc<ManualClock>,
    outbox: MemoryOutbox,
    teller: Teller,
    telling: TellingConfig,
    wake: Arc<Notify>,
    phone: Arc<ScriptedChannel>,
    mail: Arc<ScriptedChannel>,
    board: Board,
    stop: Option<tokio::sync::oneshot::Sender<()>>,
}

#[expect(clippy::unnecessary_wraps, reason = "a script answers with a result")]
fn up(_: At, _: &Letter) -> Result<(), Failure> {
    Ok(())
}

/// Down until an instant.
fn down_until(then: At) -> Script {
    Box::new(
        move |now, _| if now < then { Err(Failure::Later("no route to host".to_owned())) } else { Ok(()) },
    )
}

impl Barn {
    fn at(now: &str, phone: Script, mail: Script) -> Barn {
        Barn::with(telling(), now, phone, mail)
    }

    fn with(telling: TellingConfig, now: &str, phone: Script, mail: Script) -> Barn {
        let clock = Arc::new(ManualClock::new(at(now)));
        let channel =
            |script| Arc::new(ScriptedChannel { clock: Arc::clone(&clock), script, tries: Mutex::default() });
        let (phone, mail) = (channel(phone), channel(mail));
        let mut barn = Barn {
            clock,
            outbox: MemoryOutbox::default(),
            teller: Teller::new(site(), &telling),
            telling,
            wake: Arc::default(),
            phone,
            mail,
            board: Board::default(),
            stop: None,
        };
        barn.start();
        barn
    }

    /// Starts the worker, or starts it again as after a crash.
    fn start(&mut self) {
        let channels: [(String, Arc<dyn Channel>); 2] = [
            ("phone".to_owned(), Arc::clone(&self.phone) as Arc<dyn Channel>),
            ("mail".to_owned(), Arc::clone(&self.mail) as Arc<dyn Channel>),
        ];
        self.start_with(channels.into());
    }

    fn start_with(&mut self, channels: BTreeMap<String, Arc<dyn Channel>>) {
        self.start_on(self.outbox.clone(), channels);
    }

    fn start_on(&mut self, outbox: impl Outbox, channels: BTreeMap<String, Arc<dyn Channel>>) {
        let deps = Deps {
            outbox,
            channels,
            book: AddressBook::new(&self.telling),
            site: site(),
            clock: Arc::clone(&self.clock) as SharedClock,
            wake: Arc::clone(&self.wake),
            jitter: || 0.0,
            board: self.board.clone(),
        };
        let (stop, stopped) = tokio::sync::oneshot::channel::<()>();
        self.stop = Some(stop);
        tokio::spawn(run(deps, async move {
            let _ = stopped.await;
        }));
    }

    fn now(&self) -> At {
        self.clock.now()
    }

    async fn take(&self, matter: &Matter) {
        let recent = self.outbox.with(|state| state.incidents.values().cloned().collect::<Vec<_>>());
        let scene = Scene { now: self.now(), recent: &recent, mutes: &[], unreached: &[] };
        if let Some(told) = self.teller.take(matter, scene) {
            self.outbox.keep(told);
        }
        self.wake.notify_one();
        settle().await;
    }

    async fn summary(&self) {
        let day = local(self.now(), ZONE).date_naive();
        let summary = Summary { subject: format!("summary {day}"), ..Summary::default() };
        let messages = self.teller.summary(&summary, day, self.now());
        self.outbox.with(|s| s.messages.extend(messages.into_iter().map(|m| (m.id.clone(), m))));
        self.wake.notify_one();
        settle().await;
    }

    async fn until(&self, then: &str) {
        self.until_instant(at(then)).await;
    }

    /// Minute by minute, with the teller's tick.
    async fn until_instant(&self, then: At) {
        settle().await;
        while self.now() < then {
            self.clock.advance(Span::minutes(1).min(then - self.now()));
            let recent = self.outbox.with(|state| state.incidents.values().cloned().collect::<Vec<_>>());
            let delivery =
                |id: &str| self.outbox.with(|state| state.messages.get(id).map(|m| m.delivery.clone()));
            let unreached = unreached(&recent, self.now(), delivery);
            let scene = Scene { now: self.now(), recent: &recent, mutes: &[], unreached: &unreached };
            for told in self.teller.due(scene) {
                self.outbox.keep(told);
                self.wake.notify_one();
            }
            settle().await;
        }
    }

    fn sent(channel: &ScriptedChannel) -> Vec<(At, Letter)> {
        let tries = channel.tries.lock().unwrap();
        tries.iter().filter(|(_, _, ok)| *ok).map(|(at, letter, _)| (*at, letter.clone())).collect()
    }

    /// What arrived: `12 14:20 odile: text`.
    fn arrived(channel: &ScriptedChannel) -> Vec<String> {
        let sent = Barn::sent(channel).into_iter();
        sent.map(|(at, letter)| {
            format!("{} {}: {}", local(at, ZONE).format("%-d %H:%M"), letter.to, letter.text)
        })
        .collect()
    }
}

/// Lets the worker and its jobs run until nothing moves.
async fn settle() {
    for _ in 0..30 {
        tokio::task::yield_now().await;
    }
}

fn matter(kind: Kind, spot: &str, level: Level, change: Change, at: At, opened: At) -> Matter {
    Matter {
        topic: Topic::Pile(kind),
        level,
        change,
        at,
        opened,
        pile: Some("2026-03".to_owned()),
        spot: Some(spot.to_owned()),
        read_spot: None,
        probe: None,
        figures: BTreeMap::new(),
    }
}

fn opened(kind: Kind, level: Level, when: &str) -> Matter {
    matter(kind, "core-north", level, Change::Opened, at(when), at(when))
}

fn closed(kind: Kind, level: Level, opened: &str, when: &str) -> Matter {
    matter(kind, "core-north", level, Change::Closed, at(when), at(opened))
}
