//! One client, from CONNECT to its end.

use std::collections::VecDeque;
use std::sync::Arc;
use std::sync::atomic::{AtomicU32, Ordering};

use rumqttc::mqttbytes::v4::{
    Packet, PubAck, Publish, SubAck, Subscribe, SubscribeReasonCode, UnsubAck, Unsubscribe,
};
use rumqttc::mqttbytes::{QoS, valid_filter};
use tokio::net::TcpStream;
use tokio::sync::{Notify, mpsc};
use tokio::time::{Duration, Instant, sleep_until};

use super::Shared;
use super::acks::Acks;
use super::close::Close;
use super::connect::{self, Guest};
use super::speech::Speech;
use crate::ingest::intake::{Arrival, Way};
use crate::ingest::reason::Reason;
use crate::limits::{
    MQTT_FILTERS_MAX, MQTT_PACKET_SECONDS_MAX, MQTT_STALL_SECONDS_MAX, MQTT_UNFINISHED_MAX,
    MQTT_USELESS_PER_SECOND_MAX,
};
use crate::recorder::Ack;

const SECOND: Duration = Duration::from_secs(1);

/// A client that was let in, and what is going on with it.
struct Connection<'s> {
    shared: &'s Arc<Shared>,
    number: u64,
    guest: Guest,
    speech: Speech,
    acks: Arc<Acks>,
    /// Messages of our own, for what it has subscribed to.
    outgoing: mpsc::Receiver<Arc<Publish>>,
    taken_over: Arc<Notify>,
    /// A message for which there was no room in the intake's queue; nothing more is read until it is in.
    waiting: VecDeque<Arrival>,
    heard: Instant,
    useless: Arc<AtomicU32>,
    useless_since: Instant,
}

/// Serves a client. Always ends with the reason.
pub(super) async fn run(stream: TcpStream, number: u64, shared: &Arc<Shared>) -> Result<(), Close> {
    let mut speech = Speech::new(stream);
    let guest = connect::receive(&mut speech, number, shared).await?;
    let key = guest.key.clone();
    let mut connection = Connection {
        taken_over: shared.clients.enter(key.clone(), number),
        outgoing: shared.hub.enter(number),
        acks: Arc::default(),
        waiting: VecDeque::new(),
        heard: Instant::now(),
        useless: Arc::default(),
        useless_since: Instant::now(),
        shared,
        number,
        guest,
        speech,
    };
    count_clients(shared, true);
    for filter in connection.guest.resumed.take().unwrap_or_default() {
        // Kept messages come again only where it subscribes again.
        let _ = shared.hub.subscribe(number, &filter, MQTT_FILTERS_MAX);
    }
    let end = connection.serve().await;
    shared.hub.leave(number);
    shared.clients.leave(&key, number);
    count_clients(shared, false);
    // The farewell of what is acknowledged already; the client may be gone.
    let _ = connection.speech.flush();
    if !matches!(end, Err(Close::Goodbye | Close::Stopping)) {
        connection.last_will().await;
    }
    end
}

fn count_clients(shared: &Shared, is_new: bool) {
    let clients = shared.clients.count();
    if let Some(endpoint) = &mut shared.board.lock().status.endpoint {
        endpoint.clients = clients;
        endpoint.connections += u64::from(is_new);
    }
}

// === impl Connection ===

