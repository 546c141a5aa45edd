//! What others may ask of the recorder.

use std::collections::BTreeMap;
use std::sync::{Arc, RwLock};

use heapward_rules::finding::Finding;
use heapward_rules::units::At;
use heapward_rules::verdict::Judgement;
use tokio::sync::{mpsc, oneshot};

use crate::after::After;
use crate::model::entry::{Entry, NewEntry};
use crate::model::incident::Incident;
use crate::model::message::{Delivery, OutboxMessage};
use crate::model::pile::{PileRecord, PlacementRecord};
use crate::model::reading::DatedReading;
use crate::recorder::{Ack, Probes};

/// Why an entry was not taken, in words for the person who made it: what, and what to do.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum Refusal {
    /// The entry itself is wrong (HTTP 400).
    #[error("{0}")]
    Wrong(String),
    /// There is no such pile, spot, probe or entry (HTTP 404).
    #[error("{0}")]
    Unknown(String),
    /// It contradicts what is recorded already (HTTP 409).
    #[error("{0}")]
    Conflict(String),
    /// The store can't take it at the moment (HTTP 503).
    #[error("{0}")]
    Unavailable(String),
}

/// What the recorder does, one after the other.
pub enum Command {
    /// Readings of one or several messages, kept together or not at all, with the messages' acknowledgements.
    Readings {
        readings: Vec<DatedReading>,
        acks: Vec<Ack>,
    },
    StartPile {
        pile: PileRecord,
        by: String,
        reply: oneshot::Sender<Result<PileRecord, Refusal>>,
    },
    Place {
        pile: String,
        placement: PlacementRecord,
        by: String,
        reply: oneshot::Sender<Result<PileRecord, Refusal>>,
    },
    Enter {
        entry: NewEntry,
        reply: oneshot::Sender<Result<Entry, Refusal>>,
    },
    /// The telling worker has tried a message.
    Delivered {
        message: String,
        delivery: Delivery,
        tries: u32,
        reply: oneshot::Sender<Result<(), Refusal>>,
    },
    /// Several waiting messages of one channel and contact went out as one: `merged` is new and sent, the others are
    /// superseded by it, all in one transaction.
    Merged {
        merged: OutboxMessage,
        superseded: Vec<String>,
        reply: oneshot::Sender<Result<(), Refusal>>,
    },
    /// A person has seen an incident.
    Seen {
        incident: String,
        reply: oneshot::Sender<Result<(), Refusal>>,
    },
    /// Silence for a pile until an instant, with the reason.
    Mute {
        pile: String,
        until: At,
        reason: String,
        reply: oneshot::Sender<Result<(), Refusal>>,
    },
    /// The messages of a daily summary, with a document that says so, in one transaction.
    Summary {
        messages: Vec<OutboxMessage>,
        document: &'static str,
        text: String,
        reply: oneshot::Sender<Result<(), Refusal>>,
    },
    /// A text to be kept as a document of the store.
    Keep {
        document: &'static str,
        text: String,
        reply: oneshot::Sender<Result<(), Refusal>>,
    },
    /// The configuration was read again: what each probe measures now.
    SetProbes {
        probes: Probes,
        reply: oneshot::Sender<Result<(), Refusal>>,
    },
    /// Time has passed: deadlines of rules, summary, sealing.
    Tick,
    /// Heapward stops: commits what waits and ends the recorder.
    Stop,
}

/// A pile with its last judgement, for pages and API.
#[derive(Clone, Debug)]
pub struct PileView {
    pub pile: PileRecord,
    pub judgement: Judgement,
    /// What is open at the moment.
    pub open: Vec<Finding>,
    /// Instant of the newest reading or entry that was judged.
    pub judged_to: At,
    /// Curing, readiness, and where it went.
    pub after: After,
}

/// Since when readings can't be kept, and what the card said.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct StoreTrouble {
    pub since: At,
    pub reason: String,
}

/// The recorder as others see it.
#[derive(Clone)]
pub struct Handle {
    pub(super) commands: mpsc::Sender<Command>,
    views: Arc<RwLock<BTreeMap<String, Arc<PileView>>>>,
    store_trouble: Arc<RwLock<Option<StoreTrouble>>>,
    /// Open incidents with their figures as they are now, by id.
    open: Arc<RwLock<BTreeMap<String, Incident>>>,
}

// === impl Handle ===

impl Handle {
    /// A handle and the receiving end for the recorder.
    pub fn new(queue_length: usize) -> (Handle, mpsc::Receiver<Command>) {
        let (commands, receiver) = mpsc::channel(queue_length);
        let (views, store_trouble, open) = (Arc::default(), Arc::default(), Arc::default());
        (Handle { commands, views, store_trouble, open }, receiver)
    }

