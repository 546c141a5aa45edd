//! From a message to dated readings that are on the card: decode, date, hand in, and only then acknowledge.
//!
//! Two ways in, the [`endpoint`] of our own and the client of an outside broker, lead into one [`intake`]. What is
//! known of both is on a [`status::Board`].

pub mod allowance;
pub mod backlog;
pub mod book;
mod broker;
pub mod date;
pub mod decode;
pub mod endpoint;
pub mod guest;
pub mod heard;
pub mod held;
pub mod intake;
pub mod json;
pub mod mapping;
pub mod number;
pub mod overhear;
pub mod pointer;
pub mod publisher;
pub mod reason;
mod rom;
pub mod router;
pub mod seen;
pub mod status;
pub mod suggest;
pub mod time_of;
pub mod trust;

use std::future::Future;
use std::path::PathBuf;
use std::sync::Arc;

use heapward_rules::units::At;
use tokio::net::TcpListener;
use tokio::sync::{mpsc, watch};
use tokio::task::JoinSet;

use crate::clock::SharedClock;
use crate::config::{BrokerConfig, PassConfig, ProbeConfig};
use crate::limits::{ARRIVALS_MAX, BROKER_OUTGOING_MAX};
use crate::recorder::Handle;
use endpoint::Hub;
use intake::Intake;
use mapping::MappingProblem;
use overhear::Overhearing;
use publisher::Publisher;
use router::Router;
use status::{Board, Status};
use suggest::{Suggestion, suggest};

/// What ingest is made of.
pub struct Parts {
    pub clock: SharedClock,
    pub recorder: Handle,
    pub probes: Vec<ProbeConfig>,
    /// Newest committed instant of the store, `At::MIN` for an empty one: no clock that stands before it is believed.
    pub newest: At,
    /// The endpoint of our own: its listener and its passes (none: anybody who can reach it).
    pub endpoint: Option<(TcpListener, Vec<PassConfig>)>,
    /// File for what the endpoint remembers of its clients over a restart.
    pub sessions: Option<PathBuf>,
    /// An outside broker.
    pub broker: Option<BrokerConfig>,
}

/// Ingest at work.
pub struct Ingest {
    handle: IngestHandle,
    tasks: JoinSet<()>,
}

/// What others may ask of ingest.
#[derive(Clone)]
pub struct IngestHandle {
    board: Arc<Board>,
    router: Arc<watch::Sender<Arc<Router>>>,
    publisher: Publisher,
    overhearing: Overhearing,
}

