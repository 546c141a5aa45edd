//! An MQTT 3.1.1 endpoint of our own, so that one program is enough and no reading is written twice.
//!
//! It is not a broker: it routes nothing between clients, and of a session it keeps the subscriptions alone. What it
//! answers:
//!
//! | packet | answer |
//! | --- | --- |
//! | CONNECT | with a pass (user and password) if passes are configured; a second client with the same id and user takes over; session present if it was here before and asked for it |
//! | PUBLISH QoS 0, 1 | taken in, if the pass may speak for the topic; PUBACK when its readings are on the card, in the order of the messages |
//! | PUBLISH QoS 2 | disconnect, with a line in the log |
//! | SUBSCRIBE | granted with QoS 0; only what Heapward itself publishes ever comes |
//! | UNSUBSCRIBE, PINGREQ | UNSUBACK, PINGRESP |
//! | DISCONNECT | the last will is forgotten |
//! | nothing | disconnect after 1.5 times the keep-alive; the last will is read as a hint of availability |
//!
//! A message that the store could not keep is not acknowledged: the connection is closed, and the client sends it
//! again. Every limit is in `limits`.

mod acks;
mod clients;
mod close;
mod connect;
mod connection;
mod hub;
mod passes;
mod sessions;
mod speech;

use std::net::SocketAddr;
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{Semaphore, mpsc, watch};
use tokio::task::JoinSet;
use tokio::time::Duration;

use super::intake::Arrival;
use super::status::{Board, EndpointStatus};
use crate::clock::SharedClock;
use crate::config::PassConfig;
use crate::limits::MQTT_CLIENTS_MAX;
use clients::Clients;
use close::Close;
pub use hub::Hub;
use passes::Passes;
use sessions::Sessions;

/// What all connections share.
struct Shared {
    clock: SharedClock,
    passes: Passes,
    clients: Clients,
    sessions: Sessions,
    hub: Arc<Hub>,
    board: Arc<Board>,
    arrivals: mpsc::Sender<Arrival>,
    /// Number of the newest connection.
    connections: AtomicU64,
    stop: watch::Receiver<bool>,
}

/// What the endpoint works with.
pub(super) struct Parts {
    pub(super) listener: TcpListener,
    pub(super) passes: Vec<PassConfig>,
    /// File for what is remembered of clients over a restart.
    pub(super) sessions: Option<PathBuf>,
    pub(super) clock: SharedClock,
    pub(super) hub: Arc<Hub>,
    pub(super) board: Arc<Board>,
    pub(super) arrivals: mpsc::Sender<Arrival>,
}

/// Puts the endpoint on the board, before the first client.
pub(super) fn announce(listener: &TcpListener, board: &Board) {
    let address = listener.local_addr().map(|address| address.to_string()).unwrap_or_default();
    board.lock().status.endpoint = Some(EndpointStatus { address, ..EndpointStatus::default() });
}

/// Serves probes until `stop` is true.
pub(super) async fn run(parts: Parts, mut stop: watch::Receiver<bool>) {
    let Parts { listener, passes, sessions, clock, hub, board, arrivals } = parts;
    let shared = Arc::new(Shared {
        clock,
        passes: Passes::new(&passes),
        clients: Clients::default(),
        sessions: Sessions::load(sessions.as_deref()),
        hub,
        board,
        arrivals,
        connections: AtomicU64::new(0),
        stop: stop.clone(),
    });
    let places = Arc::new(Semaphore::new(MQTT_CLIENTS_MAX));
    let mut connections = JoinSet::new();
    if let Some(file) = sessions {
        let (shared, stop) = (Arc::clone(&shared), stop.clone());
        connections.spawn(async move { shared.sessions.keep(file, stop).await });
    }
    loop {
        let accepted = tokio::select! {
            accepted = listener.accept() => accepted,
            Some(_) = connections.join_next() => continue,
            _ = stop.wait_for(|stop| *stop) => break,
        };
        let (stream, peer) = match accepted {
            Ok(accepted) => accepted,
            // Out of file descriptors, or a client that left while it waited: the listener itself is sound.
            Err(error) => {
                tracing::debug!(%error, "a connection to the MQTT endpoint failed before it began");
                tokio::time::sleep(Duration::from_millis(100)).await;
                continue;
            }
        };
        let Ok(place) = Arc::clone(&places).try_acquire_owned() else {
            shared.closed(&peer, &Close::TooManyClients);
            continue;
        };
        let shared = Arc::clone(&shared);
        connections.spawn(async move {
            serve(stream, peer, &shared).await;
            drop(place);
        });
    }
    while connections.join_next().await.is_some() {}
}

async fn serve(stream: TcpStream, peer: SocketAddr, shared: &Arc<Shared>) {
    let _ = stream.set_nodelay(true);
    let number = shared.connections.fetch_add(1, Ordering::Relaxed) + 1;
    if let Err(close) = connection::run(stream, number, shared).await {
        shared.closed(&peer, &close);
    }
}

// === impl Shared ===

impl Shared {
    /// Counts the end of a connection. What the grower can do something about is worth a line.
    fn closed(&self, peer: &SocketAddr, close: &Close) {
        if let Some(endpoint) = &mut self.board.lock().status.endpoint {
            *endpoint.closed.entry(close.word()).or_default() += 1;
        }
        if close.is_fault() {
            self.board.lock().log_closed(close.word(), || {
                tracing::warn!(%peer, reason = close.word(), "MQTT client closed: {close}");
            });
        } else {
            tracing::debug!(%peer, reason = close.word(), "MQTT client left");
        }
    }
}

#[cfg(test)]
mod tests;
