//! The intake: one task through which all messages go, whatever way they came in. Route, decode, date, hand in.
//!
//! A message is acknowledged when its readings are on the card, or when it holds none (it would hold none the next
//! time either). While the clock is not set, and while the recorder's queue is full, it is not.

use std::collections::{BTreeMap, VecDeque};
use std::sync::atomic::{AtomicBool, AtomicU32, AtomicUsize, Ordering};
use std::sync::{Arc, Mutex, PoisonError};

use bytes::Bytes;
use heapward_rules::ids::ProbeId;
use heapward_rules::reading::Unit;
use heapward_rules::units::{At, Span};
use tokio::sync::{mpsc, watch};
use tokio::time::{Duration, Instant};

use super::allowance::Allowance;
use super::backlog::{Backlog, Parked};
use super::date::{Dating, Freshness, Moment, ProbeDates};
use super::decode::{Decoded, Sample, decode};
use super::held::{Held, Undated};
use super::mapping::Mapping;
use super::reason::Reason;
use super::router::Router;
use super::status::Board;
use super::time_of::OwnTime;
use super::trust::{ClockWatch, Trust};
use crate::clock::SharedClock;
use crate::limits::{
    ARRIVALS_REMEMBERED, ARRIVALS_TOGETHER_MAX, CLOCK_ASK_AGAIN, HELD_LOOK_MILLIS, LOT_READINGS_MAX,
    REFUSAL_LINES_PAUSE,
};
use crate::model::reading::{DatedBy, DatedReading};
use crate::recorder::{Ack, Handle};

/// A message as a way in hands it over.
pub struct Arrival {
    pub topic: String,
    pub payload: Bytes,
    pub way: Way,
    /// Called once it is dealt with; see the module's comment.
    pub ack: Ack,
}

/// How a message came in.
#[derive(Clone, Debug)]
pub enum Way {
    /// Published to our own endpoint. `useless` counts what gave no reading, to slow down who floods us.
    Endpoint { is_repeated: bool, connection: u64, useless: Arc<AtomicU32> },
    /// The last will of a client of our endpoint: a hint of availability, never a reading.
    Will,
    /// From the outside broker, over its `connection`-th connection. `is_resumed`: it had kept our session.
    Broker { is_retained: bool, is_repeated: bool, is_resumed: bool, connection: u64 },
}

/// What the intake works with.
pub struct Intake {
    clock: SharedClock,
    recorder: Handle,
    router: watch::Receiver<Arc<Router>>,
    board: Arc<Board>,
    watch: ClockWatch,
    probes: BTreeMap<ProbeId, ProbeMemory>,
    backlog: Backlog,
    held: Held,
    /// Dated, and not handed in yet.
    lot: Lot,
    /// Probes with something for the board.
    noted: Vec<ProbeId>,
    /// For the samples of the next message.
    spare: Vec<(Arc<Mapping>, Sample)>,
    /// Monotonic time of the last line in the log, by reason.
    lines: BTreeMap<Reason, Span>,
}

/// Readings of messages that came together, with the acknowledgements of the messages.
#[derive(Default)]
struct Lot {
    readings: Vec<DatedReading>,
    acks: Vec<Ack>,
}

/// What the clock says when messages are looked at, and whom they are for.
struct Look {
    now: At,
    monotonic: Span,
    trust: Trust,
    router: Arc<Router>,
}

struct ProbeMemory {
    dates: ProbeDates,
    allowance: Allowance,
    /// Of the readings since the last note on the board.
    news: News,
    /// Values dated by arrival of late, with their instants: one that is delivered again keeps its instant.
    recent: VecDeque<(Sample, At)>,
}

/// What the board is told of a probe, once for a lot.
#[derive(Default)]
struct News {
    all: u64,
    /// Of the probe's own quantity.
    readings: u64,
    reading: Option<(At, f64, Unit)>,
    skew: Option<Span>,
}

/// A message on its way through the intake, read and with a trusted clock.
struct Dateable {
    now: At,
    monotonic: Span,
    message: Undated,
}

// === impl Intake ===

impl Intake {
    /// `newest` is the newest committed instant of the store.
    pub fn new(
        clock: SharedClock,
        recorder: Handle,
        router: watch::Receiver<Arc<Router>>,
        board: Arc<Board>,
        newest: At,
    ) -> Intake {
        Intake {
            clock,
            recorder,
            router,
            board,
            watch: ClockWatch::new(newest),
            probes: BTreeMap::new(),
            backlog: Backlog::default(),
            held: Held::default(),
            lot: Lot::default(),
            noted: Vec::new(),
            spare: Vec::new(),
            lines: BTreeMap::new(),
        }
    }

