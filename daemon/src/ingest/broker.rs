//! An outside broker, through rumqttc: MQTT 3.1.1, `QoS` 1, a session that the broker keeps while we are away.
//!
//! What the library leaves to its user is done here: a pause between two connections, subscribing on every
//! connection, and acknowledging only on the connection that brought the message. An acknowledgement made for an
//! older connection would be taken for another message of the same number if the broker has lost the session.

use std::collections::VecDeque;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;

use rumqttc::{
    AsyncClient, ConnectReturnCode, ConnectionError, Event, EventLoop, MqttOptions, Packet, Publish, QoS,
    SubscribeFilter,
};
use tokio::sync::{mpsc, watch};
use tokio::task::JoinHandle;
use tokio::time::{Instant, sleep};
use tracing::{info, warn};

use super::intake::{Arrival, Way};
use super::router::Router;
use super::status::{Board, BrokerStatus};
use crate::clock::SharedClock;
use crate::config::{BrokerConfig, Secret};
use crate::limits::{
    BROKER_ACKS_MAX, BROKER_KEEP_ALIVE_SECONDS, BROKER_PACKET_BYTES_MAX, BROKER_PAUSE_FIRST,
    BROKER_PAUSE_MAX, BROKER_REQUESTS_MAX, BROKER_TAKEN_OVER_PAUSE, BROKER_TAKEN_OVER_TIMES,
    BROKER_TAKEN_OVER_WITHIN,
};
use crate::telling::backoff::random_jitter;

/// The connection to an outside broker at work.
pub struct Broker {
    client: AsyncClient,
    tasks: Vec<JoinHandle<()>>,
}

const TAKEN_OVER: &str =
    "the connection is lost again and again; does another heapward use the same client_id?";

/// What the connecting task works with.
struct Line {
    events: EventLoop,
    client: AsyncClient,
    arrivals: mpsc::Sender<Arrival>,
    acks: mpsc::Sender<(u64, Publish)>,
    /// Number of the present connection.
    connection: Arc<AtomicU64>,
    router: watch::Receiver<Arc<Router>>,
    board: Arc<Board>,
    clock: SharedClock,
    is_resumed: bool,
    /// When the last connections were lost.
    lost: VecDeque<Instant>,
}

// === impl Broker ===

impl Broker {
    /// Connects, and goes on connecting until [`Broker::stop`].
    pub fn start(
        config: &BrokerConfig,
        arrivals: mpsc::Sender<Arrival>,
        router: watch::Receiver<Arc<Router>>,
        board: Arc<Board>,
        clock: SharedClock,
    ) -> Result<Broker, String> {
        let options = options(config)?;
        let address = format!("{}:{}", config.host, config.port);
        board.lock().status.broker = Some(BrokerStatus {
            address,
            connected: false,
            since: None,
            trouble: Some("not connected yet".to_owned()),
            connections: 0,
        });
        let (client, events) = AsyncClient::new(options, BROKER_REQUESTS_MAX);
        let (acks, to_acknowledge) = mpsc::channel(BROKER_ACKS_MAX);
        let connection = Arc::new(AtomicU64::new(0));
        let line = Line {
            events,
            client: client.clone(),
            arrivals,
            acks,
            connection: Arc::clone(&connection),
            router: router.clone(),
            board,
            clock,
            is_resumed: false,
            lost: VecDeque::new(),
        };
        let tasks = vec![
            tokio::spawn(line.run()),
            tokio::spawn(acknowledge(client.clone(), connection, to_acknowledge)),
            tokio::spawn(follow(client.clone(), router)),
        ];
        Ok(Broker { client, tasks })
    }

    pub fn client(&self) -> AsyncClient {
        self.client.clone()
    }

    /// Ends the connection; the broker keeps the session and what was not acknowledged.
    pub fn stop(&self) {
        for task in &self.tasks {
            task.abort();
        }
    }
}

fn options(config: &BrokerConfig) -> Result<MqttOptions, String> {
    if config.tls.is_some() {
        return Err(
            "this heapward was built without TLS to a broker; build it with the feature broker-tls, or \
                    let a broker on this machine hold the TLS connection"
                .to_owned(),
        );
    }
    let mut options = MqttOptions::new(&config.client_id, &config.host, config.port);
    options
        .set_keep_alive(Duration::from_secs(BROKER_KEEP_ALIVE_SECONDS))
        .set_clean_session(false)
        .set_manual_acks(true)
        .set_max_packet_size(BROKER_PACKET_BYTES_MAX, BROKER_PACKET_BYTES_MAX);
    if let Some(user) = &config.user {
        let password = config.password.as_ref().map_or("", Secret::reveal);
        options.set_credentials(user, password);
    }
    Ok(options)
}

// === impl Line ===

impl Line {
    async fn run(mut self) {
        let mut failures = 0_u32;
        loop {
            match self.events.poll().await {
                Ok(Event::Incoming(Packet::ConnAck(ack))) => {
                    failures = 0;
                    self.connected(ack.session_present);
                }
                Ok(Event::Incoming(Packet::Publish(publish))) => {
                    if !self.take(publish).await {
                        return; // nobody takes messages any more: Heapward stops
                    }
                }
                Ok(_) => {}
                Err(error) => {
                    // A message of the old connection that is still in the buffer would be handed out on the next.
                    self.events.state.events.clear();
                    failures = failures.saturating_add(1);
                    sleep(self.lost(&error, failures)).await;
                }
            }
        }
    }

