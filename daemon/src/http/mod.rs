//! The page and the API.
//!
//! Everything is made on the server; no file is ever opened by the path of a request. Access, per route: `-` anybody,
//! `r` whoever may read (open on the farm's network or with the pass, as configured), `w` a pass as a script sends it,
//! `f` a pass and a form of our own pages.
//!
//! | route | access | answers |
//! | --- | --- | --- |
//! | GET `/` | r | all piles: verdict, what to do today |
//! | GET `/piles/{pile}` | r | one pile: verdict, today, chart, spots, log |
//! | GET `/piles/{pile}/record` | r | its record, to read and print |
//! | GET `/piles/{pile}/record.pdf` | r | the same as PDF, A4 or Letter |
//! | GET `/piles/{pile}/log` | r | its whole log |
//! | GET `/piles/{pile}/incidents` | r | everything that was noticed about it |
//! | GET `/piles/{pile}/log/{seq}` | w | an entry to be corrected |
//! | POST `/piles/{pile}/log/{seq}` | f | withdraws the entry |
//! | GET `/piles/{pile}/log/{seq}/anew` | w | the entry's form with its figures, to be put right |
//! | GET `/piles/{pile}/write` | w | everything that can be written down |
//! | GET `/piles/{pile}/write/{what}` | w | the form of one thing |
//! | POST `/piles/{pile}/write/{what}` | f | writes it down |
//! | GET `/piles/{pile}/place` | w | the form for placing a probe |
//! | POST `/piles/{pile}/place` | f | places it |
//! | GET `/mix` | r | planning a mix: what it comes to, or how much of each; the build card |
//! | GET `/season` | r | planning a season; the seasons so far |
//! | GET `/start` | w | the form for a new pile |
//! | POST `/start` | f | starts it |
//! | GET `/probes` | r | what each probe said last, where it stands, what is wrong |
//! | GET `/unassigned` | r | topics that no probe reads, and what they could be |
//! | GET `/unassigned/take` | w | the form for taking a probe into use from there |
//! | POST `/unassigned/take` | f | takes it into use |
//! | POST `/unassigned/listen` | f | listens to all topics of the broker for a while |
//! | POST `/unassigned/remove` | f | takes such a probe out of use |
//! | GET `/refused` | r | messages that could not be read, and why |
//! | GET `/outbox` | r | messages to people |
//! | GET `/about` | r | version, clock, records, passes, messages in and out, rules |
//! | POST `/seen` | f | a person has seen an incident |
//! | POST `/mute` | f | no messages of a pile for some hours |
//! | GET `/pair` | - | how a phone gets its pass |
//! | POST `/pair` | - | uses a one-time code up for a pass |
//! | GET `/pair/{code}` | - | the same with the code filled in; uses nothing up |
//! | POST `/forget` | f | takes the phone's pass away |
//! | GET `/style.css` | - | the style sheet |
//! | GET `/live.js` | - | keeps an open page current |
//! | GET `/healthz` | - | 200 while the store answers and takes readings, else 503 |
//! | GET `/metrics` | r | counters as Prometheus text |
//! | GET `/v1/openapi.json` | - | the description of the API |
//! | GET `/v1/about` | r | version, clock, store, messages in and out |
//! | GET `/v1/live` | r | server-sent events: which pile was judged anew |
//! | GET `/v1/piles` | r | all piles with their verdicts |
//! | POST `/v1/piles` | w | starts a pile |
//! | GET `/v1/piles/{pile}` | r | one pile |
//! | GET `/v1/piles/{pile}/advice` | r | what to do about water and air, and why |
//! | GET `/v1/piles/{pile}/verdicts` | r | its verdicts |
//! | GET `/v1/piles/{pile}/spots` | r | its spots |
//! | GET `/v1/piles/{pile}/placements` | r | which probe stood where |
//! | POST `/v1/piles/{pile}/placements` | w | sticks a probe into a spot |
//! | GET `/v1/piles/{pile}/readings` | r | the newest reading of everything that stands in it |
//! | POST `/v1/piles/{pile}/readings` | w | a reading by hand |
//! | GET `/v1/piles/{pile}/history` | r | readings, raw or in buckets, as JSON or CSV |
//! | GET `/v1/piles/{pile}/entries` | r | its log |
//! | POST `/v1/piles/{pile}/entries` | w | a new entry |
//! | POST `/v1/piles/{pile}/mute` | w | no messages until an instant |
//! | GET `/v1/incidents` | r | what was noticed |
//! | POST `/v1/incidents/seen` | w | a person has seen an incident |
//! | GET `/v1/probes` | r | what every probe said last |
//! | GET `/v1/refused` | r | messages that could not be read |
//! | GET `/v1/outbox` | r | messages to people |
//!
//! Limits: one request a connection, 32 connections, 5 s for the head (8 KiB) and 10 s for the whole request (body
//! 16 KiB), 10 s without progress and 60 s in all for the answer; 20 requests a second and 5 wrong passes a minute per
//! address; 10,000 points an answer. Their reasons stand in `limits`, their tests in `tests::hostile`.

mod access;
mod api;
mod entering;
mod guard;
mod house;
mod paced;
mod packed;
mod pages;
mod params;
mod problem;
mod receipts;
mod routes;
mod server;
mod sources;
mod table;
pub(crate) mod words;

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

/// Answers every request with one sentence, while there is nothing else to show: 503 and when to ask again.
pub async fn serve_notice(
    listener: TcpListener,
    sentence: String,
    shutdown: impl Future<Output = ()> + Send,
) {
    let (stopping, _) = watch::channel(false);
    server::run(listener, routes::notice(sentence), stopping, shutdown).await;
}

#[cfg(test)]
mod tests;