    /// Takes messages until all ways in are closed. What then still waits is not acknowledged; its sender keeps it.
    pub async fn run(mut self, mut arrivals: mpsc::Receiver<Arrival>) {
        let pause = Duration::from_millis(HELD_LOOK_MILLIS);
        let mut look = tokio::time::interval(pause);
        look.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);
        // A clock that was thrown about is to be found out before somebody else goes by it, though no message comes.
        let mut seldom = tokio::time::interval(Duration::from_millis(CLOCK_ASK_AGAIN.0.unsigned_abs()));
        seldom.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);
        let mut together = Vec::with_capacity(ARRIVALS_TOGETHER_MAX);
        loop {
            let is_waiting = self.backlog.is_busy() || !self.held.is_empty();
            let room = self.held.room().min(ARRIVALS_TOGETHER_MAX);
            tokio::select! {
                count = arrivals.recv_many(&mut together, room), if room > 0 => {
                    if count == 0 {
                        return;
                    }
                    self.take_all(&mut together).await;
                }
                _ = look.tick(), if is_waiting => self.look_after().await,
                _ = seldom.tick() => self.look_after().await,
            }
        }
    }

    /// Messages that came together; the clock, the board and the set of probes are looked at once for all.
    async fn take_all(&mut self, together: &mut Vec<Arrival>) {
        let (now, monotonic, trust) = self.watch.look(self.clock.as_ref());
        let look = Look { now, monotonic, trust, router: Arc::clone(&self.router.borrow()) };
        {
            let status = &mut self.board.lock().status;
            status.clock = trust;
            status.last_message = Some(now);
            status.counts.messages += together.len() as u64;
        }
        for arrival in together.drain(..) {
            self.take(arrival, &look);
            if self.lot.is_full() {
                self.hand_over().await;
            }
        }
        self.hand_over().await;
    }

    fn take(&mut self, arrival: Arrival, look: &Look) {
        let &Look { now, monotonic, trust, .. } = look;
        let freshness = self.freshness(&arrival.way);
        let samples = self.read(&arrival, freshness, look);
        if samples.is_empty() {
            self.spare = samples;
            if let Way::Endpoint { useless, .. } = &arrival.way {
                useless.fetch_add(1, Ordering::Relaxed);
            }
            return arrival.ack.settle(true);
        }
        let Arrival { topic, way, ack, .. } = arrival;
        let message =
            Undated { topic, samples, freshness, arrived: monotonic, ack, delivery: way.connection() };
        // What came before goes before: held messages are released in their order, here too.
        if trust == Trust::Trusted && self.held.is_empty() {
            return self.hand_in(Dateable { now, monotonic, message });
        }
        let message = if freshness == Freshness::Repeated { self.held.adopt(message) } else { Some(message) };
        if let Some(message) = message {
            self.held.push(message);
            self.board.lock().status.held = self.held.len();
        }
    }

    fn freshness(&mut self, way: &Way) -> Freshness {
        match way {
            Way::Will | Way::Endpoint { is_repeated: false, .. } => Freshness::Live,
            Way::Broker { is_retained: true, .. } => Freshness::Retained,
            Way::Endpoint { is_repeated: true, .. } => Freshness::Repeated,
            Way::Broker { is_repeated, is_resumed, connection, .. } => {
                let is_late = *is_resumed && self.backlog.is_late(*connection, Instant::now());
                match (is_repeated, is_late) {
                    (true, _) => Freshness::Repeated,
                    (false, true) => Freshness::Late,
                    (false, false) => Freshness::Live,
                }
            }
        }
    }

    /// Decodes a message for each probe that listens to its topic, and counts what is no reading.
    fn read(&mut self, arrival: &Arrival, freshness: Freshness, look: &Look) -> Vec<(Arc<Mapping>, Sample)> {
        let mut samples = std::mem::take(&mut self.spare);
        let mut refused: Vec<Reason> = Vec::new();
        let mut is_ours = false;
        for mapping in look.router.route(&arrival.topic) {
            is_ours = true;
            match decode(&arrival.topic, &arrival.payload, mapping) {
                Decoded::Availability(there) => {
                    self.board.lock().probe(&mapping.probe).available = Some(there);
                }
                _ if matches!(arrival.way, Way::Will) => {}
                Decoded::Samples { samples: read, refused: others } => {
                    samples.extend(read.into_iter().map(|sample| (Arc::clone(mapping), sample)));
                    refused.extend(others);
                }
                Decoded::Skipped(_) => self.board.lock().status.counts.skipped += 1,
                Decoded::Refused(reason) => {
                    if reason.is_no_value() {
                        self.board.lock().probe(&mapping.probe).no_value = Some(look.now);
                    }
                    refused.push(reason);
                }
            }
        }
        if !is_ours {
            let is_retained = freshness == Freshness::Retained;
            self.board.lock().unassigned(&arrival.topic, &arrival.payload, is_retained, look.now);
        }
        for reason in refused {
            self.refuse(&arrival.topic, reason, &arrival.payload);
        }
        samples
    }

    /// Dates what can be dated and puts it into the lot.
    fn hand_in(&mut self, Dateable { now, monotonic, mut message }: Dateable) {
        let moment = Moment { now, arrived: now - (monotonic - message.arrived) };
        let before = self.lot.readings.len();
        let (mut parked, mut refused) = (Vec::new(), Vec::new());
        for (mapping, sample) in message.samples.drain(..) {
            match self.date(&mapping, &sample, message.freshness, moment, monotonic) {
                Dating::At(at, dated_by) => {
                    self.watch.committed(at, now);
                    self.lot.readings.push(DatedReading {
                        probe: mapping.probe.clone(),
                        quantity: sample.quantity,
                        unit: sample.unit,
                        at,
                        value: sample.value,
                        dated_by,
                    });
                }
                Dating::IfLast => parked.push((mapping, sample)),
                Dating::Refused(reason) => refused.push((mapping, sample, reason)),
            }
        }
        self.spare = message.samples;
        for (mapping, sample, reason) in refused {
            if message.freshness == Freshness::Retained {
                self.board.lock().probe(&mapping.probe).last_known = Some((sample.value, sample.unit));
            }
            let said = format!("{} ({:?})", sample.value, sample.time);
            self.refuse(&message.topic, reason, said.as_bytes());
        }
        let has_readings = self.lot.readings.len() > before;
        if parked.is_empty() {
            return if has_readings { self.lot.acks.push(message.ack) } else { message.ack.settle(true) };
        }
        let mut acks = shared(message.ack, usize::from(has_readings) + parked.len());
        if let Some(ack) = acks.next_if(|_| has_readings) {
            self.lot.acks.push(ack);
        }
        for (sample, ack) in parked.into_iter().zip(acks) {
            let former = self.backlog.park(sample, &message.topic, message.arrived, ack, Instant::now());
            if let Some(Parked { topic, sample, ack, .. }) = former {
                self.refuse(&topic, Reason::Undated, sample.value.to_string().as_bytes());
                ack.settle(true);
            }
        }
    }

    /// Hands the lot to the recorder.
    async fn hand_over(&mut self) {
        self.tell_board();
        if !self.lot.acks.is_empty() {
            let Lot { readings, acks } = std::mem::take(&mut self.lot);
            // An error means that the recorder has stopped: nothing is acknowledged any more, senders keep it.
            let _ = self.recorder.readings_of(readings, acks).await;
        }
    }

    fn date(
        &mut self,
        mapping: &Mapping,
        sample: &Sample,
        freshness: Freshness,
        moment: Moment,
        monotonic: Span,
    ) -> Dating {
        let memory = match self.probes.get_mut(&mapping.probe) {
            Some(memory) => memory,
            None => self.probes.entry(mapping.probe.clone()).or_insert(ProbeMemory::new(monotonic)),
        };
        if !memory.allowance.take(monotonic) {
            return Dating::Refused(Reason::TooOften);
        }
        let dating = memory.dates.date(sample.time, mapping.fallback_arrival, freshness, moment);
        let dating = match dating {
            Dating::IfLast if freshness == Freshness::Repeated => memory.instant_of(sample).unwrap_or(dating),
            Dating::At(at, DatedBy::Arrival) => {
                memory.remember(*sample, at);
                dating
            }
            _ => dating,
        };
        if let Dating::At(at, _) = dating {
            if memory.news.all == 0 {
                self.noted.push(mapping.probe.clone());
            }
            let skew = match sample.time {
                OwnTime::At(own) if freshness == Freshness::Live => Some(moment.arrived - own),
                _ => None,
            };
            memory.news.add(sample, at, skew, sample.quantity == mapping.quantity);
        }
        dating
    }

    /// Shows what is handed in.
    fn tell_board(&mut self) {
        if self.noted.is_empty() {
            return;
        }
        let mut board = self.board.lock();
        for probe in self.noted.drain(..) {
            let Some(memory) = self.probes.get_mut(&probe) else { continue };
            let News { all, readings, reading, skew } = std::mem::take(&mut memory.news);
            board.status.counts.readings += all;
            if readings == 0 {
                continue;
            }
            let shown = board.probe(&probe);
            shown.readings += readings;
            if reading.map(|(at, ..)| at) >= shown.reading.map(|(at, ..)| at) {
                shown.reading = reading;
            }
            shown.skew = skew.or(shown.skew);
        }
    }

    /// Counts a refusal. The first of a topic and reason is worth a line in the log, but not more than one a minute.
    fn refuse(&mut self, topic: &str, reason: Reason, payload: &[u8]) {
        let is_new = self.board.lock().refuse(topic, reason, payload, self.clock.now());
        let monotonic = self.clock.monotonic();
        let is_quiet = self.lines.get(&reason).is_none_or(|line| monotonic - *line >= REFUSAL_LINES_PAUSE);
        if is_new && is_quiet {
            self.lines.insert(reason, monotonic);
            let (reason, advice) = (reason.word(), reason.advice());
            tracing::warn!(topic = %super::status::printable(topic.as_bytes(), 128), reason, "no reading: {advice}");
        }
    }

    /// Looks whether the clock is set by now, and whether a backlog has ended.
    async fn look_after(&mut self) {
        let (now, monotonic, trust) = self.watch.look(self.clock.as_ref());
        self.board.lock().status.clock = trust;
        if trust != Trust::Trusted {
            return;
        }
        while let Some(message) = self.held.pop() {
            self.hand_in(Dateable { now, monotonic, message });
            if self.lot.is_full() {
                self.hand_over().await;
            }
        }
        self.board.lock().status.held = 0;
        for Parked { mapping, sample, arrived, topic, ack, .. } in self.backlog.release(Instant::now()) {
            let samples = vec![(mapping, sample)];
            let message = Undated { topic, samples, freshness: Freshness::Live, arrived, ack, delivery: 0 };
            self.hand_in(Dateable { now, monotonic, message });
            if self.lot.is_full() {
                self.hand_over().await;
            }
        }
        self.hand_over().await;
    }
}

