//! Listens for a while without being noticed: nothing is stored, acknowledged or kept for us.

use std::sync::{Arc, Mutex, PoisonError};

use heapward_rules::units::Span;
use rumqttc::{Event, Packet, QoS, SubscribeReasonCode};
use tokio::net::TcpListener;
use tokio::sync::{mpsc, watch};
use tokio::time::{Duration, Instant, sleep_until, timeout_at};

use super::endpoint::{self, Hub};
use super::guest::Guest;
use super::heard::Heard;
use super::router::Router;
use super::status::Board;
use crate::clock::SharedClock;
use crate::config::{BrokerConfig, PassConfig};
use crate::limits::{ARRIVALS_MAX, OVERHEAR_TIME};

/// Listening to a broker's other topics while the daemon works, for the page of topics without a probe.
#[derive(Clone)]
pub(super) struct Overhearing(Arc<Shared>);

struct Shared {
    broker: Option<BrokerConfig>,
    clock: SharedClock,
    /// Whether it is listened at the moment, and what was wrong the last time.
    state: Mutex<(bool, Option<String>)>,
}

// === impl Overhearing ===

impl Overhearing {
    pub(super) fn new(broker: Option<BrokerConfig>, clock: SharedClock) -> Overhearing {
        Overhearing(Arc::new(Shared { broker, clock, state: Mutex::default() }))
    }

    /// Listens in a task of its own, one at a time. False if there is no broker.
    pub(super) fn begin(&self, board: Arc<Board>, router: watch::Receiver<Arc<Router>>) -> bool {
        let Some(broker) = self.0.broker.clone() else { return false };
        let is_busy = std::mem::replace(&mut *self.lock(), (true, None)).0;
        if !is_busy {
            let this = self.clone();
            tokio::spawn(async move {
                let clock = Arc::clone(&this.0.clock);
                let hear = |topic: &str, payload: &[u8], is_retained| {
                    if router.borrow().route(topic).next().is_none() {
                        board.lock().unassigned(topic, payload, is_retained, clock.now());
                    }
                };
                let heard = on_broker(broker, Arc::clone(&clock), "#", OVERHEAR_TIME, hear).await;
                *this.lock() = (false, heard.err());
            });
        }
        true
    }

    pub(super) fn state(&self) -> (bool, Option<String>) {
        self.lock().clone()
    }

    fn lock(&self) -> std::sync::MutexGuard<'_, (bool, Option<String>)> {
        self.0.state.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// Hears what is published on a broker for as long as given, retained messages first: topic, payload, and whether it
/// is retained. The error says what is wrong with the broker.
pub async fn on_broker(
    config: BrokerConfig,
    clock: SharedClock,
    filter: &str,
    listen: Duration,
    mut hear: impl FnMut(&str, &[u8], bool),
) -> Result<(), String> {
    let mut guest = Guest::new(config, clock, "listen")?;
    let mut end = Instant::now() + listen;
    loop {
        let Ok(event) = timeout_at(end, guest.poll()).await else { break };
        match event? {
            Event::Incoming(Packet::ConnAck(_)) => {
                guest
                    .client
                    .try_subscribe(filter, QoS::AtMostOnce)
                    .map_err(|_| "the topic filter is wrong".to_owned())?;
                // The time to connect is not time to listen.
                end = Instant::now() + listen;
            }
            Event::Incoming(Packet::SubAck(answer))
                if answer.return_codes.iter().all(|code| *code == SubscribeReasonCode::Failure) =>
            {
                return Err(format!(
                    "{} refuses to let us read `{filter}`; allow it there, or give --topic",
                    guest.address
                ));
            }
            Event::Incoming(Packet::Publish(message)) => {
                hear(&message.topic, &message.payload, message.retain);
            }
            _ => {}
        }
    }
    let _ = guest.client.try_disconnect();
    Ok(())
}

/// Hears what is published to an endpoint of our own, as long as the daemon does not serve it. Nothing is
/// acknowledged, so that devices keep their readings for the daemon.
pub async fn on_endpoint(
    listener: TcpListener,
    passes: Vec<PassConfig>,
    clock: SharedClock,
    listen: Duration,
    mut heard: Heard,
) -> Heard {
    let (arrivals, mut receiver) = mpsc::channel(ARRIVALS_MAX);
    let (stop, stopped) = watch::channel(false);
    let parts = endpoint::Parts {
        listener,
        passes,
        sessions: None,
        clock,
        hub: Arc::new(Hub::default()),
        board: Arc::new(Board::default()),
        arrivals,
    };
    let serving = tokio::spawn(endpoint::run(parts, stopped));
    let began = Instant::now();
    loop {
        tokio::select! {
            arrival = receiver.recv() => match arrival {
                // Its acknowledgement is dropped without being called.
                Some(arrival) => heard.add(&arrival.topic, &arrival.payload, false, since(began)),
                None => break,
            },
            () = sleep_until(began + listen) => break,
        }
    }
    let _ = stop.send(true);
    drop(receiver);
    let _ = serving.await;
    heard
}

fn since(began: Instant) -> Span {
    Span(i64::try_from(began.elapsed().as_millis()).unwrap_or(i64::MAX))
}