    fn connected(&mut self, session_present: bool) {
        self.connection.fetch_add(1, Ordering::SeqCst);
        self.is_resumed = session_present;
        subscribe(&self.client, &self.router.borrow());
        let now = self.clock.now();
        let mut board = self.board.lock();
        if let Some(broker) = &mut board.status.broker {
            broker.connections += 1;
            broker.connected = true;
            broker.since = Some(now);
            broker.trouble = None;
            info!(address = broker.address, session_present, "connected to the broker");
        }
    }

    /// Hands a message on. False when nobody is there to take it.
    async fn take(&mut self, publish: Publish) -> bool {
        let connection = self.connection.load(Ordering::SeqCst);
        let way = Way::Broker {
            is_retained: publish.retain,
            is_repeated: publish.dup,
            is_resumed: self.is_resumed,
            connection,
        };
        let acks = self.acks.clone();
        let (topic, payload) = (publish.topic.clone(), publish.payload.clone());
        let ack = Box::new(move |kept: bool| {
            // When the list is full the broker delivers the message again, and it is found to be stored.
            if kept && publish.qos != QoS::AtMostOnce {
                let _ = acks.try_send((connection, publish));
            }
        });
        self.arrivals.send(Arrival { topic, payload, way, ack }).await.is_ok()
    }

    /// Notes a lost or failed connection; how long to wait before the next.
    fn lost(&mut self, error: &ConnectionError, failures: u32) -> Duration {
        let now = Instant::now();
        let mut trouble = in_words(error);
        let mut pause = pause(failures);
        let was_connected = {
            let mut board = self.board.lock();
            let broker = board.status.broker.as_mut();
            broker.is_some_and(|broker| std::mem::replace(&mut broker.connected, false))
        };
        if was_connected {
            self.lost.push_back(now);
            self.lost.retain(|at| now - *at <= BROKER_TAKEN_OVER_WITHIN);
            if self.lost.len() >= BROKER_TAKEN_OVER_TIMES {
                self.lost.clear();
                TAKEN_OVER.clone_into(&mut trouble);
                pause = BROKER_TAKEN_OVER_PAUSE;
            }
        }
        let at = self.clock.now();
        let mut board = self.board.lock();
        if let Some(broker) = &mut board.status.broker {
            if was_connected || broker.trouble.as_deref() != Some(trouble.as_str()) {
                warn!(address = broker.address, "no connection to the broker: {trouble}");
            }
            if was_connected {
                broker.since = Some(at);
            }
            broker.trouble = Some(trouble);
        }
        pause
    }
}

/// Acknowledges what is on the card, unless its connection is gone.
async fn acknowledge(
    client: AsyncClient,
    connection: Arc<AtomicU64>,
    mut to_acknowledge: mpsc::Receiver<(u64, Publish)>,
) {
    while let Some((of, publish)) = to_acknowledge.recv().await {
        if of == connection.load(Ordering::SeqCst) && client.ack(&publish).await.is_err() {
            return;
        }
    }
}

/// Subscribes to what a new set of probes listens to.
async fn follow(client: AsyncClient, mut router: watch::Receiver<Arc<Router>>) {
    while router.changed().await.is_ok() {
        subscribe(&client, &router.borrow());
    }
}

fn subscribe(client: &AsyncClient, router: &Router) {
    let filters: Vec<SubscribeFilter> = router
        .filters()
        .iter()
        .map(|filter| SubscribeFilter::new(filter.clone(), QoS::AtLeastOnce))
        .collect();
    if filters.is_empty() {
        return;
    }
    if let Err(error) = client.try_subscribe_many(filters) {
        warn!("the broker could not be asked for the probes' topics: {error}");
    }
}

/// 1 s, doubling to a minute, up to a fifth more or less.
fn pause(failures: u32) -> Duration {
    let doubled = BROKER_PAUSE_FIRST * 2_u32.saturating_pow(failures.saturating_sub(1).min(16));
    doubled.min(BROKER_PAUSE_MAX).mul_f64(1.0 + 0.2 * random_jitter())
}

fn in_words(error: &ConnectionError) -> String {
    match error {
        ConnectionError::ConnectionRefused(
            ConnectReturnCode::BadUserNamePassword | ConnectReturnCode::NotAuthorized,
        ) => "the broker refuses user or password; look at [broker] user and password_file".to_owned(),
        ConnectionError::ConnectionRefused(code) => format!("the broker refuses us ({code:?})"),
        ConnectionError::Io(error) if error.kind() == std::io::ErrorKind::ConnectionRefused => {
            "nothing listens at this address; is the broker running?".to_owned()
        }
        ConnectionError::Io(error) => format!("the broker can't be reached ({error})"),
        ConnectionError::NetworkTimeout => "the broker does not answer".to_owned(),
        ConnectionError::MqttState(state) => format!("the connection broke ({state})"),
        other => format!("the connection broke ({other})"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_pause_grows_to_a_minute() {
        for (failures, seconds) in [(1, 1.0), (2, 2.0), (5, 16.0), (7, 60.0), (1_000, 60.0)] {
            let pause = pause(failures).as_secs_f64();
            assert!((pause - seconds).abs() <= seconds * 0.2 + 1e-9, "{failures}: {pause}");
        }
    }
}
