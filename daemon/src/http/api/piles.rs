//! Piles and placements.

use std::sync::Arc;

use axum::extract::{Extension, Path, State};
use axum::response::Response;
use heapward_rules::units::At;
use serde::Deserialize;

use super::body::{Body, Object, created, json};
use super::shape::{self, List};
use crate::http::access::Visitor;
use crate::http::house::{House, OfPile};
use crate::http::params::{Params, instant, span};
use crate::http::problem::Problem;
use crate::http::words::Style;
use crate::ingest::book;
use crate::model::pile::{PileRecord, PlacementRecord, SettingsRecord, SpotRecord};
use crate::steering::gather::gather;
use crate::steering::steer;

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct NewPile {
    pile: String,
    #[serde(default)]
    bay: Option<String>,
    method: String,
    /// May be left out where a mix says it.
    #[serde(default)]
    material: Option<String>,
    /// Lines as `heapward mix` reads them.
    #[serde(default)]
    mix: Option<Vec<String>>,
    #[serde(default)]
    built: Option<String>,
    #[serde(default)]
    initial_cn: Option<f64>,
    #[serde(default)]
    standards: Option<Vec<String>>,
    spots: Vec<Object<SpotRecord>>,
    #[serde(default)]
    settings: Option<Object<SettingsRecord>>,
    #[serde(default)]
    by: Option<String>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct NewPlacement {
    probe: String,
    spot: String,
    #[serde(default)]
    from: Option<String>,
    #[serde(default)]
    every: Option<String>,
    #[serde(default)]
    offset_c: f64,
    #[serde(default)]
    by: Option<String>,
}

pub(super) async fn list(State(house): State<Arc<House>>, mut params: Params) -> Result<Response, Problem> {
    let page = params.page()?;
    params.done("limit, after")?;
    let mut views = house.app.handle.views();
    views.retain(|view| page.after.as_ref().is_none_or(|after| view.pile.id > *after));
    let style = Style::of(&house.app.config);
    let list =
        List::of(views, page.limit, |view| view.pile.id.clone(), |view| shape::judged_pile(view, style));
    Ok(json(&list))
}

pub(super) async fn one(
    State(house): State<Arc<House>>,
    OfPile(view): OfPile,
    params: Params,
) -> Result<Response, Problem> {
    params.done("none")?;
    Ok(json(&shape::judged_pile(&view, Style::of(&house.app.config))))
}

/// Advice on water and air, in sentences and figures.
pub(super) async fn advice(
    State(house): State<Arc<House>>,
    OfPile(view): OfPile,
    params: Params,
) -> Result<Response, Problem> {
    params.done("none")?;
    let (now, style, asked) = (house.now(), Style::of(&house.app.config), Arc::clone(&view));
    let probes = book::facts(&house.app.probes.all());
    let steering =
        house.read(move |reader| Ok(steer(&asked, &gather(reader, &asked.pile, &probes, now)?))).await?;
    Ok(json(&shape::advice(&view, &steering, style)))
}

pub(super) async fn start(
    State(house): State<Arc<House>>,
    Extension(visitor): Extension<Visitor>,
    Body(new): Body<NewPile>,
) -> Result<Response, Problem> {
    let now = house.now();
    let built = new.built.as_deref().map(|text| instant("built", text)).transpose()?.unwrap_or(now);
    let usual = || house.app.config.farm.standards.iter().map(ToString::to_string).collect();
    let recipe = new.mix.filter(|lines| !lines.is_empty()).map(|lines| house.recipe(lines)).transpose()?;
    let by_recipe = recipe.as_ref().map(|recipe| recipe.material().to_owned());
    let material = new.material.or(by_recipe);
    let record = PileRecord {
        id: new.pile,
        bay: new.bay,
        method: new.method,
        material: material.ok_or_else(|| Problem::bad("`material` is missing: plant, animal or manure"))?,
        built_ms: built.0,
        initial_cn: new.initial_cn.or(recipe.as_ref().map(|recipe| recipe.cn.typical)),
        recipe,
        standards: new.standards.unwrap_or_else(usual),
        spots: new.spots.into_iter().map(|spot| spot.0).collect(),
        placements: Vec::new(),
        settings: new.settings.map(|settings| settings.0).unwrap_or_default(),
    };
    let by = by(new.by, &visitor)?;
    let record = house.start_pile(record, by).await?;
    Ok(created(&shape::pile(&record)))
}

pub(super) async fn place(
    State(house): State<Arc<House>>,
    Extension(visitor): Extension<Visitor>,
    Path(pile): Path<String>,
    Body(new): Body<NewPlacement>,
) -> Result<Response, Problem> {
    let now = house.now();
    let from = new.from.as_deref().map(|text| instant("from", text)).transpose()?.unwrap_or(now);
    let declared = || house.declared_every(&new.probe);
    let every = new.every.as_deref().map(|text| span("every", text)).transpose()?.unwrap_or_else(declared);
    let record = PlacementRecord {
        probe: new.probe.clone(),
        spot: new.spot,
        from_ms: from.0,
        until_ms: None,
        every_ms: every.0,
        offset_c: new.offset_c,
    };
    let by = by(new.by, &visitor)?;
    let record = house.place(pile, record, by).await?;
    Ok(created(&shape::pile(&record)))
}

/// Initials: as given, else those of the pass.
pub(super) fn by(given: Option<String>, visitor: &Visitor) -> Result<String, Problem> {
    match given {
        Some(by) if by.trim().is_empty() => {
            Err(Problem::bad("`by` is empty; write initials, or leave it out for those of the pass"))
        }
        Some(by) => Ok(by),
        None => Ok(visitor.name().to_owned()),
    }
}

/// When it happened: as given, else now.
pub(super) fn at(given: Option<&str>, now: At) -> Result<At, Problem> {
    Ok(given.map(|text| instant("at", text)).transpose()?.unwrap_or(now))
}