    /// Hands in the readings of one message. Waits while the queue is full: that is the back-pressure.
    pub async fn readings(&self, readings: Vec<DatedReading>, ack: Ack) -> Result<(), Refusal> {
        self.readings_of(readings, vec![ack]).await
    }

    /// The same for several messages together.
    pub async fn readings_of(&self, readings: Vec<DatedReading>, acks: Vec<Ack>) -> Result<(), Refusal> {
        self.commands.send(Command::Readings { readings, acks }).await.map_err(|_| stopped())
    }

    pub async fn start_pile(&self, pile: PileRecord, by: String) -> Result<PileRecord, Refusal> {
        self.ask(|reply| Command::StartPile { pile, by, reply }).await
    }

    pub async fn place(
        &self,
        pile: String,
        placement: PlacementRecord,
        by: String,
    ) -> Result<PileRecord, Refusal> {
        self.ask(|reply| Command::Place { pile, placement, by, reply }).await
    }

    pub async fn enter(&self, entry: NewEntry) -> Result<Entry, Refusal> {
        self.ask(|reply| Command::Enter { entry, reply }).await
    }

    pub async fn delivered(&self, message: String, delivery: Delivery, tries: u32) -> Result<(), Refusal> {
        self.ask(|reply| Command::Delivered { message, delivery, tries, reply }).await
    }

    pub async fn merged(&self, merged: OutboxMessage, superseded: Vec<String>) -> Result<(), Refusal> {
        self.ask(|reply| Command::Merged { merged, superseded, reply }).await
    }

    pub async fn seen(&self, incident: String) -> Result<(), Refusal> {
        self.ask(|reply| Command::Seen { incident, reply }).await
    }

    pub async fn mute(&self, pile: String, until: At, reason: String) -> Result<(), Refusal> {
        self.ask(|reply| Command::Mute { pile, until, reason, reply }).await
    }

    pub async fn set_probes(&self, probes: Probes) -> Result<(), Refusal> {
        self.ask(|reply| Command::SetProbes { probes, reply }).await
    }

    /// Keeps a text as a document of the store.
    pub async fn keep(&self, document: &'static str, text: String) -> Result<(), Refusal> {
        self.ask(|reply| Command::Keep { document, text, reply }).await
    }

    pub async fn summary(
        &self,
        messages: Vec<OutboxMessage>,
        document: &'static str,
        text: String,
    ) -> Result<(), Refusal> {
        self.ask(|reply| Command::Summary { messages, document, text, reply }).await
    }

    /// A tick that finds the queue full is not needed.
    pub fn tick(&self) {
        let _ = self.commands.try_send(Command::Tick);
    }

    /// Ends the recorder after everything that was handed in before.
    pub async fn stop(&self) {
        // A recorder that is gone already has stopped.
        let _ = self.commands.send(Command::Stop).await;
    }

    /// The last judgement of every pile.
    pub fn views(&self) -> Vec<Arc<PileView>> {
        self.views.read().map(|views| views.values().cloned().collect()).unwrap_or_default()
    }

    pub fn view(&self, pile: &str) -> Option<Arc<PileView>> {
        self.views.read().ok().and_then(|views| views.get(pile).cloned())
    }

    /// An open incident as the recorder knows it: its figures are written more seldom than they change.
    pub fn open_incident(&self, id: &str) -> Option<Incident> {
        self.open.read().ok()?.get(id).cloned()
    }

    /// For the recorder: the incidents that are open.
    pub fn show_open(&self, incidents: impl Iterator<Item = Incident>) {
        if let Ok(mut open) = self.open.write() {
            *open = incidents.map(|incident| (incident.id.clone(), incident)).collect();
        }
    }

    /// What keeps readings from being kept, while it lasts.
    pub fn store_trouble(&self) -> Option<StoreTrouble> {
        self.store_trouble.read().ok()?.clone()
    }

    /// For the recorder: the store fails, or works again.
    pub fn show_store_trouble(&self, trouble: Option<StoreTrouble>) {
        if let Ok(mut shown) = self.store_trouble.write() {
            *shown = trouble;
        }
    }

    /// For the recorder: shows a new judgement to everybody.
    pub fn show(&self, view: PileView) {
        if let Ok(mut views) = self.views.write() {
            views.insert(view.pile.id.clone(), Arc::new(view));
        }
    }

    async fn ask<T>(
        &self,
        command: impl FnOnce(oneshot::Sender<Result<T, Refusal>>) -> Command,
    ) -> Result<T, Refusal> {
        let (reply, answer) = oneshot::channel();
        self.commands.send(command(reply)).await.map_err(|_| stopped())?;
        answer.await.map_err(|_| stopped())?
    }
}

fn stopped() -> Refusal {
    Refusal::Unavailable("Heapward is stopping; try again in a minute".to_owned())
}
