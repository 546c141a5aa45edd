//! The task that polls the connection, and makes a new one when it ends.

use std::future::poll_fn;
use std::pin::pin;
use std::sync::Arc;
use std::task::Poll;
use std::thread;

use rumqttc::mqttbytes::Error as PacketError;
use rumqttc::mqttbytes::v4::{PubAck, SubscribeReasonCode};
use rumqttc::{
    AsyncClient, ConnectionError, Event, EventLoop, LastWill, MqttOptions, Packet, Publish, QoS, StateError,
};
use tokio::sync::mpsc::error::TrySendError;
use tokio::sync::{mpsc, watch};
use tokio::time::{Duration, Instant, sleep};

use super::acks::Acks;
use super::backoff::Backoff;
use super::line::Line;
use super::lines::Lines;
use super::relay::Relay;
use super::speaker::{Letters, Outgoing, Speaker, subscribe};
use super::trouble;
use crate::clock::SharedClock;
use crate::ingest::intake::{Arrival, Way};
use crate::ingest::router::Router;
use crate::ingest::status::Board;
use crate::limits::{
    BROKER_BYTES_TOGETHER_MAX, BROKER_CONNECT_SECONDS_MAX, BROKER_PACKETS_TOGETHER_MAX,
    BROKER_READS_TOGETHER_MAX, BROKER_REQUESTS_MAX, BROKER_STREAM_REST, BROKER_STREAM_WITHIN,
};
use crate::recorder::Ack;
use crate::telling::backoff::random_jitter;

/// Where we say whether we are there; a last will at the broker says it when we can't.
const STATUS_TOPIC: &str = "heapward/status";

pub(super) struct Parts {
    pub(super) line: Line,
    pub(super) clock: SharedClock,
    pub(super) router: watch::Receiver<Arc<Router>>,
    pub(super) board: Arc<Board>,
    pub(super) arrivals: mpsc::Sender<Arrival>,
    pub(super) outgoing: mpsc::Receiver<Outgoing>,
}

pub(super) struct Session {
    line: Line,
    address: String,
    /// Between the library and the broker: for TLS, and once a message was too large for the library.
    relay: Option<Relay>,
    clock: SharedClock,
    router: watch::Receiver<Arc<Router>>,
    board: Arc<Board>,
    arrivals: mpsc::Sender<Arrival>,
    /// Messages of one read, for the intake.
    read: Vec<Arrival>,
    client: AsyncClient,
    events: EventLoop,
    acks: Arc<Acks>,
    letters: Arc<Letters>,
    backoff: Backoff,
    lines: Lines,
    speaker: Option<Speaker>,
    /// Number of the present connection, and when it was accepted.
    connection: u64,
    connected: Option<Instant>,
    /// When messages came last, and whether one came since.
    heard: Option<Instant>,
    has_heard: bool,
    is_resumed: bool,
}

/// Why polling ended.
enum End {
    Stopped,
    Broken(ConnectionError),
    /// The store could not keep a message.
    NotKept,
}

// === impl Session ===

impl Session {
    pub(super) fn new(parts: Parts) -> Session {
        let (client, mut events) = AsyncClient::new(own_options(&parts.line), BROKER_REQUESTS_MAX);
        events.network_options.set_connection_timeout(BROKER_CONNECT_SECONDS_MAX);
        events.network_options.set_tcp_nodelay(true);
        let (acks, letters) = (Acks::new(client.clone()), Arc::<Letters>::default());
        let speaker = Speaker {
            client: client.clone(),
            acks: Arc::clone(&acks),
            letters: Arc::clone(&letters),
            router: parts.router.clone(),
            outgoing: parts.outgoing,
        };
        Session {
            address: parts.line.address(),
            line: parts.line,
            relay: None,
            clock: parts.clock,
            router: parts.router,
            board: parts.board,
            arrivals: parts.arrivals,
            read: Vec::new(),
            client,
            events,
            acks,
            letters,
            backoff: Backoff::default(),
            lines: Lines::new(Instant::now()),
            speaker: Some(speaker),
            connection: 0,
            connected: None,
            heard: None,
            has_heard: false,
            is_resumed: false,
        }
    }

