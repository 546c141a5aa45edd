//! Takes waiting messages out of the store and tries their channels until they are gone.
//!
//! Each pair of channel and contact is a lane with pauses of its own, so that one dead channel holds up no other.
//! The worker sleeps to the next due message or try, or until it is woken; it never polls. A result that the
//! recorder can't take at the moment is kept and handed in again: what went out is not sent a second time.

mod errand;

use std::collections::{BTreeMap, HashMap};
use std::future::Future;
use std::sync::Arc;

use heapward_rules::finding::Level;
use heapward_rules::units::{At, Span};
use tokio::sync::Notify;
use tokio::task::{Id, JoinError, JoinSet};

use self::errand::{Errand, Finished, Outcome};
use super::address::AddressBook;
use super::backoff::pause;
pub use super::board::{Board, ChannelState};
use super::channel::Channel;
use super::topic::parse_level;
use super::wording::Site;
use crate::clock::SharedClock;
use crate::limits;
use crate::model::incident::Incident;
use crate::model::message::{Delivery, OutboxMessage};
use crate::recorder::Refusal;

/// The outbox as the worker needs it: the store's reader and the recorder's handle.
pub trait Outbox: Clone + Send + Sync + 'static {
    /// Messages that still wait, the earliest due first, at most `limit`.
    fn waiting(&self, limit: usize) -> Result<Vec<OutboxMessage>, Refusal>;

    fn incident(&self, id: &str) -> Result<Option<Incident>, Refusal>;

    fn delivered(
        &self,
        message: String,
        delivery: Delivery,
        tries: u32,
    ) -> impl Future<Output = Result<(), Refusal>> + Send;

    fn merged(
        &self,
        merged: OutboxMessage,
        superseded: Vec<String>,
    ) -> impl Future<Output = Result<(), Refusal>> + Send;
}

/// Everything that the worker works with.
pub struct Deps<O> {
    pub outbox: O,
    /// By name.
    pub channels: BTreeMap<String, Arc<dyn Channel>>,
    pub book: AddressBook,
    pub site: Site,
    pub clock: SharedClock,
    /// Notified after each commit that wrote messages.
    pub wake: Arc<Notify>,
    /// Between -1 and 1; `backoff::random_jitter`.
    pub jitter: fn() -> f64,
    pub board: Board,
}

/// Channel and contact.
type LaneKey = (String, String);

#[derive(Default)]
struct Lane {
    failures: u32,
    next_try: Option<At>,
    /// When the last try began.
    tried: Option<At>,
    busy: bool,
}

struct Worker<O> {
    deps: Deps<O>,
    lanes: BTreeMap<LaneKey, Lane>,
    unreported: Vec<Outcome>,
    jobs: JoinSet<Finished>,
    /// The lane of each job, should one panic.
    running: HashMap<Id, LaneKey>,
}

/// Works until `shutdown` completes; tries that are under way are given up then (a repeat bears the same id).
pub async fn run<O: Outbox>(deps: Deps<O>, shutdown: impl Future<Output = ()> + Send) {
    let mut worker = Worker {
        deps,
        lanes: BTreeMap::new(),
        unreported: Vec::new(),
        jobs: JoinSet::new(),
        running: HashMap::new(),
    };
    let mut shutdown = std::pin::pin!(shutdown);
    loop {
        let pause = worker.round().await;
        let clock = Arc::clone(&worker.deps.clock);
        let wake = Arc::clone(&worker.deps.wake);
        tokio::select! {
            () = &mut shutdown => return,
            () = wake.notified() => {}
            Some(done) = worker.jobs.join_next_with_id() => worker.finish(done),
            () = clock.sleep(pause) => {}
        }
    }
}

// === impl Lane ===

impl Lane {
    /// Whether a grave message has come since the last try.
    fn has_not_tried(&self, message: &OutboxMessage) -> bool {
        parse_level(&message.level) >= Level::Urgent
            && message.tries == 0
            && self.tried.is_none_or(|tried| due_at(message).is_some_and(|due| due > tried))
    }
}

// === impl Worker ===

impl<O: Outbox> Worker<O> {
    /// Starts every lane that has something to try, and says how long there is nothing more to do.
    async fn round(&mut self) -> Span {
        self.report_again().await;
        let waiting = match self.deps.outbox.waiting(limits::OUTBOX_READ_MAX) {
            Ok(waiting) => waiting,
            Err(refusal) => {
                tracing::warn!(%refusal, "the outbox can't be read; trying again");
                return limits::OUTBOX_RETRY;
            }
        };
        let now = self.deps.clock.now();
        let mut lanes: BTreeMap<LaneKey, Vec<OutboxMessage>> = BTreeMap::new();
        for message in waiting {
            if !self.unreported.iter().any(|outcome| outcome.covers(&message.id)) {
                lanes.entry((message.channel.clone(), message.contact.clone())).or_default().push(message);
            }
        }
        let mut next = if self.unreported.is_empty() { limits::OUTBOX_LOOK } else { limits::OUTBOX_RETRY };
        for (key, messages) in lanes {
            if let Some(at) = self.lane_deadline(&key, &messages).filter(|at| *at > now) {
                next = next.min(at - now);
            } else {
                self.start(key, messages, now);
            }
        }
        next
    }

