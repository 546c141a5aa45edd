//! Readings that wait for their commit, and when it is due.

use heapward_rules::reading::{Quantity, reported_c};
use heapward_rules::units::{Celsius, Span};

use super::Ack;
use crate::limits::{
    COMMIT_AT_ONCE, COMMIT_GATHER_WITHIN, COMMIT_READINGS_MAX, COMMIT_UNACKNOWLEDGED, WAITING_READINGS_MAX,
};
use crate::model::reading::DatedReading;

/// Above this a reading is committed at once.
const URGENT_F: f64 = 160.0;

/// The readings of messages that are not acknowledged yet.
#[derive(Default)]
pub struct Batch {
    pub readings: Vec<DatedReading>,
    acks: Vec<Ack>,
    /// Monotonic time of the first of them.
    since: Option<Span>,
    urgent: bool,
}

// === impl Batch ===

impl Batch {
    /// Takes the readings of messages. When too many wait they are not taken: the senders keep and repeat them.
    pub fn take(&mut self, readings: Vec<DatedReading>, acks: Vec<Ack>, now: Span) {
        if self.readings.len() + readings.len() > WAITING_READINGS_MAX {
            return Ack::settle_all(acks, false);
        }
        self.since.get_or_insert(now);
        self.urgent |= readings.iter().any(is_urgent);
        self.readings.extend(readings);
        self.acks.extend(acks);
    }

    pub fn is_empty(&self) -> bool {
        self.acks.is_empty()
    }

    /// Whether it is to be committed before another message is looked at.
    pub fn is_full(&self) -> bool {
        self.readings.len() >= COMMIT_READINGS_MAX
    }

    /// Whether it is to be committed now that the queue has run empty.
    pub fn is_due(&self, now: Span, commit_every: Span) -> bool {
        !self.is_empty()
            && (self.urgent
                || self.acks.len() >= COMMIT_UNACKNOWLEDGED
                || self.wait(now, commit_every) == Span::ZERO)
    }

    /// Whether a moment's wait for more is worth it. In a stream of messages each commit costs the card and the processor
    /// the same, whatever is in it; a thousandth of a second is nothing to anybody.
    pub fn is_worth_a_wait(&self, since_last_commit: Span) -> bool {
        !self.is_empty()
            && !self.urgent
            && self.acks.len() < COMMIT_AT_ONCE
            && since_last_commit < COMMIT_GATHER_WITHIN
    }

    /// How long it may still wait.
    pub fn wait(&self, now: Span, commit_every: Span) -> Span {
        self.since.map_or(commit_every, |since| (since + commit_every - now).max(Span::ZERO))
    }

    /// It is on the card: acknowledges every message. The readings go back to the caller.
    pub fn committed(&mut self) -> Vec<DatedReading> {
        Ack::settle_all(self.acks.drain(..), true);
        std::mem::take(self).readings
    }

    /// The readings could not be kept: the senders keep them.
    pub fn refuse(&mut self) {
        Ack::settle_all(self.acks.drain(..), false);
        *self = Batch::default();
    }
}

fn is_urgent(reading: &DatedReading) -> bool {
    let c = reported_c(reading.value, reading.unit);
    reading.quantity == Quantity::Temperature && c.is_some_and(|c| c.is_above(Celsius::from_f(URGENT_F)))
}
