//! What everybody may know about ingest: a board that the ways in and the intake write on, and a snapshot of it.

use std::collections::BTreeMap;
use std::sync::{Mutex, MutexGuard, PoisonError};

use heapward_rules::ids::ProbeId;
use heapward_rules::reading::Unit;
use heapward_rules::units::{At, Span};

use tokio::time::{Duration, Instant};

use super::reason::Reason;
use super::seen::Seen;
use super::trust::Trust;
use crate::limits::{
    CLOSED_LINES_PAUSE, EXAMPLE_BYTES_MAX, LOOKED_AT_BYTES_MAX, REFUSED_ROWS_MAX, TOPIC_ROWS_MAX,
};

/// How messages come in at the moment. All instants are wall time as the clock showed it, set or not.
#[derive(Clone, Debug, Default)]
pub struct Status {
    pub clock: Trust,
    pub broker: Option<BrokerStatus>,
    pub endpoint: Option<EndpointStatus>,
    pub last_message: Option<At>,
    pub counts: Counts,
    /// Messages that wait until the clock is set.
    pub held: usize,
    pub refused: Vec<RefusedMessages>,
    /// Refusals of topics that were seen too long ago to have a row of their own.
    pub refused_forgotten: u64,
    /// Topics that no probe listens to.
    pub topics: Vec<SeenTopic>,
    pub topics_forgotten: u64,
    pub probes: BTreeMap<ProbeId, ProbeStatus>,
}

#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Counts {
    pub messages: u64,
    /// Handed in for the store, repetitions included.
    pub readings: u64,
    /// Values that could not be read or dated.
    pub refused: u64,
    /// Retained messages without a time: never readings.
    pub retained: u64,
    /// Of a backlog without times, all but the last of a probe.
    pub undated: u64,
    /// For another device on the same topic, or empty.
    pub skipped: u64,
    /// On topics that no probe listens to.
    pub unassigned: u64,
}

#[derive(Clone, Debug, PartialEq, Eq)]
pub struct BrokerStatus {
    /// `barn.example:1883`
    pub address: String,
    pub connected: bool,
    /// Since when it is so.
    pub since: Option<At>,
    /// What is wrong, in words for the grower; none while connected.
    pub trouble: Option<String>,
    pub connections: u64,
}

#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct EndpointStatus {
    /// `127.0.0.1:1883`
    pub address: String,
    pub clients: usize,
    pub connections: u64,
    /// Connections that were turned away or closed for a fault, by reason.
    pub closed: BTreeMap<&'static str, u64>,
}

/// Messages of one topic that gave no reading, for one reason.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct RefusedMessages {
    pub topic: String,
    pub reason: Reason,
    pub count: u64,
    /// Payload of the first one, cut and made printable.
    pub example: String,
    pub first: At,
    pub last: At,
}

/// A topic that no probe listens to.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SeenTopic {
    pub topic: String,
    pub count: u64,
    pub first: At,
    pub last: At,
    /// Whether the newest message was one that the broker had kept.
    pub retained: bool,
    /// The newest payload, cut and made printable.
    pub payload: String,
    /// Whether the message is short enough to be looked at for probes.
    pub whole: bool,
}

/// What is known of a probe from its messages.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct ProbeStatus {
    /// Newest reading handed in: instant, value as reported, unit.
    pub reading: Option<(At, f64, Unit)>,
    pub readings: u64,
    /// Arrival less the message's own time, of the newest live message: how far the device's clock is behind.
    pub skew: Option<Span>,
    /// A value that the broker had kept; shown as last known, never a reading.
    pub last_known: Option<(f64, Unit)>,
    /// What the publisher says of itself: a hint, no proof.
    pub available: Option<bool>,
    /// The publisher is alive and says that it has no value.
    pub no_value: Option<At>,
}

/// The board. Locks are held for some instructions only.
#[derive(Debug)]
pub struct Board(Mutex<Inner>);

#[derive(Debug)]
pub(super) struct Inner {
    pub status: Status,
    /// When a reason of closing had its last line in the log.
    closed_lines: BTreeMap<&'static str, Instant>,
    refused: Seen<(String, Reason), RefusedMessages>,
    /// With the newest payload as it came, if it is short enough to be looked at.
    topics: Seen<String, (SeenTopic, Vec<u8>)>,
}

// === impl SeenTopic ===

impl SeenTopic {
    /// How often it speaks, if it did more than once: the mean, up to the next usual interval.
    pub fn every(&self) -> Option<Span> {
        let gaps = i64::try_from(self.count.checked_sub(1)?).ok().filter(|gaps| *gaps > 0)?;
        usual_interval(Span((self.last - self.first).0 / gaps))
    }
}

// === impl Board ===