// === impl Lot ===

impl Lot {
    fn is_full(&self) -> bool {
        self.readings.len() >= LOT_READINGS_MAX || self.acks.len() >= ARRIVALS_TOGETHER_MAX
    }
}

// === impl News ===

impl News {
    fn add(&mut self, sample: &Sample, at: At, skew: Option<Span>, is_own: bool) {
        self.all += 1;
        if is_own {
            self.readings += 1;
            if self.reading.is_none_or(|(newest, ..)| at >= newest) {
                self.reading = Some((at, sample.value, sample.unit));
            }
            self.skew = skew.or(self.skew);
        }
    }
}

// === impl Way ===

impl Way {
    fn connection(&self) -> u64 {
        match self {
            Way::Endpoint { connection, .. } | Way::Broker { connection, .. } => *connection,
            Way::Will => 0,
        }
    }
}

// === impl ProbeMemory ===

impl ProbeMemory {
    fn new(monotonic: Span) -> ProbeMemory {
        let allowance = Allowance::new(monotonic);
        ProbeMemory {
            dates: ProbeDates::default(),
            allowance,
            news: News::default(),
            recent: VecDeque::new(),
        }
    }

    fn remember(&mut self, sample: Sample, at: At) {
        if self.recent.len() >= ARRIVALS_REMEMBERED {
            self.recent.pop_front();
        }
        self.recent.push_back((sample, at));
    }

