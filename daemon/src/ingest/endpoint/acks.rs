//! PUBACKs in the order of the messages (MQTT 3.1.1, 4.6), although commits end in an order of their own.

use std::collections::VecDeque;
use std::sync::{Arc, Mutex, PoisonError};

use tokio::sync::Notify;

use crate::recorder::{Ack, Settle};

/// The unfinished QoS 1 messages of one connection.
#[derive(Default)]
pub(super) struct Acks {
    line: Mutex<Line>,
    pub(super) bell: Notify,
}

#[derive(Default)]
struct Line {
    /// Packet id, and whether it is kept, once that is known.
    waiting: VecDeque<(u16, Option<bool>)>,
    /// Messages that have left the line.
    gone: u64,
}

/// A message could not be kept.
#[derive(Debug, PartialEq, Eq)]
pub(super) struct NotKept;

// === impl Acks ===

impl Acks {
    /// Puts a packet id at the end of the line.
    pub(super) fn expect(self: &Arc<Acks>, packet_id: u16) -> Ack {
        let mut line = self.lock();
        let place = line.gone + line.waiting.len() as u64;
        line.waiting.push_back((packet_id, None));
        drop(line);
        Ack::Number(Arc::clone(self) as Arc<dyn Settle>, place)
    }

    /// Takes those from the head of the line that are settled.
    pub(super) fn take(&self, mut acknowledge: impl FnMut(u16)) -> Result<(), NotKept> {
        let mut line = self.lock();
        while let Some((packet_id, Some(is_kept))) = line.waiting.front().copied() {
            if !is_kept {
                return Err(NotKept);
            }
            line.waiting.pop_front();
            line.gone += 1;
            acknowledge(packet_id);
        }
        Ok(())
    }

    pub(super) fn unfinished(&self) -> usize {
        self.lock().waiting.len()
    }

    fn lock(&self) -> std::sync::MutexGuard<'_, Line> {
        self.line.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Settle for Acks {
    fn settle(&self, places: &[u64], is_kept: bool) {
        let mut line = self.lock();
        let mut is_first = false;
        for place in places {
            let index = usize::try_from(place - line.gone).unwrap_or(usize::MAX);
            if let Some((_, kept)) = line.waiting.get_mut(index) {
                *kept = Some(is_kept);
            }
            is_first |= index == 0;
        }
        drop(line);
        if is_first || !is_kept {
            self.bell.notify_one();
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn acknowledgements_keep_the_order_of_the_messages() {
        let acks = Arc::new(Acks::default());
        let take = || {
            let mut taken = Vec::new();
            let end = acks.take(|id| taken.push(id));
            (taken, end)
        };
        let [first, second, third, fourth] = [7, 7, 9, 10].map(|id| acks.expect(id));
        second.settle(true);
        assert_eq!(take(), (vec![], Ok(())));
        first.settle(true);
        assert_eq!(take(), (vec![7, 7], Ok(())));
        fourth.settle(false);
        assert_eq!(take(), (vec![], Ok(())));
        third.settle(true);
        assert_eq!(take(), (vec![9], Err(NotKept)));
        assert_eq!(acks.unfinished(), 1);
    }
}
