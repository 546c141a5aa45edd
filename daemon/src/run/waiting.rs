//! While the records can't be opened at the start: a card that was mounted read-only after a power cut, one that is full,
//! one that has spoiled more files than are set aside. Nothing can be judged then and nothing is taken in, so probes and
//! broker keep what they have; but people are told, the page says why, and it is tried again without anybody's help.

use std::collections::BTreeMap;
use std::future::{Future, pending};
use std::pin::pin;
use std::sync::{Arc, Mutex, PoisonError};

use heapward_rules::finding::{Change, Level};
use heapward_rules::units::{At, Span};
use tokio::net::TcpListener;
use tokio::sync::Notify;
use tracing::{error, warn};

use crate::clock::SharedClock;
use crate::config::Config;
use crate::http;
use crate::limits::{START_PAUSE_FIRST, START_PAUSE_MAX};
use crate::model::incident::Incident;
use crate::model::message::{Delivery, OutboxMessage};
use crate::model::time::local;
use crate::recorder::Refusal;
use crate::store::StoreError;
use crate::telling::channel::Channel;
use crate::telling::policy::{Scene, Teller, Told};
use crate::telling::signs::Signs;
use crate::telling::topic::{Matter, Trouble};
use crate::telling::worker::{self, Board, Outbox};
use crate::telling::{backoff, heartbeat, ways};

/// Begun at the first try that failed.
pub struct Waiting {
    teller: Teller,
    clock: SharedClock,
    zone: chrono_tz::Tz,
    since: At,
    pause: Span,
    outbox: Memory,
    channels: BTreeMap<String, Arc<dyn Channel>>,
    board: Board,
}

/// What is told, with what became of it; no store could keep it.
#[derive(Clone, Default)]
struct Memory(Arc<Mutex<Vec<Told>>>);

// === impl Waiting ===

impl Waiting {
    /// A channel that needs what is not running yet is left out; the others are tried.
    pub fn begin(config: &Config, clock: &SharedClock, around: &ways::Surroundings) -> Waiting {
        let (channels, problems) = ways::connect_some(&config.telling, around);
        for problem in problems {
            warn!("not used while the records can't be opened: {problem}");
        }
        Waiting {
            teller: Teller::new(super::site(config), &config.telling),
            clock: clock.clone(),
            zone: config.farm.timezone,
            since: clock.now(),
            pause: START_PAUSE_FIRST,
            outbox: Memory::default(),
            channels,
            board: Board::default(),
        }
    }

    /// What was told so far, and what became of it.
    pub fn told(&self) -> Vec<Told> {
        self.outbox.all()
    }

    /// Until the next try is due: says why on the page, tells people, feeds systemd's watchdog. Each pause is twice the
    /// one before. `false` if `stop` resolved.
    pub async fn pause(
        &mut self,
        problem: &StoreError,
        pages: TcpListener,
        stop: impl Future<Output = ()>,
    ) -> bool {
        if self.pause == START_PAUSE_FIRST {
            error!("the records can't be opened, and it is tried again: {problem}");
        }
        let since = local(self.since, self.zone).format("%a %-d %b, %H:%M");
        let sentence = format!(
            "the records can't be opened since {since}: {problem}. It is tried again each minute; until then nothing is \
             taken in, and probes and broker keep what they have"
        );
        let (wake, mut left) = (Arc::new(Notify::new()), self.pause);
        self.pause = Span((self.pause.0 * 2).min(START_PAUSE_MAX.0));
        let sender = self.sender(&wake);
        let signs = Signs::new(self.clock.clone(), &[]);
        let interval = heartbeat::watchdog_interval();
        let mut around = pin!(async {
            tokio::join!(
                http::serve_notice(pages, sentence, pending()),
                worker::run(sender, pending()),
                heartbeat::watch(signs, interval, heartbeat::feed_systemd, pending()),
            )
        });
        let mut stop = pin!(stop);
        while left > Span::ZERO {
            self.tell(&wake);
            let nap = left.min(START_PAUSE_FIRST);
            tokio::select! {
                () = &mut stop => return false,
                _ = &mut around => {}
                () = self.clock.sleep(nap) => {}
            }
            left = left - nap;
        }
        true
    }

    fn sender(&self, wake: &Arc<Notify>) -> worker::Deps<Memory> {
        worker::Deps {
            outbox: self.outbox.clone(),
            channels: self.channels.clone(),
            book: self.teller.book().clone(),
            site: self.teller.site().clone(),
            clock: self.clock.clone(),
            wake: wake.clone(),
            jitter: backoff::random_jitter,
            board: self.board.clone(),
        }
    }

    /// The first telling when it has lasted long enough, and its reminders.
    fn tell(&self, wake: &Notify) {
        let now = self.clock.now();
        let recent = self.outbox.incidents();
        let scene = Scene { now, recent: &recent, mutes: &[], unreached: &[] };
        let told = if recent.is_empty() {
            let matter =
                Matter::of_farm(Trouble::StoreFailing, Level::Urgent, Change::Opened, now, self.since);
            self.teller.take(&matter, scene).into_iter().collect()
        } else {
            self.teller.due_of_farm(scene)
        };
        if !told.is_empty() {
            self.outbox.keep(told);
            wake.notify_one();
        }
    }
}

// === impl Memory ===

impl Memory {
    fn with<T>(&self, work: impl FnOnce(&mut Vec<Told>) -> T) -> T {
        work(&mut self.0.lock().unwrap_or_else(PoisonError::into_inner))
    }

    fn all(&self) -> Vec<Told> {
        self.with(|told| told.clone())
    }

    /// One incident is all there is: its newest state counts, and its messages gather.
    fn keep(&self, new: Vec<Told>) {
        self.with(|kept| {
            for told in new {
                match kept.first_mut() {
                    Some(known) => {
                        known.incident = told.incident;
                        known.messages.extend(told.messages);
                    }
                    None => kept.push(told),
                }
            }
        });
    }

    fn incidents(&self) -> Vec<Incident> {
        self.with(|told| told.iter().map(|told| told.incident.clone()).collect())
    }

    fn settle(&self, ids: &[String], delivery: &Delivery, tries: u32) {
        self.with(|told| {
            let messages = told.iter_mut().flat_map(|told| &mut told.messages);
            for message in messages.filter(|message| ids.contains(&message.id)) {
                message.delivery = delivery.clone();
                message.tries = tries;
            }
        });
    }
}

impl Outbox for Memory {
    fn waiting(&self, limit: usize) -> Result<Vec<OutboxMessage>, Refusal> {
        let waits = |message: &OutboxMessage| matches!(message.delivery, Delivery::Waiting { .. });
        let messages = self.all().into_iter().flat_map(|told| told.messages);
        Ok(messages.filter(waits).take(limit).collect())
    }

    fn incident(&self, id: &str) -> Result<Option<Incident>, Refusal> {
        Ok(self.incidents().into_iter().find(|incident| incident.id == id))
    }

    async fn delivered(&self, message: String, delivery: Delivery, tries: u32) -> Result<(), Refusal> {
        self.settle(&[message], &delivery, tries);
        Ok(())
    }

    async fn merged(&self, merged: OutboxMessage, superseded: Vec<String>) -> Result<(), Refusal> {
        self.settle(&superseded, &Delivery::Superseded { by: merged.id.clone() }, 0);
        self.with(|told| told.first_mut().into_iter().for_each(|told| told.messages.push(merged.clone())));
        Ok(())
    }
}
