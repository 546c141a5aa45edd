//! The client of an outside broker, over rumqttc: QoS 1, a session that the broker keeps, and acknowledgements by hand
//! after the commit.
//!
//! Guards, each for something that the library leaves to us: a pause between connections (`backoff`), a subscription
//! on every connection, acknowledgements that never outlive their connection (`acks`), a polling task that does
//! nothing but poll, on a thread of its own, a larger packet limit, and a restart should the library panic.

mod acks;
mod backoff;
mod line;
mod lines;
mod relay;
mod session;
mod speaker;
mod tls;
mod trouble;

use std::io;
use std::sync::Arc;

use tokio::sync::{mpsc, watch};
use tokio::task::JoinHandle;
use tokio::time::{Duration, sleep};

use super::intake::Arrival;
use super::router::Router;
use super::status::{Board, BrokerStatus};
use crate::clock::SharedClock;
use crate::limits::BROKER_PAUSE_MAX;
pub(super) use line::Line;
pub(super) use relay::Relay;
pub(super) use speaker::Outgoing;
pub(super) use trouble::sentence;

/// What the client works with.
pub(super) struct Parts {
    pub(super) line: Line,
    pub(super) clock: SharedClock,
    pub(super) router: watch::Receiver<Arc<Router>>,
    pub(super) board: Arc<Board>,
    pub(super) arrivals: mpsc::Sender<Arrival>,
    pub(super) outgoing: mpsc::Receiver<Outgoing>,
}

/// Puts the broker on the board, before the first try to connect.
pub(super) fn announce(line: &Line, board: &Board) {
    board.lock().status.broker = Some(BrokerStatus {
        address: line.address(),
        connected: false,
        since: None,
        trouble: None,
        connections: 0,
    });
}

/// Keeps a connection to the broker until `stop` is true.
pub(super) async fn run(parts: Parts, mut stop: watch::Receiver<bool>) {
    let Parts { line, clock, router, board, arrivals, mut outgoing } = parts;
    while !*stop.borrow() {
        let (letters, receiver) = mpsc::channel(1);
        let session = session::Session::new(session::Parts {
            line: line.clone(),
            clock: Arc::clone(&clock),
            router: router.clone(),
            board: Arc::clone(&board),
            arrivals: arrivals.clone(),
            outgoing: receiver,
        });
        let mut polling = on_own_thread(session.run(stop.clone()));
        let ended = loop {
            tokio::select! {
                ended = &mut polling => break ended,
                Some(letter) = outgoing.recv() => drop(letters.send(letter).await),
            }
        };
        let failed = ended.map_err(io::Error::other).and_then(|ended| ended);
        if let Err(error) = failed {
            tracing::error!(%error, "the MQTT client has failed and starts anew");
            tokio::select! {
                () = sleep(Duration::from_secs(BROKER_PAUSE_MAX.as_secs())) => {}
                _ = stop.wait_for(|stop| *stop) => {}
            }
        }
    }
}

/// The connection has a thread of its own, since it sleeps between two reads in a stream of messages.
fn on_own_thread(session: impl Future<Output = ()> + Send + 'static) -> JoinHandle<io::Result<()>> {
    tokio::task::spawn_blocking(|| {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
        runtime.block_on(session);
        // A name that is being looked up may take long.
        runtime.shutdown_background();
        Ok(())
    })
}

#[cfg(test)]
mod tests;
