//! Messages that wait until the clock is set, with the monotonic time of their arrival.

use std::collections::VecDeque;
use std::sync::Arc;

use heapward_rules::units::Span;

use super::date::Freshness;
use super::decode::Sample;
use super::mapping::Mapping;
use crate::limits::HELD_MAX;
use crate::recorder::Ack;

/// One message, read but not dated.
pub struct Undated {
    pub topic: String,
    pub samples: Vec<(Arc<Mapping>, Sample)>,
    pub freshness: Freshness,
    /// Monotonic time of its arrival.
    pub arrived: Span,
    pub ack: Ack,
    /// Delivery by which it is acknowledged: the number of a connection.
    pub delivery: u64,
}

/// What waits, oldest first.
#[derive(Default)]
pub struct Held {
    waiting: VecDeque<Undated>,
}

// === impl Held ===

impl Held {
    pub fn push(&mut self, message: Undated) {
        self.waiting.push_back(message);
    }

    /// How many more may wait. When there is no room none is taken in: their senders keep them.
    pub fn room(&self) -> usize {
        HELD_MAX.saturating_sub(self.waiting.len())
    }

    /// A message that waits here already was delivered again: it keeps its arrival, and the new delivery is the one
    /// to acknowledge. Gives the message back if it does not wait here.
    pub fn adopt(&mut self, message: Undated) -> Option<Undated> {
        let is_same = |held: &&mut Undated| {
            held.topic == message.topic
                && held.samples.len() == message.samples.len()
                && held.samples.iter().zip(&message.samples).all(|(a, b)| a.1 == b.1)
                && held.delivery != message.delivery
        };
        match self.waiting.iter_mut().find(is_same) {
            Some(held) => {
                held.ack = message.ack;
                held.delivery = message.delivery;
                None
            }
            None => Some(message),
        }
    }

    pub fn pop(&mut self) -> Option<Undated> {
        self.waiting.pop_front()
    }

    pub fn len(&self) -> usize {
        self.waiting.len()
    }

    pub fn is_empty(&self) -> bool {
        self.waiting.is_empty()
    }
}