    /// Connects again and again until `stop` is true.
    pub(super) async fn run(mut self, mut stop: watch::Receiver<bool>) {
        let speaking = self.speaker.take().map(|speaker| tokio::spawn(speaker.run()));
        if self.line.has_tls() {
            self.lay_relay();
        }
        loop {
            let (sentence, was_closed) = match self.poll(&mut stop).await {
                End::Stopped => break,
                End::Broken(error) => self.explain(&error),
                End::NotKept => {
                    ("a reading could not be kept; the broker is to deliver it again".to_owned(), false)
                }
            };
            self.hang_up();
            let next = self.backoff.next(Instant::now(), self.connected.take(), was_closed, random_jitter());
            if next.is_take_over {
                self.say_trouble(format!(
                    "{} ends the connection again and again; most likely another program uses the client id `{}`: \
                     give each its own",
                    self.address,
                    self.line.client_id()
                ));
            } else {
                self.say_trouble(sentence);
            }
            tokio::select! {
                () = sleep(next.pause) => {}
                _ = stop.wait_for(|stop| *stop) => break,
            }
        }
        self.goodbye().await;
        if let Some(speaking) = speaking {
            speaking.abort();
        }
    }

    async fn poll(&mut self, stop: &mut watch::Receiver<bool>) -> End {
        let acks = Arc::clone(&self.acks);
        loop {
            if let Err(end) = self.acknowledge(true).await {
                return end;
            }
            // Both other branches end the connection, so that a poll that is dropped in its midst does no harm.
            let event = tokio::select! {
                event = self.events.poll() => event,
                () = acks.failed.notified() => return End::NotKept,
                _ = stop.wait_for(|stop| *stop) => return End::Stopped,
            };
            let heeded = match event {
                Ok(event) => self.heed_all(event).await,
                Err(error) => return End::Broken(error),
            };
            if let Err(end) = heeded {
                // What came before the connection broke came nevertheless.
                return self.hand_on().await.err().unwrap_or(end);
            }
        }
    }

    /// Heeds an event and what else has come already. The library looks at its queue and its timers between two reads;
    /// in a stream of messages that is needed only now and then.
    async fn heed_all(&mut self, event: Event) -> Result<(), End> {
        self.acks.wake();
        let is_stream = self.heard.is_some_and(|heard| heard.elapsed() <= BROKER_STREAM_WITHIN);
        self.heed(event);
        for _ in 0..BROKER_READS_TOGETHER_MAX {
            while let Some(event) = self.events.state.events.pop_front() {
                self.heed(event);
            }
            self.hand_on().await?;
            if is_stream {
                // Asleep for good: a task that waits would be woken up for every message. This thread is the
                // connection's own.
                thread::sleep(BROKER_STREAM_REST);
            }
            self.acknowledge(false).await?;
            if !self.read_on().await? {
                break;
            }
        }
        self.hand_on().await?;
        if std::mem::take(&mut self.has_heard) {
            self.heard = Some(Instant::now());
        }
        Ok(())
    }

    /// Reads what has come already; false if that is nothing. Messages pass by the library's state, which has nothing
    /// to remember of them and would copy each.
    async fn read_on(&mut self) -> Result<bool, End> {
        let mut is_any = false;
        let (mut packets, mut bytes) = (0, 0);
        while packets < BROKER_PACKETS_TOGETHER_MAX && bytes < BROKER_BYTES_TOGETHER_MAX {
            // A message of our own may have to be sent again at what is read: the library does that in its own turn.
            let has_collided = self.events.state.collision.is_some();
            let Some(network) = self.events.network.as_mut().filter(|_| !has_collided) else { break };
            let Some(read) = at_once(network.read()).await else { break };
            is_any = true;
            packets += 1;
            match read.map_err(broken)? {
                Packet::Publish(publish) if publish.qos != QoS::ExactlyOnce => {
                    bytes += publish.payload.len();
                    self.take(publish);
                }
                packet => {
                    let answer = self.events.state.handle_incoming_packet(packet).map_err(broken)?;
                    self.write(answer).await?;
                    break;
                }
            }
        }
        Ok(is_any)
    }

