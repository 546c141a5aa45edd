//! Messages without a time of their own that a broker kept while we were away.
//!
//! When a session is resumed, the broker sends what it kept, one message right after the other. How old each is, it
//! does not say: only the newest of a probe can be taken for "now". So from the connection on until the first quiet
//! moment (nothing for half a second, and everything that waited acknowledged) such a message waits here. If a newer
//! one of the same probe follows, it was not the last and is counted as undated; if none follows, it is dated by its
//! arrival. A probe that never pauses is taken to be live after a minute.

use std::collections::BTreeMap;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};

use heapward_rules::ids::ProbeId;
use heapward_rules::reading::Quantity;
use heapward_rules::units::Span;
use tokio::time::{Duration, Instant};

use super::decode::Sample;
use super::mapping::Mapping;
use crate::limits::{BACKLOG_MILLIS_MAX, BACKLOG_QUIET_MILLIS};
use crate::recorder::Ack;

const QUIET: Duration = Duration::from_millis(BACKLOG_QUIET_MILLIS);
const LONGEST: Duration = Duration::from_millis(BACKLOG_MILLIS_MAX);

/// A value that waits to be the last of its probe.
pub struct Parked {
    pub mapping: Arc<Mapping>,
    pub sample: Sample,
    /// Monotonic time of its arrival.
    pub arrived: Span,
    pub topic: String,
    pub ack: Ack,
    since: Instant,
}

#[derive(Default)]
pub struct Backlog {
    parked: BTreeMap<(ProbeId, Quantity), Parked>,
    phase: Option<Phase>,
    /// The connection that brought the newest message.
    connection: Option<u64>,
    /// Released, but not acknowledged yet: a broker with a small window sends the rest only then.
    unfinished: Arc<AtomicUsize>,
}

struct Phase {
    began: Instant,
    /// When something came or was released last.
    busy: Instant,
}

// === impl Backlog ===

impl Backlog {
    /// A message came over a resumed session of the broker; whether it may be of a backlog.
    pub fn is_late(&mut self, connection: u64, now: Instant) -> bool {
        if self.connection != Some(connection) {
            self.connection = Some(connection);
            self.phase = Some(Phase { began: now, busy: now });
        }
        self.look(now);
        if let Some(phase) = &mut self.phase {
            phase.busy = now;
        }
        self.phase.is_some()
    }

    /// Lets a value wait. What waited for the same probe comes back: it was not the last.
    pub fn park(
        &mut self,
        (mapping, sample): (Arc<Mapping>, Sample),
        topic: &str,
        arrived: Span,
        ack: Ack,
        now: Instant,
    ) -> Option<Parked> {
        let key = (mapping.probe.clone(), sample.quantity);
        self.parked.insert(key, Parked { mapping, sample, arrived, topic: topic.to_owned(), ack, since: now })
    }

    /// What has waited long enough to be the last of its probe.
    pub fn release(&mut self, now: Instant) -> Vec<Parked> {
        let due = |parked: &Parked| now.duration_since(parked.since) >= QUIET;
        let keys: Vec<_> =
            self.parked.iter().filter(|(_, parked)| due(parked)).map(|(key, _)| key.clone()).collect();
        let mut released: Vec<Parked> = keys.iter().filter_map(|key| self.parked.remove(key)).collect();
        if let Some(phase) = self.phase.as_mut().filter(|_| !released.is_empty()) {
            phase.busy = now;
        }
        for parked in &mut released {
            let ack = std::mem::take(&mut parked.ack);
            let unfinished = Arc::clone(&self.unfinished);
            unfinished.fetch_add(1, Ordering::Relaxed);
            parked.ack = Ack::call(move |is_kept| {
                unfinished.fetch_sub(1, Ordering::Relaxed);
                ack.settle(is_kept);
            });
        }
        self.look(now);
        released
    }

    /// Whether there is something to look after.
    pub fn is_busy(&self) -> bool {
        self.phase.is_some() || !self.parked.is_empty()
    }

    fn look(&mut self, now: Instant) {
        let Some(phase) = &mut self.phase else { return };
        if self.unfinished.load(Ordering::Relaxed) > 0 {
            phase.busy = now;
        }
        let is_quiet = now.duration_since(phase.busy) >= QUIET && self.parked.is_empty();
        if is_quiet || now.duration_since(phase.began) >= LONGEST {
            self.phase = None;
        }
    }
}
