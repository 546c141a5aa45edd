//! Parts of a pile and of the farm, as lists.

use std::sync::Arc;

use axum::extract::{Path, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use heapward_rules::units::At;
use serde::Deserialize;
use serde_json::{Value, json};

use super::body::{Body, json as answer};
use super::shape::{self, List};
use crate::config::DisplayUnit;
use crate::http::entering;
use crate::http::house::{House, RefusedMessages};
use crate::http::params::{Behind, Page, Params, instant};
use crate::http::problem::Problem;
use crate::http::receipts::Receipts;
use crate::http::words::Style;
use crate::model::reading::{quantity_word, unit_word};
use crate::recorder::PileView;
use crate::store::{IncidentFilter, Latest, Reader};

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Seen {
    incident: String,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Mute {
    until: String,
    reason: String,
}

pub(super) async fn verdicts(
    State(house): State<Arc<House>>,
    Path(pile): Path<String>,
    mut params: Params,
) -> Result<Response, Problem> {
    let (view, page) = asked(&house, &pile, &mut params)?;
    let key = |one: &heapward_rules::verdict::Verdict| one.standard.to_string();
    let style = Style::of(&house.app.config);
    let mut verdicts = view.judgement.verdicts.clone();
    verdicts.sort_by_key(key);
    Ok(answer(&behind(verdicts, &page, key, |one| shape::verdict(one, style))))
}

pub(super) async fn spots(
    State(house): State<Arc<House>>,
    Path(pile): Path<String>,
    mut params: Params,
) -> Result<Response, Problem> {
    let (view, page) = asked(&house, &pile, &mut params)?;
    let mut spots = view.pile.spots.clone();
    spots.sort_by(|a, b| a.name.cmp(&b.name));
    Ok(answer(&behind(spots, &page, |one| one.name.clone(), shape::plain)))
}

pub(super) async fn placements(
    State(house): State<Arc<House>>,
    Path(pile): Path<String>,
    mut params: Params,
) -> Result<Response, Problem> {
    let (view, page) = asked(&house, &pile, &mut params)?;
    let key = |one: &crate::model::pile::PlacementRecord| format!("{:015}~{}", one.from_ms, one.probe);
    let mut placements = view.pile.placements.clone();
    placements.sort_by_key(key);
    Ok(answer(&behind(placements, &page, key, |one| shape::plain(&shape::placement(one)))))
}

/// The newest reading of everything that stands in the pile.
pub(super) async fn readings(
    State(house): State<Arc<House>>,
    Path(pile): Path<String>,
    mut params: Params,
) -> Result<Response, Problem> {
    let (view, page) = asked(&house, &pile, &mut params)?;
    let latest = house.read(Reader::latest).await?;
    let now = house.now();
    let mut readings: Vec<(String, Value)> = Vec::new();
    for placement in view.pile.placements.iter().filter(|one| one.until_ms.is_none_or(|until| until > now.0))
    {
        let of_probe = latest.iter().filter(|one| one.key.probe.as_str() == placement.probe);
        for one in of_probe.filter(|one| one.reading.at.0 >= placement.from_ms) {
            let mut reading = newest(one);
            reading["spot"] = json!(placement.spot);
            readings.push((series_name(one), reading));
        }
    }
    readings.sort_by(|a, b| a.0.cmp(&b.0));
    Ok(answer(&behind(readings, &page, |one| one.0.clone(), |one| one.1.clone())))
}

pub(super) async fn incidents(
    State(house): State<Arc<House>>,
    mut params: Params,
) -> Result<Response, Problem> {
    let page = params.page()?;
    let open_only = params.word("open", &[("true", true), ("false", false)])?.unwrap_or(false);
    let filter = IncidentFilter { open_only, pile: params.text("pile") };
    params.done("limit, after, open, pile")?;
    if let Some(pile) = &filter.pile {
        house.pile(pile)?;
    }
    let (before, limit) = (page.behind()?, page.limit);
    let (found, receipts) = house
        .read(move |reader| {
            let found = reader.incidents(&filter, before.as_ref().map(Behind::key), limit + 1)?;
            let receipts = Receipts::of(reader, &found)?;
            Ok((found, receipts))
        })
        .await?;
    let cursor = |one: &crate::model::incident::Incident| Behind::text(one.opened_ms, &one.id);
    Ok(answer(&List::of(found, limit, cursor, |one| shape::incident(one, &receipts))))
}

pub(super) async fn seen(
    State(house): State<Arc<House>>,
    Body(seen): Body<Seen>,
) -> Result<Response, Problem> {
    entering::text("incident", &seen.incident)?;
    house.app.handle.seen(seen.incident).await?;
    Ok(StatusCode::NO_CONTENT.into_response())
}

pub(super) async fn mute(
    State(house): State<Arc<House>>,
    Path(pile): Path<String>,
    Body(mute): Body<Mute>,
) -> Result<Response, Problem> {
    let until = instant("until", &mute.until)?;
    entering::needed("reason", &mute.reason)?;
    house.pile(&pile)?;
    house.app.handle.mute(pile, until, mute.reason).await?;
    Ok(StatusCode::NO_CONTENT.into_response())
}

/// What every series of every probe said last, and where the probe stands.
pub(super) async fn probes(State(house): State<Arc<House>>, mut params: Params) -> Result<Response, Problem> {
    let page = params.page()?;
    params.done("limit, after")?;
    let mut latest = house.read(Reader::latest).await?;
    latest.sort_by_key(series_name);
    let views = house.app.handle.views();
    let heard = house.app.probes.ingest().status().probes;
    let now = house.now();
    let shape = |one: &Latest| {
        let heard = heard.get(&one.key.probe);
        let probe = one.key.probe.as_str();
        let placed = views.iter().find_map(|view| {
            let here = |one: &&crate::model::pile::PlacementRecord| {
                one.probe == probe && one.until_ms.is_none_or(|until| until > now.0)
            };
            view.pile.placements.iter().find(here).map(|one| (&view.pile.id, &one.spot))
        });
        let mut shape = newest(one);
        shape["age_ms"] = json!((now - one.reading.at).0.max(0));
        shape["every_ms"] = json!(house.declared_every(probe).0);
        shape["pile"] = json!(placed.map(|(pile, _)| pile));
        shape["spot"] = json!(placed.map(|(_, spot)| spot));
        shape["clock_behind_ms"] = json!(heard.and_then(|heard| heard.skew).map(|skew| skew.0));
        shape["online"] = json!(heard.and_then(|heard| heard.available));
        shape
    };
    Ok(answer(&behind(latest, &page, series_name, shape)))
}

pub(super) async fn refused(
    State(house): State<Arc<House>>,
    mut params: Params,
) -> Result<Response, Problem> {
    let page = params.page()?;
    params.done("limit, after")?;
    let mut refused = (house.app.ingest)().refused;
    let key = |one: &RefusedMessages| format!("{} {}", one.topic, one.reason);
    refused.sort_by_key(key);
    let shape = |one: &RefusedMessages| {
        json!({
            "topic": one.topic, "reason": one.reason, "count": one.count, "example": one.example,
            "first": shape::time(one.first), "last": shape::time(one.last),
        })
    };
    Ok(answer(&behind(refused, &page, key, shape)))
}

pub(super) async fn outbox(State(house): State<Arc<House>>, mut params: Params) -> Result<Response, Problem> {
    let page = params.page()?;
    params.done("limit, after")?;
    let (before, limit) = (page.behind()?, page.limit);
    let found =
        house.read(move |reader| reader.messages(before.as_ref().map(Behind::key), limit + 1)).await?;
    let cursor = |one: &crate::model::message::OutboxMessage| Behind::text(one.created_ms, &one.id);
    Ok(answer(&List::of(found, limit, cursor, shape::message)))
}

pub(super) async fn about(State(house): State<Arc<House>>, params: Params) -> Result<Response, Problem> {
    params.done("none")?;
    let (ingest, telling) = ((house.app.ingest)(), (house.app.telling)());
    let sizes = house.read(Reader::sizes).await?;
    let time = |at: Option<At>| at.map(shape::time);
    Ok(answer(&json!({
        "version": env!("CARGO_PKG_VERSION"),
        "farm": house.app.config.farm.name,
        "timezone": house.app.config.farm.timezone.name(),
        "shows": if house.app.config.farm.shows == DisplayUnit::Fahrenheit { "F" } else { "C" },
        "now": shape::time(house.now()),
        "clock_trusted": house.app.clock.is_trusted(),
        "store": {
            "database_bytes": sizes.database_bytes, "free_bytes": house.free_bytes(), "series": sizes.series,
        },
        "messages_in": {
            "source": ingest.source, "connected": ingest.connected, "last": time(ingest.last_message),
            "messages": ingest.messages, "readings": ingest.readings,
            "retained": ingest.retained, "undated": ingest.undated,
        },
        "messages_out": {
            "waiting": telling.waiting, "sent": telling.sent, "failed": telling.failed,
            "last": time(telling.last_sent),
        },
    })))
}

fn asked(house: &House, pile: &str, params: &mut Params) -> Result<(Arc<PileView>, Page), Problem> {
    let page = params.page()?;
    params.check("limit, after")?;
    let view = house.pile(pile)?;
    Ok((view, page))
}

/// The part of a list, sorted by `key`, that lies behind the page's cursor.
fn behind<T>(
    mut items: Vec<T>,
    page: &Page,
    key: impl Fn(&T) -> String,
    shape: impl Fn(&T) -> Value,
) -> List {
    items.retain(|item| page.after.as_ref().is_none_or(|after| key(item) > *after));
    List::of(items, page.limit, key, shape)
}

fn series_name(one: &Latest) -> String {
    format!("{} {} {}", one.key.probe, quantity_word(one.key.quantity), unit_word(one.key.unit))
}

fn newest(one: &Latest) -> Value {
    json!({
        "probe": one.key.probe.as_str(),
        "quantity": quantity_word(one.key.quantity),
        "unit": unit_word(one.key.unit),
        "time": shape::time(one.reading.at),
        "value": one.reading.value,
    })
}