    fn heed(&mut self, event: Event) {
        match event {
            Event::Incoming(Packet::Publish(publish)) => self.take(publish),
            Event::Incoming(Packet::ConnAck(connack)) => self.connected(connack.session_present),
            Event::Incoming(Packet::SubAck(suback)) => self.subscribed(&suback.return_codes),
            Event::Incoming(Packet::PubAck(puback)) => self.letters.acknowledged(puback.pkid),
            Event::Outgoing(rumqttc::Outgoing::Publish(packet_id)) => self.letters.sent(packet_id),
            Event::Outgoing(rumqttc::Outgoing::PubAck(_)) => self.acks.answered(),
            _ => {}
        }
    }

    /// Writes the acknowledgements that are due, all of them with one call. `then_asleep`: until there are none, and from
    /// then on the task has to be called for the next.
    async fn acknowledge(&mut self, then_asleep: bool) -> Result<(), End> {
        loop {
            let settled = self.acks.take(then_asleep);
            if settled.is_empty() {
                return Ok(());
            }
            self.write(settled.into_iter().map(|packet_id| Packet::PubAck(PubAck::new(packet_id)))).await?;
            if !then_asleep {
                return Ok(());
            }
        }
    }

    /// Writes packets with one call.
    async fn write(&mut self, packets: impl IntoIterator<Item = Packet>) -> Result<(), End> {
        let mut packets = packets.into_iter().peekable();
        let Some(network) = self.events.network.as_mut().filter(|_| packets.peek().is_some()) else {
            return Ok(());
        };
        let writing = async {
            for packet in packets {
                network.write(packet).await?;
            }
            network.flush().await
        };
        let patience = Duration::from_secs(BROKER_CONNECT_SECONDS_MAX);
        match tokio::time::timeout(patience, writing).await {
            Ok(written) => written.map_err(broken),
            Err(_) => Err(End::Broken(ConnectionError::FlushTimeout)),
        }
    }

    /// What ended the connection, and whether the broker did it.
    fn explain(&mut self, error: &ConnectionError) -> (String, bool) {
        let is_too_large = matches!(
            error,
            ConnectionError::MqttState(StateError::Deserialization(PacketError::PayloadSizeLimitExceeded(_)))
        );
        if is_too_large && self.relay.is_none() {
            self.lay_relay();
        }
        match self.relay.as_ref().and_then(Relay::take_trouble) {
            Some(sentence) => (sentence, false),
            None => (trouble::sentence(error, &self.address), trouble::was_closed(error)),
        }
    }

    /// Leads the next connections through a relay.
    fn lay_relay(&mut self) {
        let started = self.line.relay(Arc::clone(&self.board), Arc::clone(&self.clock));
        match started {
            Ok(relay) => {
                self.events.mqtt_options = Line::through(&own_options(&self.line), &relay);
                self.relay = Some(relay);
            }
            Err(error) => {
                tracing::error!(%error, "no relay to the broker can be made in the temporary folder");
            }
        }
    }

    /// Takes a message; with what else this read brings it goes on to the intake, which is woken up once for all.
    fn take(&mut self, publish: Publish) {
        self.has_heard = true;
        let way = Way::Broker {
            is_retained: publish.retain,
            is_repeated: publish.dup,
            is_resumed: self.is_resumed,
            connection: self.connection,
        };
        let ack = match publish.qos {
            QoS::AtLeastOnce => self.acks.expect(self.connection, publish.pkid),
            // We subscribe with QoS 1, so that a broker never sends more.
            QoS::AtMostOnce | QoS::ExactlyOnce => Ack::Nothing,
        };
        self.read.push(Arrival { topic: publish.topic, payload: publish.payload, way, ack });
    }

