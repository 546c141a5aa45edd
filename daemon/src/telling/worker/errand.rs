//! One try of a lane: what goes out, and what becomes of it.

use std::collections::BTreeMap;
use std::sync::Arc;

use heapward_rules::units::{At, Span};

use super::{LaneKey, Outbox};
use crate::clock::SharedClock;
use crate::limits;
use crate::model::incident::Incident;
use crate::model::message::{Delivery, OutboxMessage};
use crate::recorder::Refusal;
use crate::telling::address::Shape;
use crate::telling::channel::{Channel, Failure, Letter};
use crate::telling::digest::{Parcel, Tray, plan};
use crate::telling::wording::Site;

/// What became of a message, not yet in the store.
#[derive(Clone)]
pub(super) enum Outcome {
    One { message: String, delivery: Delivery, tries: u32 },
    Merged { merged: Box<OutboxMessage>, superseded: Vec<String> },
}

pub(super) struct Finished {
    pub(super) lane: LaneKey,
    /// The reason, and the pause before the next try.
    pub(super) failed: Option<(String, Span)>,
    /// Messages that went out, and those that were given up.
    pub(super) sent: u64,
    pub(super) given_up: u64,
    pub(super) unreported: Vec<Outcome>,
}

/// One try of a lane.
pub(super) struct Errand<O> {
    pub(super) key: LaneKey,
    pub(super) messages: Vec<OutboxMessage>,
    pub(super) incidents: BTreeMap<String, Incident>,
    pub(super) was_down: bool,
    pub(super) reads_summary: bool,
    pub(super) pause: Span,
    pub(super) site: Site,
    pub(super) clock: SharedClock,
    pub(super) outbox: O,
    pub(super) sent: u64,
    pub(super) given_up: u64,
    pub(super) unreported: Vec<Outcome>,
}

// === impl Outcome ===

impl Outcome {
    /// The waiting messages that it settles.
    pub(super) fn covers(&self, id: &str) -> bool {
        match self {
            Outcome::One { message, .. } => message == id,
            Outcome::Merged { merged, superseded } => merged.id == id || superseded.iter().any(|s| s == id),
        }
    }

    pub(super) async fn report<O: Outbox>(&self, outbox: &O) -> Result<(), Refusal> {
        match self.clone() {
            Outcome::One { message, delivery, tries } => outbox.delivered(message, delivery, tries).await,
            Outcome::Merged { merged, superseded } => outbox.merged(*merged, superseded).await,
        }
    }
}

// === impl Errand ===

impl<O: Outbox> Errand<O> {
    pub(super) async fn run(
        mut self,
        channel: Option<Arc<dyn Channel>>,
        way: Option<(String, Shape)>,
    ) -> Finished {
        let (Some(channel), Some((address, shape))) = (channel, way) else {
            let messages = std::mem::take(&mut self.messages);
            self.give_up(&messages, "channel or contact is no longer in the configuration").await;
            return self.finished(None);
        };
        let now = self.clock.now();
        let tray = Tray {
            due: &self.messages,
            incidents: &self.incidents,
            was_down: self.was_down,
            reads_summary: self.reads_summary,
            shape,
            site: &self.site,
            now,
        };
        let plan = plan(tray);
        // What another message of the tray stands for waits with it: it has been told only when that is out.
        let (behind, settled): (Vec<_>, Vec<_>) = plan
            .dropped
            .into_iter()
            .partition(|(_, by)| self.messages.iter().any(|message| message.id == *by));
        self.drop(settled).await;
        for parcel in plan.parcels {
            let letter = self.letter(&parcel.message, &address);
            match channel.send(&letter).await {
                Ok(()) => {
                    self.sent += 1;
                    self.sent(parcel).await;
                }
                Err(Failure::Never(reason)) => {
                    tracing::warn!(channel = %self.key.0, contact = %self.key.1, %reason, "message refused for good");
                    let lost =
                        if parcel.stands_for.is_empty() { vec![parcel.message] } else { parcel.stands_for };
                    self.give_up(&lost, &reason).await;
                }
                Err(Failure::Later(reason)) => {
                    self.failed(parcel, &reason).await;
                    return self.finished(Some(reason));
                }
            }
        }
        self.drop(behind).await;
        self.finished(None)
    }

    async fn drop(&mut self, messages: Vec<(String, String)>) {
        for (message, by) in messages {
            let tries = self.tries(&message);
            self.report(Outcome::One { message, delivery: Delivery::Superseded { by }, tries }).await;
        }
    }

    fn letter(&self, message: &OutboxMessage, address: &str) -> Letter {
        Letter {
            id: message.id.clone(),
            to: message.contact.clone(),
            address: address.to_owned(),
            level: message.level.clone(),
            subject: message.subject.clone(),
            text: message.text.clone(),
            html: message.html.clone(),
            images: message.images.clone(),
            sent_at: self.clock.now(),
        }
    }

    async fn sent(&mut self, parcel: Parcel) {
        let delivery = Delivery::Sent { at_ms: self.clock.now().0 };
        let tries = parcel.message.tries.saturating_add(1);
        let outcome = if parcel.stands_for.is_empty() {
            Outcome::One { message: parcel.message.id, delivery, tries }
        } else {
            // The summary stands for what it took along, and for itself.
            let others = parcel.stands_for.into_iter().map(|message| message.id);
            let superseded = others.filter(|id| *id != parcel.message.id).collect();
            let merged = Box::new(OutboxMessage { tries, delivery, ..parcel.message });
            Outcome::Merged { merged, superseded }
        };
        self.report(outcome).await;
    }

    /// One message of the parcel is marked: that the lane is down shows after a restart too, at one commit a try.
    async fn failed(&mut self, parcel: Parcel, reason: &str) {
        let now = self.clock.now();
        let parts = if parcel.stands_for.is_empty() { vec![parcel.message] } else { parcel.stands_for };
        let (old, young): (Vec<_>, Vec<_>) =
            parts.into_iter().partition(|message| now - At(message.created_ms) >= limits::RETRY_FOR);
        self.give_up(&old, reason).await;
        if let Some(first) = young.into_iter().next() {
            let delivery = Delivery::Waiting { due_ms: (now + self.pause).0 };
            let tries = first.tries.saturating_add(1);
            // If that can't be written, the lane's own pause holds all the same.
            let marked = self.outbox.delivered(first.id, delivery, tries).await;
            if let Err(refusal) = marked {
                tracing::debug!(%refusal, "a failed try can't be recorded");
            }
        }
    }

    async fn give_up(&mut self, messages: &[OutboxMessage], reason: &str) {
        let at_ms = self.clock.now().0;
        for message in messages {
            let delivery = Delivery::Failed { at_ms, reason: reason.to_owned() };
            let tries = message.tries.saturating_add(1);
            self.given_up += 1;
            self.report(Outcome::One { message: message.id.clone(), delivery, tries }).await;
        }
    }

    async fn report(&mut self, outcome: Outcome) {
        if let Err(refusal) = outcome.report(&self.outbox).await {
            tracing::warn!(%refusal, "result of a sending can't be recorded yet");
            self.unreported.push(outcome);
        }
    }

    fn tries(&self, id: &str) -> u32 {
        self.messages.iter().find(|message| message.id == id).map_or(0, |message| message.tries)
    }

    fn finished(self, failed: Option<String>) -> Finished {
        let failed = failed.map(|reason| (reason, self.pause));
        let Errand { key, sent, given_up, unreported, .. } = self;
        Finished { lane: key, failed, sent, given_up, unreported }
    }
}