impl Connection<'_> {
    async fn serve(&mut self) -> Result<(), Close> {
        let mut stop = self.shared.stop.clone();
        let arrivals = self.shared.arrivals.clone();
        // What came in the same piece as CONNECT.
        self.hear()?;
        loop {
            self.speech.flush()?;
            let may_read = self.may_read();
            let deadline = self.deadline(may_read);
            tokio::select! {
                ready = self.speech.readable(), if may_read => {
                    ready.map_err(|_| Close::Gone)?;
                    self.speech.fill()?;
                    self.hear()?;
                }
                ready = self.speech.writable(), if self.speech.has_output() => ready.map_err(|_| Close::Gone)?,
                () = self.acks.bell.notified() => self.acknowledge()?,
                room = arrivals.reserve(), if !self.waiting.is_empty() => {
                    let room = room.map_err(|_| Close::Stopping)?;
                    if let Some(arrival) = self.waiting.pop_front() {
                        room.send(arrival);
                    }
                    self.hear()?;
                }
                Some(message) = self.outgoing.recv() => self.say(&Packet::Publish((*message).clone()))?,
                () = sleep_until(deadline) => self.look()?,
                () = self.taken_over.notified() => return Err(Close::TakenOver),
                _ = stop.wait_for(|stop| *stop) => return Err(Close::Stopping),
            }
        }
    }

    /// Not while the intake is full, while too much of this client is unfinished, or in a second in which it has
    /// sent too much that is of no use.
    fn may_read(&mut self) -> bool {
        if self.useless_since.elapsed() >= SECOND {
            self.useless.store(0, Ordering::Relaxed);
            self.useless_since = Instant::now();
        }
        self.waiting.is_empty()
            && self.acks.unfinished() < MQTT_UNFINISHED_MAX
            && self.useless.load(Ordering::Relaxed) < MQTT_USELESS_PER_SECOND_MAX
    }

    /// When to look again, if nothing happens before.
    fn deadline(&self, may_read: bool) -> Instant {
        let stall = |began: Instant, seconds| began + Duration::from_secs(seconds);
        let all = [
            // While we don't read, its silence is our doing.
            Some(if may_read { self.heard + self.guest.silence_max } else { Instant::now() + SECOND }),
            self.speech.began().map(|began| stall(began, MQTT_PACKET_SECONDS_MAX)),
            self.speech.stuck().map(|stuck| stall(stuck, MQTT_STALL_SECONDS_MAX)),
        ];
        all.into_iter().flatten().min().unwrap_or_else(|| Instant::now() + SECOND)
    }

    fn look(&mut self) -> Result<(), Close> {
        let is_over = |since: Option<Instant>, seconds| {
            since.is_some_and(|since| since.elapsed() >= Duration::from_secs(seconds))
        };
        if is_over(self.speech.stuck(), MQTT_STALL_SECONDS_MAX) {
            return Err(Close::NotReading);
        }
        if !self.may_read() {
            self.heard = Instant::now();
            return Ok(());
        }
        if is_over(self.speech.began(), MQTT_PACKET_SECONDS_MAX) {
            return Err(Close::Unfinished);
        }
        if self.heard.elapsed() >= self.guest.silence_max {
            return Err(Close::Silent);
        }
        self.hear()
    }

    /// Takes the whole packets that have come, as long as there is room for them.
    fn hear(&mut self) -> Result<(), Close> {
        while self.may_read() {
            let Some(packet) = self.speech.next(false)? else { return Ok(()) };
            self.heard = Instant::now();
            match packet {
                Packet::Publish(publish) => self.publish(publish)?,
                Packet::PingReq => self.say(&Packet::PingResp)?,
                Packet::Subscribe(subscribe) => self.subscribe(&subscribe)?,
                Packet::Unsubscribe(unsubscribe) => self.unsubscribe(&unsubscribe)?,
                Packet::Disconnect => return Err(Close::Goodbye),
                _ => return Err(Close::Rules("a packet that a client may not send")),
            }
        }
        Ok(())
    }

    fn publish(&mut self, publish: Publish) -> Result<(), Close> {
        let Publish { topic, payload, .. } = &publish;
        if publish.qos == QoS::ExactlyOnce {
            return Err(Close::QosTwo);
        }
        if topic.is_empty() || topic.contains(['+', '#', '\0']) {
            return Err(Close::Rules("a topic that is empty or has wildcards"));
        }
        if !self.shared.passes.may_publish(self.guest.leave, topic) || topic.starts_with('$') {
            // A refusal can't be told to a client of MQTT 3.1.1, so it is acknowledged and shown to the grower.
            let now = self.shared.clock.now();
            self.shared.board.lock().refuse(topic, Reason::NotAllowed, payload, now);
            self.useless.fetch_add(1, Ordering::Relaxed);
            if publish.qos == QoS::AtLeastOnce {
                self.acks.expect(publish.pkid).settle(true);
            }
            return Ok(());
        }
        let ack = match publish.qos {
            QoS::AtLeastOnce => self.acks.expect(publish.pkid),
            _ => Ack::Nothing,
        };
        let useless = Arc::clone(&self.useless);
        let way = Way::Endpoint { is_repeated: publish.dup, connection: self.number, useless };
        let arrival = Arrival { topic: publish.topic, payload: publish.payload, way, ack };
        match self.shared.arrivals.try_send(arrival) {
            Ok(()) => Ok(()),
            Err(mpsc::error::TrySendError::Full(arrival)) => {
                self.waiting.push_back(arrival);
                Ok(())
            }
            Err(mpsc::error::TrySendError::Closed(_)) => Err(Close::Stopping),
        }
    }

    fn acknowledge(&mut self) -> Result<(), Close> {
        let mut settled = Vec::new();
        let end = self.acks.take(|packet_id| settled.push(packet_id));
        for packet_id in settled {
            self.say(&Packet::PubAck(PubAck::new(packet_id)))?;
        }
        end.map_err(|_| Close::NotKept)?;
        // There may be room again for what has been read already.
        self.hear()
    }

    fn subscribe(&mut self, subscribe: &Subscribe) -> Result<(), Close> {
        let (mut codes, mut kept) = (Vec::new(), Vec::new());
        for filter in &subscribe.filters {
            let known = valid_filter(&filter.path)
                .then(|| self.shared.hub.subscribe(self.number, &filter.path, MQTT_FILTERS_MAX))
                .flatten();
            codes.push(match known {
                Some(_) => SubscribeReasonCode::Success(QoS::AtMostOnce),
                None => SubscribeReasonCode::Failure,
            });
            kept.extend(known.into_iter().flatten());
        }
        self.keep_filters();
        self.say(&Packet::SubAck(SubAck::new(subscribe.pkid, codes)))?;
        kept.into_iter().try_for_each(|message| self.say(&Packet::Publish(message)))
    }

    fn unsubscribe(&mut self, unsubscribe: &Unsubscribe) -> Result<(), Close> {
        for filter in &unsubscribe.topics {
            self.shared.hub.unsubscribe(self.number, filter);
        }
        self.keep_filters();
        self.say(&Packet::UnsubAck(UnsubAck::new(unsubscribe.pkid)))
    }

    fn keep_filters(&self) {
        if self.guest.keeps_session {
            self.shared.sessions.set_filters(&self.guest.key, self.shared.hub.filters(self.number));
        }
    }

    fn say(&mut self, packet: &Packet) -> Result<(), Close> {
        self.speech.say(packet)
    }

    /// The client is gone without a goodbye: what it left to be said, as a hint of its availability.
    async fn last_will(&mut self) {
        let Some(will) = self.guest.will.take() else { return };
        if self.shared.passes.may_publish(self.guest.leave, &will.topic) {
            let (topic, payload) = (will.topic, will.message);
            // If the intake has ended, so has Heapward.
            let _ = self
                .shared
                .arrivals
                .send(Arrival { topic, payload, way: Way::Will, ack: Ack::Nothing })
                .await;
        }
    }
}