    /// The connection broke between the commit and the acknowledgement: the store knows this reading already.
    fn instant_of(&mut self, sample: &Sample) -> Option<Dating> {
        let place = self.recent.iter().position(|(known, _)| known == sample)?;
        let (_, at) = self.recent.remove(place)?;
        Some(Dating::At(at, DatedBy::Arrival))
    }
}

/// One acknowledgement for several parts of a message: good when all are kept, refused if one is not.
fn shared(ack: Ack, parts: usize) -> std::iter::Peekable<std::vec::IntoIter<Ack>> {
    let common = Arc::new((AtomicUsize::new(parts), AtomicBool::new(true), Mutex::new(Some(ack))));
    let part = |_| {
        let common = Arc::clone(&common);
        Ack::call(move |is_kept: bool| {
            let (left, all_kept, ack) = &*common;
            all_kept.fetch_and(is_kept, Ordering::SeqCst);
            if left.fetch_sub(1, Ordering::SeqCst) == 1
                && let Some(ack) = ack.lock().unwrap_or_else(PoisonError::into_inner).take()
            {
                ack.settle(all_kept.load(Ordering::SeqCst));
            }
        })
    };
    (0..parts).map(part).collect::<Vec<_>>().into_iter().peekable()
}

#[cfg(test)]
mod tests;
