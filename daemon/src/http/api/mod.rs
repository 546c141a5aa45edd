//! The API under `/v1`: JSON for scripts and spreadsheets. Times are RFC 3339, units stand in the names, errors are
//! RFC 9457 problem details, every list is paged by `limit` and `after`.

pub(super) mod body;
mod entries;
mod examples;
mod history;
mod lists;
mod live;
mod metrics;
mod openapi;
pub(super) mod operation;
mod piles;
mod schemas;
pub(super) mod shape;

use axum::routing::{get, post};

use super::access::Access;
use super::routes::Route;
use operation::{Answer, Operation};

/// The routes of the API, in the order of the description.
#[rustfmt::skip]
pub(super) fn routes() -> Vec<Route> {
    use Access::{Anyone, Reader, Script};
    use Answer::{Created, Events, Json, JsonOrCsv, Nothing, Text};
    let route = |path, access, handler, operation: Operation| {
        Route { method: operation.method.clone(), path, access, handler, operation: Some(operation) }
    };
    let paged = &["limit", "after"];
    vec![
        route("/healthz", Anyone, get(metrics::health),
            Operation::get("health", "Whether Heapward is at work", Json("Health"))),
        route("/metrics", Reader, get(metrics::metrics),
            Operation::get("metrics", "Counters as Prometheus text", Text)),
        route("/v1/openapi.json", Anyone, get(openapi::document),
            Operation::get("openapi", "This description", Json("Anything"))),
        route("/v1/about", Reader, get(lists::about),
            Operation::get("about", "Version, clock, store, messages in and out", Json("About"))),
        route("/v1/live", Reader, get(live::live),
            Operation::get("live", "Says which pile was judged anew, as server-sent events; each pile once at the beginning", Events).query(&["for"])),
        route("/v1/piles", Reader, get(piles::list),
            Operation::get("listPiles", "All piles with their verdicts", Json("JudgedPileList")).query(paged)),
        route("/v1/piles", Script, post(piles::start),
            Operation::post("startPile", "Starts a pile", "NewPile", Created("Pile"))),
        route("/v1/piles/{pile}", Reader, get(piles::one),
            Operation::get("getPile", "One pile with its verdicts", Json("JudgedPile"))),
        route("/v1/piles/{pile}/advice", Reader, get(piles::advice),
            Operation::get("getAdvice", "What to do about water and air now, and why", Json("Advice"))),
        route("/v1/piles/{pile}/verdicts", Reader, get(lists::verdicts),
            Operation::get("listVerdicts", "The verdicts of a pile", Json("VerdictList")).query(paged)),
        route("/v1/piles/{pile}/spots", Reader, get(lists::spots),
            Operation::get("listSpots", "The spots of a pile", Json("SpotList")).query(paged)),
        route("/v1/piles/{pile}/placements", Reader, get(lists::placements),
            Operation::get("listPlacements", "Which probe stood where", Json("PlacementList")).query(paged)),
        route("/v1/piles/{pile}/placements", Script, post(piles::place),
            Operation::post("placeProbe", "Sticks a probe into a spot; ends its former placement", "NewPlacement", Created("Pile"))),
        route("/v1/piles/{pile}/readings", Reader, get(lists::readings),
            Operation::get("listReadings", "The newest reading of everything that stands in a pile", Json("ReadingList")).query(paged)),
        route("/v1/piles/{pile}/readings", Script, post(entries::hand_reading),
            Operation::post("enterHandReading", "Writes down a reading by hand", "NewHandReading", Created("Entry"))),
        route("/v1/piles/{pile}/history", Reader, get(history::history),
            Operation::get("getHistory", "Readings of a pile, raw or in buckets", JsonOrCsv("History"))
                .query(&["from", "to", "step", "quantity", "spot", "format", "points", "after_reading"])),
        route("/v1/piles/{pile}/entries", Reader, get(entries::list),
            Operation::get("listEntries", "The log of a pile", Json("EntryList")).query(&["limit", "after_seq"])),
        route("/v1/piles/{pile}/entries", Script, post(entries::enter),
            Operation::post("enter", "Writes into the log", "NewEntry", Created("Entry"))),
        route("/v1/piles/{pile}/mute", Script, post(lists::mute),
            Operation::post("mute", "No messages of this pile until an instant, with the reason", "NewMute", Nothing)),
        route("/v1/incidents", Reader, get(lists::incidents),
            Operation::get("listIncidents", "What was noticed, newest first", Json("IncidentList"))
                .query(&["limit", "after_time", "open", "pile"])),
        route("/v1/incidents/seen", Script, post(lists::seen),
            Operation::post("seeIncident", "A person has seen an incident: it is told again only if it gets worse", "NewSeen", Nothing)),
        route("/v1/probes", Reader, get(lists::probes),
            Operation::get("listProbes", "What every probe said last, and where it stands", Json("ProbeList")).query(paged)),
        route("/v1/refused", Reader, get(lists::refused),
            Operation::get("listRefused", "Messages that could not be read, by topic and reason", Json("RefusedList")).query(paged)),
        route("/v1/outbox", Reader, get(lists::outbox),
            Operation::get("listOutbox", "Messages to people, newest first", Json("MessageList")).query(&["limit", "after_time"])),
    ]
}
