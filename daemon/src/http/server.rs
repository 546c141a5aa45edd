//! The accept loop. Our own, because axum's has no time limit for a request's head and waits for half-sent requests
//! when it stops.
//!
//! One request a connection. At most [`HTTP_CONNECTIONS_MAX`] connections are open; when one more comes, the one that
//! has waited longest with its request unsent makes room, then the oldest live view. So a crowd of silent clients
//! pushes out itself, and somebody who asks is served.

use std::collections::BTreeMap;
use std::future::Future;
use std::net::SocketAddr;
use std::sync::atomic::{AtomicU8, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use axum::Router;
use axum::body::Body;
use hyper::Request;
use hyper::body::Incoming;
use hyper::server::conn::http1;
use hyper::service::{Service, service_fn};
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::server::graceful::{GracefulShutdown, Watcher};
use hyper_util::service::TowerToHyperService;
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{Notify, watch};
use tokio::task::JoinSet;
use tokio::time::{Instant, sleep, timeout};

use super::paced::Paced;
use crate::limits::{
    HTTP_CONNECTION_SECONDS_MAX, HTTP_CONNECTIONS_MAX, HTTP_DRAIN_SECONDS_MAX, HTTP_HEAD_BYTES_MAX,
    HTTP_HEAD_SECONDS_MAX, HTTP_HEADERS_MAX, HTTP_REQUEST_SECONDS_MAX, HTTP_STREAM_SECONDS_MAX,
};

/// Both ends of the connection that a request came by.
#[derive(Clone)]
pub(super) struct Peer {
    pub(super) remote: SocketAddr,
    /// The address that the client reached us at.
    pub(super) local: SocketAddr,
    /// When the connection began.
    since: Instant,
    state: Arc<State>,
}

struct State {
    stage: AtomicU8,
    close: Notify,
}

const WAITING: u8 = 0;
const ANSWERING: u8 = 1;
const STREAMING: u8 = 2;

/// The open connections, in order of their arrival.
#[derive(Default)]
struct Connections {
    open: Mutex<Open>,
    left: Notify,
}

#[derive(Default)]
struct Open {
    next: u64,
    states: BTreeMap<u64, Arc<State>>,
}

/// A place among the connections, given back when dropped.
struct Place {
    connections: Arc<Connections>,
    number: u64,
    state: Arc<State>,
}

/// Serves until `shutdown` resolves, then lets requests at work finish, for [`HTTP_DRAIN_SECONDS_MAX`] at most.
/// `stopping` turns true first, so that live views end.
pub(super) async fn run(
    listener: TcpListener,
    router: Router,
    stopping: watch::Sender<bool>,
    shutdown: impl Future<Output = ()> + Send,
) {
    let connections = Arc::new(Connections::default());
    let graceful = GracefulShutdown::new();
    let mut tasks = JoinSet::new();
    tokio::pin!(shutdown);
    loop {
        let accepted = tokio::select! {
            () = &mut shutdown => break,
            accepted = listener.accept() => accepted,
        };
        let stream = match accepted {
            Ok((stream, remote)) => stream.local_addr().map(|local| (stream, remote, local)),
            Err(error) => Err(error),
        };
        let Ok((stream, remote, local)) = stream else {
            // Out of file handles, or the client has gone again: neither is cured by asking at once.
            sleep(Duration::from_millis(50)).await;
            continue;
        };
        let place = tokio::select! {
            () = &mut shutdown => break,
            place = connections.enter() => place,
        };
        let peer = Peer { remote, local, since: Instant::now(), state: Arc::clone(&place.state) };
        tasks.spawn(converse(stream, peer, place, router.clone(), graceful.watcher()));
        while tasks.try_join_next().is_some() {}
    }
    drop(listener);
    stopping.send_replace(true);
    connections.close_waiting();
    if timeout(Duration::from_secs(HTTP_DRAIN_SECONDS_MAX), graceful.shutdown()).await.is_err() {
        tracing::warn!("requests that were not done in {HTTP_DRAIN_SECONDS_MAX} s were cut off");
    }
}

/// One connection from its first byte to its last.
async fn converse(stream: TcpStream, peer: Peer, place: Place, router: Router, watcher: Watcher) {
    let inner = TowerToHyperService::new(router);
    let state = Arc::clone(&place.state);
    let service = service_fn(move |mut request: Request<Incoming>| {
        peer.state.stage.store(ANSWERING, Ordering::Relaxed);
        request.extensions_mut().insert(peer.clone());
        inner.call(request.map(Body::new))
    });
    let _ = stream.set_nodelay(true);
    let connection = http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(Duration::from_secs(HTTP_HEAD_SECONDS_MAX))
        .max_buf_size(HTTP_HEAD_BYTES_MAX)
        .max_headers(HTTP_HEADERS_MAX)
        .keep_alive(false)
        .half_close(false)
        .serve_connection(TokioIo::new(Paced::new(stream)), service);
    tokio::select! {
        // An error here is a client that went away or was too slow: nothing that we could do about it.
        _ = watcher.watch(connection) => {}
        () = state.close.notified() => {}
        () = overdue(&state) => {}
    }
    drop(place);
}

async fn overdue(state: &State) {
    sleep(Duration::from_secs(HTTP_CONNECTION_SECONDS_MAX)).await;
    if state.stage.load(Ordering::Relaxed) == STREAMING {
        sleep(Duration::from_secs(HTTP_STREAM_SECONDS_MAX - HTTP_CONNECTION_SECONDS_MAX)).await;
    }
}

// === impl Peer ===

impl Peer {
    /// Tells the accept loop that this answer is a live view.
    pub(super) fn streams(&self) {
        self.state.stage.store(STREAMING, Ordering::Relaxed);
    }

    /// Until when the whole request has to be there and its answer has to begin: a slow head leaves less for the body.
    pub(super) fn deadline(&self) -> Instant {
        self.since + Duration::from_secs(HTTP_REQUEST_SECONDS_MAX)
    }

    /// A client at this address, on no connection.
    #[cfg(test)]
    pub(super) fn of(remote: SocketAddr, local: SocketAddr) -> Peer {
        Peer { remote, local, since: Instant::now(), state: State::new() }
    }
}

// === impl State ===

impl State {
    fn new() -> Arc<State> {
        Arc::new(State { stage: AtomicU8::new(WAITING), close: Notify::new() })
    }
}

// === impl Connections ===

impl Connections {
    /// Waits for a place. It is there at once unless every connection is being answered.
    async fn enter(self: &Arc<Self>) -> Place {
        loop {
            let left = self.left.notified();
            if let Some(place) = self.try_enter() {
                return place;
            }
            left.await;
        }
    }

    fn try_enter(self: &Arc<Self>) -> Option<Place> {
        let mut open = self.open.lock().unwrap_or_else(PoisonError::into_inner);
        if open.states.len() >= HTTP_CONNECTIONS_MAX {
            let number = open.oldest(WAITING).or_else(|| open.oldest(STREAMING))?;
            if let Some(state) = open.states.remove(&number) {
                state.close.notify_one();
            }
        }
        let number = open.next;
        open.next += 1;
        let state = State::new();
        open.states.insert(number, Arc::clone(&state));
        Some(Place { connections: Arc::clone(self), number, state })
    }

    fn close_waiting(&self) {
        let open = self.open.lock().unwrap_or_else(PoisonError::into_inner);
        for state in open.states.values().filter(|state| state.stage.load(Ordering::Relaxed) == WAITING) {
            state.close.notify_one();
        }
    }
}

// === impl Open ===

impl Open {
    fn oldest(&self, stage: u8) -> Option<u64> {
        let mut states = self.states.iter();
        states.find(|(_, state)| state.stage.load(Ordering::Relaxed) == stage).map(|(number, _)| *number)
    }
}

// === impl Place ===

impl Drop for Place {
    fn drop(&mut self) {
        let mut open = self.connections.open.lock().unwrap_or_else(PoisonError::into_inner);
        open.states.remove(&self.number);
        drop(open);
        self.connections.left.notify_one();
    }
}