    /// When a lane has something to do. `None` for at once; a busy lane answers for itself when it has done.
    fn lane_deadline(&self, key: &LaneKey, messages: &[OutboxMessage]) -> Option<At> {
        let due = messages.iter().filter_map(due_at).min();
        match self.lanes.get(key) {
            Some(lane) if lane.busy => Some(At::MAX),
            Some(lane) => {
                // What can't wait is tried when it is due, whatever became of the try before.
                let grave = messages.iter().filter(|message| lane.has_not_tried(message));
                [due.max(lane.next_try), grave.filter_map(due_at).min()].into_iter().flatten().min()
            }
            None => due,
        }
    }

    fn start(&mut self, key: LaneKey, mut messages: Vec<OutboxMessage>, now: At) {
        // The summary takes along what was held for it.
        let is_due = |message: &OutboxMessage, by: At| due_at(message).is_none_or(|due| due <= by);
        let has_summary = messages.iter().any(|message| message.incident.is_none() && is_due(message, now));
        let by = if has_summary { now + limits::SUMMARY_GRACE } else { now };
        messages.retain(|message| is_due(message, by));
        let mut incidents = BTreeMap::new();
        for id in messages.iter().filter_map(|message| message.incident.as_ref()) {
            match self.deps.outbox.incident(id) {
                Ok(Some(incident)) => {
                    incidents.insert(id.clone(), incident);
                }
                Ok(None) => {}
                Err(refusal) => tracing::warn!(%refusal, incident = %id, "incident can't be read"),
            }
        }
        let lane = self.lanes.entry(key.clone()).or_default();
        lane.busy = true;
        lane.tried = Some(now);
        let was_down = lane.failures > 0 || messages.iter().any(|message| message.tries > 0);
        let pause = pause(lane.failures.saturating_add(1), (self.deps.jitter)());
        let channel = self.deps.channels.get(&key.0).cloned();
        let way = self.deps.book.way(&key.1, &key.0);
        let way = way.map(|(address, shape)| (address.to_owned(), shape));
        let reads_summary = self.deps.book.reads_summary(&key.1);
        let errand = Errand {
            key,
            messages,
            incidents,
            was_down,
            reads_summary,
            pause,
            site: self.deps.site.clone(),
            clock: Arc::clone(&self.deps.clock),
            outbox: self.deps.outbox.clone(),
            sent: 0,
            given_up: 0,
            unreported: Vec::new(),
        };
        let lane = errand.key.clone();
        let id = self.jobs.spawn(errand.run(channel, way)).id();
        self.running.insert(id, lane);
    }

    fn finish(&mut self, done: Result<(Id, Finished), JoinError>) {
        let now = self.deps.clock.now();
        let (id, done) = match done {
            Ok((id, done)) => (id, Some(done)),
            Err(error) => (error.id(), None),
        };
        let Some(lane) = self.running.remove(&id) else { return };
        let done = done.unwrap_or_else(|| Finished {
            lane,
            failed: Some(("the channel broke down; please report this".to_owned(), limits::OUTBOX_LOOK)),
            sent: 0,
            given_up: 0,
            unreported: Vec::new(),
        });
        self.deps.board.count(done.sent, done.given_up);
        let lane = self.lanes.entry(done.lane.clone()).or_default();
        lane.busy = false;
        if let Some((reason, pause)) = done.failed {
            if lane.failures == 0 {
                tracing::warn!(channel = %done.lane.0, contact = %done.lane.1, %reason, "can't send; trying on");
            }
            lane.failures = lane.failures.saturating_add(1);
            lane.next_try = Some(now + pause);
            self.deps.board.note(&done.lane.0, now, Some(reason));
        } else {
            if lane.failures > 0 {
                tracing::info!(channel = %done.lane.0, contact = %done.lane.1, "sends again");
            }
            *lane = Lane { tried: lane.tried, ..Lane::default() };
            if done.sent > 0 {
                self.deps.board.note(&done.lane.0, now, None);
            }
        }
        self.unreported.extend(done.unreported);
    }

    async fn report_again(&mut self) {
        let outcomes = std::mem::take(&mut self.unreported);
        for outcome in outcomes {
            if outcome.report(&self.deps.outbox).await.is_err() {
                self.unreported.push(outcome);
            }
        }
    }
}

fn due_at(message: &OutboxMessage) -> Option<At> {
    match message.delivery {
        Delivery::Waiting { due_ms } => Some(At(due_ms)),
        _ => None,
    }
}

#[cfg(test)]
mod tests;
