//! The live view: server-sent events that say which pile was judged anew. What it says now is asked for as usual.
//!
//! A browser keeps it open and comes back when it ends; a script says for how long it wants to listen.

use std::collections::BTreeMap;
use std::convert::Infallible;
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Duration;

use axum::extract::{Extension, State};
use axum::response::sse::{Event, KeepAlive, Sse};
use axum::response::{IntoResponse, Response};
use heapward_rules::units::At;
use serde_json::json;
use tokio::sync::{mpsc, watch};
use tokio::time::Instant;

use super::shape;
use crate::http::house::House;
use crate::http::params::{Params, digits};
use crate::http::problem::Problem;
use crate::http::server::Peer;
use crate::limits::{HTTP_STREAM_SECONDS_MAX, HTTP_STREAMS_MAX};
use crate::recorder::Handle;

/// How often the judgements are looked at. A page renews itself at most once in this time.
const LOOK: Duration = Duration::from_secs(2);

/// One of the live views that may be open, given back when dropped.
struct Seat(Arc<House>);

pub(super) async fn live(
    State(house): State<Arc<House>>,
    Extension(peer): Extension<Peer>,
    mut params: Params,
) -> Result<Response, Problem> {
    let until = listens(&mut params)?.map(|time| Instant::now() + time);
    params.done("for")?;
    let seat = Seat::take(&house)?;
    peer.streams();
    let (events, receiver) = mpsc::channel(8);
    tokio::spawn(tell(seat, house.app.handle.clone(), house.stops.clone(), until, events));
    let stream = tokio_stream::wrappers::ReceiverStream::new(receiver);
    let alive = KeepAlive::new().interval(Duration::from_secs(15));
    Ok(Sse::new(stream).keep_alive(alive).into_response())
}

/// For how long somebody wants to listen, in whole seconds; not longer than any live view lasts.
fn listens(params: &mut Params) -> Result<Option<Duration>, Problem> {
    let Some(text) = params.text("for") else {
        return Ok(None);
    };
    let seconds = digits(&text, 4).and_then(|seconds| u64::try_from(seconds).ok());
    let seconds = seconds.filter(|seconds| (1..=HTTP_STREAM_SECONDS_MAX).contains(seconds));
    seconds.map(Duration::from_secs).map(Some).ok_or_else(|| {
        Problem::bad(format!("`for` is a whole number of seconds from 1 to {HTTP_STREAM_SECONDS_MAX}"))
    })
}

/// Tells what changed until the client or the daemon goes, or the time is over.
async fn tell(
    seat: Seat,
    handle: Handle,
    mut stops: watch::Receiver<bool>,
    until: Option<Instant>,
    events: mpsc::Sender<Result<Event, Infallible>>,
) {
    let mut told: BTreeMap<String, At> = BTreeMap::new();
    loop {
        for view in handle.views() {
            let id = view.pile.id.clone();
            if told.insert(id, view.judged_to) == Some(view.judged_to) {
                continue;
            }
            let data = json!({ "pile": view.pile.id, "judged_to": shape::time(view.judged_to) });
            let event = Event::default().event("pile").data(data.to_string());
            if events.send(Ok(event)).await.is_err() {
                return;
            }
        }
        tokio::select! {
            () = tokio::time::sleep(LOOK) => {}
            () = over(until) => break,
            () = events.closed() => break,
            _ = stops.wait_for(|stops| *stops) => break,
        }
    }
    drop(seat);
}

async fn over(until: Option<Instant>) {
    match until {
        Some(until) => tokio::time::sleep_until(until).await,
        None => std::future::pending().await,
    }
}

// === impl Seat ===

impl Seat {
    fn take(house: &Arc<House>) -> Result<Seat, Problem> {
        let taken = house.streams.fetch_update(Ordering::Relaxed, Ordering::Relaxed, |open| {
            (open < HTTP_STREAMS_MAX).then_some(open + 1)
        });
        match taken {
            Ok(_) => Ok(Seat(Arc::clone(house))),
            Err(_) => Err(Problem::unavailable("too many live views are open; load the page by hand")),
        }
    }
}

impl Drop for Seat {
    fn drop(&mut self) {
        self.0.streams.fetch_sub(1, Ordering::Relaxed);
    }
}
