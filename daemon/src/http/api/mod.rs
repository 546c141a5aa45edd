//! The API under `/v1`: JSON for scripts and spreadsheets. Times are RFC 3339, units stand in the names, errors are
//! RFC 9457 problem details, every list is paged by `limit` and `after`.

pub(super) mod body;
mod entries;
mod history;
mod metrics;
pub(super) mod operation;
mod piles;
pub(super) mod shape;

use axum::routing::{get, post};

use super::access::Access;
use super::routes::Route;
use operation::{Answer, Operation};

/// The routes of the API, in the order of the description.
#[rustfmt::skip]
pub(super) fn routes() -> Vec<Route> {
    use Access::{Anyone, Reader, Script};
    use Answer::{Created, Json, JsonOrCsv, Text};
    let route = |path, access, handler, operation| Route { path, access, handler, operation: Some(operation) };
    vec![
        route("/healthz", Anyone, get(metrics::health),
            Operation::get("health", "Whether Heapward is at work", Json("Health"))),
        route("/metrics", Reader, get(metrics::metrics),
            Operation::get("metrics", "Counters as Prometheus text", Text)),
        route("/v1/piles", Reader, get(piles::list),
            Operation::get("listPiles", "All piles with their verdicts", Json("PileList")).query(&["limit", "after"])),
        route("/v1/piles", Script, post(piles::start),
            Operation::post("startPile", "Starts a pile", "NewPile", Created("Pile"))),
        route("/v1/piles/{pile}", Reader, get(piles::one),
            Operation::get("getPile", "One pile with its verdicts", Json("JudgedPile"))),
        route("/v1/piles/{pile}/history", Reader, get(history::history),
            Operation::get("getHistory", "Readings of a pile, raw or in buckets", JsonOrCsv("History"))
                .query(&["from", "to", "step", "quantity", "spot", "format", "limit", "after"])),
        route("/v1/piles/{pile}/placements", Script, post(piles::place),
            Operation::post("placeProbe", "Sticks a probe into a spot; ends its former placement", "NewPlacement", Created("Pile"))),
        route("/v1/piles/{pile}/entries", Reader, get(entries::list),
            Operation::get("listEntries", "The log of a pile", Json("EntryList")).query(&["limit", "after"])),
        route("/v1/piles/{pile}/entries", Script, post(entries::enter),
            Operation::post("enter", "Writes into the log", "NewEntry", Created("Entry"))),
        route("/v1/piles/{pile}/readings", Script, post(entries::hand_reading),
            Operation::post("enterHandReading", "Writes down a reading by hand", "NewHandReading", Created("Entry"))),
    ]
}