    /// Hands what was read to the intake. While that is full, nothing is polled: the broker keeps the rest.
    async fn hand_on(&mut self) -> Result<(), End> {
        for arrival in self.read.drain(..) {
            match self.arrivals.try_send(arrival) {
                Ok(()) => {}
                Err(TrySendError::Full(arrival)) => {
                    self.arrivals.send(arrival).await.map_err(|_| End::Stopped)?;
                }
                Err(TrySendError::Closed(_)) => return Err(End::Stopped),
            }
        }
        Ok(())
    }

    fn connected(&mut self, session_present: bool) {
        self.is_resumed = session_present;
        self.connected = Some(Instant::now());
        subscribe(&self.client, self.router.borrow().filters());
        let said = self.client.try_publish(STATUS_TOPIC, QoS::AtMostOnce, true, "online");
        if said.is_err() {
            tracing::debug!("no room for the message that we are there");
        }
        self.letters.connected();
        let now = self.clock.now();
        if let Some(broker) = &mut self.board.lock().status.broker {
            broker.connected = true;
            broker.since = Some(now);
            broker.trouble = None;
            broker.connections += 1;
        }
        if self.lines.may_write(Instant::now()) {
            tracing::info!(broker = %self.address, session_present, "connected to the MQTT broker");
        }
    }

    fn subscribed(&self, codes: &[SubscribeReasonCode]) {
        if codes.contains(&SubscribeReasonCode::Failure) {
            let what =
                format!("{} refuses to let us read some of the topics; allow them there", self.address);
            tracing::warn!("{what}");
            if let Some(broker) = &mut self.board.lock().status.broker {
                broker.trouble = Some(what);
            }
        }
    }

    /// Ends the connection for good: nothing of it may reach the next one, neither acknowledgements nor messages that
    /// came but were not looked at yet.
    fn hang_up(&mut self) {
        self.connection = self.acks.next_connection();
        self.events.clean();
        self.events.state.events.clear();
        self.events.pending.clear();
        self.letters.disconnected();
    }

    fn say_trouble(&mut self, sentence: String) {
        let now = self.clock.now();
        if let Some(broker) = &mut self.board.lock().status.broker {
            if broker.connected || broker.since.is_none() {
                broker.since = Some(now);
            }
            broker.connected = false;
            if broker.trouble.as_ref() != Some(&sentence) {
                if self.lines.may_write(Instant::now()) {
                    tracing::warn!("no MQTT broker: {sentence}");
                }
                broker.trouble = Some(sentence);
            }
        }
    }

    /// Says that we go, so that the broker need not say it for us.
    async fn goodbye(mut self) {
        if self.connected.is_none() {
            return;
        }
        let _ = self.client.try_publish(STATUS_TOPIC, QoS::AtMostOnce, true, "offline");
        let _ = self.client.try_disconnect();
        let leaving = async {
            loop {
                match self.events.poll().await {
                    Ok(Event::Outgoing(rumqttc::Outgoing::Disconnect)) | Err(_) => return,
                    Ok(_) => {}
                }
            }
        };
        let _ = tokio::time::timeout(Duration::from_secs(1), leaving).await;
    }
}

fn broken(error: StateError) -> End {
    End::Broken(ConnectionError::MqttState(error))
}

/// What a future gives without waiting.
async fn at_once<F: Future>(future: F) -> Option<F::Output> {
    let mut future = pin!(future);
    poll_fn(|context| match future.as_mut().poll(context) {
        Poll::Ready(output) => Poll::Ready(Some(output)),
        Poll::Pending => Poll::Ready(None),
    })
    .await
}

fn own_options(line: &Line) -> MqttOptions {
    let mut options = line.options(line.client_id());
    options.set_clean_session(false);
    options.set_manual_acks(true);
    options.set_last_will(LastWill::new(STATUS_TOPIC, "offline", QoS::AtMostOnce, true));
    options
}
