//! The live view: server-sent events that say which pile was judged anew. What it says now is asked for as usual.

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

use super::shape;
use crate::http::house::House;
use crate::http::params::Params;
use crate::http::problem::Problem;
use crate::http::server::Peer;
use crate::limits::HTTP_STREAMS_MAX;
use crate::recorder::Handle;

/// How often the judgements are looked at. A page renews itself at most once in this time.
const LOOK: Duration = Duration::from_secs(2);

/// One of the live views that may be open, given back when dropped.
struct Seat(Arc<House>);

pub(super) async fn live(
    State(house): State<Arc<House>>,
    Extension(peer): Extension<Peer>,
    params: Params,
) -> Result<Response, Problem> {
    params.done("none")?;
    let seat = Seat::take(&house)?;
    peer.streams();
    let (events, receiver) = mpsc::channel(8);
    tokio::spawn(tell(seat, house.app.handle.clone(), house.stops.clone(), events));
    let stream = tokio_stream::wrappers::ReceiverStream::new(receiver);
    let alive = KeepAlive::new().interval(Duration::from_secs(15));
    Ok(Sse::new(stream).keep_alive(alive).into_response())
}

/// Tells what changed until the client or the daemon goes.
async fn tell(
    seat: Seat,
    handle: Handle,
    mut stops: watch::Receiver<bool>,
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
            () = events.closed() => break,
            _ = stops.wait_for(|stops| *stops) => break,
        }
    }
    drop(seat);
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