impl Default for Board {
    fn default() -> Board {
        let refused = Seen::new(REFUSED_ROWS_MAX);
        Board(Mutex::new(Inner {
            status: Status::default(),
            closed_lines: BTreeMap::new(),
            refused,
            topics: Seen::new(TOPIC_ROWS_MAX),
        }))
    }
}

impl Board {
    pub(super) fn lock(&self) -> MutexGuard<'_, Inner> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    pub fn snapshot(&self) -> Status {
        let inner = self.lock();
        let mut status = inner.status.clone();
        status.refused = inner.refused.iter().map(|(_, row)| row.clone()).collect();
        status.refused_forgotten = inner.refused.forgotten;
        status.topics = inner.topics.iter().map(|(_, (row, _))| row.clone()).collect();
        status.topics_forgotten = inner.topics.forgotten;
        status
    }
}

// === impl Inner ===

impl Inner {
    /// Counts a refusal; true if it is the first of its topic and reason, which is worth a line in the log.
    pub(super) fn refuse(&mut self, topic: &str, reason: Reason, payload: &[u8], now: At) -> bool {
        let counts = &mut self.status.counts;
        match reason {
            Reason::Retained => counts.retained += 1,
            Reason::Undated => counts.undated += 1,
            _ => counts.refused += 1,
        }
        // A long topic is of no use as a row's name, and is one of the things that are refused.
        let topic = printable(topic.as_bytes(), EXAMPLE_BYTES_MAX);
        let (row, is_new) = self.refused.row(&(topic.clone(), reason), || RefusedMessages {
            topic,
            reason,
            count: 0,
            example: printable(payload, EXAMPLE_BYTES_MAX),
            first: now,
            last: now,
        });
        row.count += 1;
        row.last = now;
        is_new
    }

    /// Writes a line about a closed connection, unless there was one for the same reason of late.
    pub(super) fn log_closed(&mut self, reason: &'static str, write: impl FnOnce()) {
        let now = Instant::now();
        let pause = Duration::from_millis(CLOSED_LINES_PAUSE.0.unsigned_abs());
        if self.closed_lines.get(reason).is_none_or(|line| now.duration_since(*line) >= pause) {
            self.closed_lines.insert(reason, now);
            write();
        }
    }

    /// A message on a topic that no probe listens to.
    pub(super) fn unassigned(&mut self, topic: &str, payload: &[u8], retained: bool, now: At) {
        self.status.counts.unassigned += 1;
        let name = printable(topic.as_bytes(), EXAMPLE_BYTES_MAX);
        let new = || SeenTopic {
            topic: name.clone(),
            count: 0,
            first: now,
            last: now,
            retained,
            payload: String::new(),
            whole: true,
        };
        let ((row, raw), _) = self.topics.row(&name, || (new(), Vec::new()));
        raw.clear();
        raw.extend_from_slice(payload.get(..LOOKED_AT_BYTES_MAX).unwrap_or(payload));
        row.count += 1;
        row.last = now;
        row.retained = retained;
        row.whole = payload.len() <= LOOKED_AT_BYTES_MAX;
        row.payload = printable(payload, EXAMPLE_BYTES_MAX);
    }

    /// The newest payload of an unassigned topic, and how often it speaks.
    pub(super) fn unassigned_payload(&self, topic: &str) -> Option<(Vec<u8>, Option<Span>)> {
        let (_, (row, raw)) = self.topics.iter().find(|(name, _)| *name == topic)?;
        row.whole.then(|| (raw.clone(), row.every()))
    }

    pub(super) fn probe(&mut self, probe: &ProbeId) -> &mut ProbeStatus {
        self.status.probes.entry(probe.clone()).or_default()
    }

    /// Forgets topics that a probe listens to by now.
    pub(super) fn forget_topics(&mut self, is_assigned: impl Fn(&str) -> bool) {
        self.topics.retain(|topic| !is_assigned(topic));
    }
}

/// The usual interval that a mean one stands for.
pub(super) fn usual_interval(mean: Span) -> Option<Span> {
    const USUAL_SECONDS: [i64; 14] = [1, 2, 5, 10, 15, 20, 30, 60, 120, 300, 600, 900, 1_800, 3_600];
    let usual = USUAL_SECONDS.iter().find(|seconds| **seconds * 1_000 * 11 / 10 >= mean.0);
    usual.map(|seconds| Span::seconds(*seconds))
}

/// At most `max` bytes of a payload as text; what a terminal would obey, what begins a line, and what turns the reading
/// direction becomes a space.
pub fn printable(payload: &[u8], max: usize) -> String {
    let cut = payload.get(..max).unwrap_or(payload);
    let is_obeyed = |c: char| {
        c.is_control()
            || matches!(c, '\u{200e}' | '\u{200f}' | '\u{2028}'..='\u{202e}' | '\u{2066}'..='\u{2069}')
    };
    String::from_utf8_lossy(cut).chars().map(|c| if is_obeyed(c) { ' ' } else { c }).collect()
}
