//! The page and the API.
//!
//! Everything is made on the server; no file is ever opened by the path of a request. Access, per route: `-` anybody,
//! `r` whoever may read (open on the farm's network or with the pass, as configured), `w` a pass as a script sends it,
//! `f` a pass and a form of our own pages.
//!
//! | route | access | answers |
//! | --- | --- | --- |
//! | GET `/` | r | all piles: verdict, what to do today |
//! | GET `/healthz` | - | 200 while the recorder judges and the store answers, else 503 |
//! | GET `/metrics` | r | counters as Prometheus text |
//! | GET `/v1/piles` | r | all piles with their verdicts |
//! | POST `/v1/piles` | w | starts a pile |
//! | GET `/v1/piles/{pile}` | r | one pile |
//! | GET `/v1/piles/{pile}/history` | r | readings, raw or in buckets, as JSON or CSV |
//! | POST `/v1/piles/{pile}/placements` | w | sticks a probe into a spot |
//! | GET, POST `/v1/piles/{pile}/entries` | r, w | the log; a new entry |
//! | POST `/v1/piles/{pile}/readings` | w | a reading by hand |

mod access;
mod api;
mod entering;
mod guard;
mod house;
mod paced;
mod pages;
mod params;
mod problem;
mod routes;
mod server;
mod sources;
mod table;
mod words;

use std::future::Future;

use tokio::net::TcpListener;
use tokio::sync::watch;

pub use access::invitation;
pub use access::keys::{CODE_MINUTES, Keys, Pass};
use house::House;
pub use house::{App, IngestStatus, RefusedMessages, TellingStatus};

/// Serves pages and API on `listener` until `shutdown` resolves, then lets the requests at work finish.
pub async fn serve(listener: TcpListener, app: App, shutdown: impl Future<Output = ()> + Send) {
    let (stopping, stops) = watch::channel(false);
    let router = routes::router(House::new(app, stops));
    server::run(listener, router, stopping, shutdown).await;
}

#[cfg(test)]
mod tests;