/// Why ingest did not start.
#[derive(Debug, thiserror::Error)]
pub enum StartProblem {
    /// The first probe whose mapping can't be read.
    #[error(transparent)]
    Mapping(#[from] MappingProblem),
    /// What the connection to the broker needs is not there: a certificate or a key.
    #[error("[broker]: {0}")]
    Broker(String),
}

/// Starts ingest; it ends when `shutdown` resolves.
pub fn start(
    parts: Parts,
    shutdown: impl Future<Output = ()> + Send + 'static,
) -> Result<Ingest, StartProblem> {
    let router = watch::Sender::new(Arc::new(Router::new(&parts.probes)?));
    let overhearing = Overhearing::new(parts.broker.clone(), Arc::clone(&parts.clock));
    let line = parts.broker.map(broker::Line::new).transpose().map_err(StartProblem::Broker)?;
    let board = Arc::new(Board::default());
    let hub = Arc::new(Hub::default());
    let (stopping, stop) = watch::channel(false);
    let (arrivals, receiver) = mpsc::channel(ARRIVALS_MAX);
    let mut tasks = JoinSet::new();
    let intake = Intake::new(
        Arc::clone(&parts.clock),
        parts.recorder,
        router.subscribe(),
        Arc::clone(&board),
        parts.newest,
    );
    tasks.spawn(intake.run(receiver));
    if let Some((listener, passes)) = parts.endpoint {
        endpoint::announce(&listener, &board);
        let (clock, hub, board) = (Arc::clone(&parts.clock), Arc::clone(&hub), Arc::clone(&board));
        let arrivals = arrivals.clone();
        let parts =
            endpoint::Parts { listener, passes, sessions: parts.sessions, clock, hub, board, arrivals };
        tasks.spawn(endpoint::run(parts, stop.clone()));
    }
    let mut letters = None;
    if let Some(line) = line {
        broker::announce(&line, &board);
        let (sender, outgoing) = mpsc::channel(BROKER_OUTGOING_MAX);
        letters = Some(sender);
        let (clock, board, arrivals) = (Arc::clone(&parts.clock), Arc::clone(&board), arrivals.clone());
        let parts = broker::Parts { line, clock, router: router.subscribe(), board, arrivals, outgoing };
        tasks.spawn(broker::run(parts, stop.clone()));
    }
    tasks.spawn(async move {
        shutdown.await;
        let _ = stopping.send(true);
        // The intake ends when the last way in has let go of its queue.
        drop((arrivals, stop));
    });
    let publisher = Publisher::new(hub, letters);
    Ok(Ingest { handle: IngestHandle { board, router: Arc::new(router), publisher, overhearing }, tasks })
}

// === impl Ingest ===

impl Ingest {
    pub fn handle(&self) -> IngestHandle {
        self.handle.clone()
    }

    /// Waits until all of it has ended, after the shutdown that was given to [`start`].
    pub async fn finished(mut self) {
        while self.tasks.join_next().await.is_some() {}
    }
}

// === impl IngestHandle ===

impl IngestHandle {
    /// A snapshot of what is known.
    pub fn status(&self) -> Status {
        self.board.snapshot()
    }

    /// What could be read from a topic that no probe listens to, by its newest message. `None` if no such topic was
    /// seen of late, or if its messages are too long.
    pub fn suggest(&self, topic: &str) -> Option<Suggestion> {
        let (payload, every) = self.board.lock().unassigned_payload(topic)?;
        Some(suggest(topic, &payload, every))
    }

    /// Listens for a while to all topics of the broker, not only to those of the probes, so that the others are seen.
    /// False if there is no broker.
    pub fn overhear(&self) -> bool {
        let (board, router) = (Arc::clone(&self.board), self.router.subscribe());
        self.overhearing.begin(board, router)
    }

    /// Whether it is being listened to all topics at the moment, and what went wrong the last time.
    pub fn overhearing(&self) -> (bool, Option<String>) {
        self.overhearing.state()
    }

    /// For tests of pages: a message on a topic that no probe listens to.
    #[cfg(test)]
    pub(crate) fn hear(&self, topic: &str, payload: &str, now: At) {
        self.board.lock().unassigned(topic, payload.as_bytes(), false, now);
    }

    /// The same, of one that the broker had kept.
    #[cfg(test)]
    pub(crate) fn hear_kept(&self, topic: &str, payload: &str, now: At) {
        self.board.lock().unassigned(topic, payload.as_bytes(), true, now);
    }

    /// For tests of pages: what a probe's messages said beside its readings.
    #[cfg(test)]
    pub(crate) fn hear_of(&self, probe: &str, said: status::ProbeStatus) {
        self.board.lock().status.probes.insert(heapward_rules::ids::ProbeId::new(probe), said);
    }

    /// Takes another set of probes into use, without a restart. On a mistake the former set stays.
    pub fn set_probes(&self, probes: &[ProbeConfig]) -> Result<(), MappingProblem> {
        let router = Arc::new(Router::new(probes)?);
        self.board.lock().forget_topics(|topic| router.route(topic).next().is_some());
        self.router.send_replace(router);
        Ok(())
    }

    /// For the telling part: messages to lamps, sirens and displays.
    pub fn publisher(&self) -> Publisher {
        self.publisher.clone()
    }
}
