//! The log of a pile, and what scripts write into it.

use std::sync::Arc;

use axum::extract::{Extension, Path, State};
use axum::response::Response;
use serde::Deserialize;
use serde_json::{Map, Value};

use super::body::{Body, created, json};
use super::piles::{at, by};
use super::shape::{self, List};
use crate::http::access::Visitor;
use crate::http::house::House;
use crate::http::params::{Params, digits};
use crate::http::problem::{Problem, shown};
use crate::model::entry::{Event, NewEntry};

/// An entry as it is sent: what happened, and its figures under their names.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Entering {
    event: String,
    #[serde(default)]
    figures: Map<String, Value>,
    #[serde(default)]
    at: Option<String>,
    #[serde(default)]
    by: Option<String>,
    #[serde(default)]
    note: String,
    #[serde(default)]
    corrects: Option<u64>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct HandReading {
    spot: String,
    value: f64,
    unit: String,
    #[serde(default)]
    at: Option<String>,
    #[serde(default)]
    by: Option<String>,
    #[serde(default)]
    note: String,
    #[serde(default)]
    corrects: Option<u64>,
}

pub(super) async fn list(
    State(house): State<Arc<House>>,
    Path(pile): Path<String>,
    mut params: Params,
) -> Result<Response, Problem> {
    let page = params.page()?;
    params.done("limit, after")?;
    let after = page.after.as_deref().map_or(Some(0), |after| digits(after, 18)?.try_into().ok());
    let after = after.ok_or_else(|| Problem::bad("`after` is the `next` of the page before"))?;
    house.pile(&pile)?;
    let limit = page.limit;
    let entries = house.read(move |reader| reader.entries(Some(&pile), after, limit + 1)).await?;
    Ok(json(&List::of(entries, limit, |entry| entry.seq.to_string(), shape::entry)))
}

pub(super) async fn enter(
    State(house): State<Arc<House>>,
    Extension(visitor): Extension<Visitor>,
    Path(pile): Path<String>,
    Body(new): Body<Entering>,
) -> Result<Response, Problem> {
    let now = house.now();
    let entry = NewEntry {
        pile: Some(pile),
        at_ms: at(new.at.as_deref(), now)?.0,
        entered_ms: now.0,
        by: by(new.by, &visitor)?,
        note: new.note,
        corrects: new.corrects,
        event: event(&new.event, new.figures)?,
    };
    Ok(created(&shape::entry(&house.enter(entry).await?)))
}

pub(super) async fn hand_reading(
    State(house): State<Arc<House>>,
    Extension(visitor): Extension<Visitor>,
    Path(pile): Path<String>,
    Body(new): Body<HandReading>,
) -> Result<Response, Problem> {
    let now = house.now();
    let entry = NewEntry {
        pile: Some(pile),
        at_ms: at(new.at.as_deref(), now)?.0,
        entered_ms: now.0,
        by: by(new.by, &visitor)?,
        note: new.note,
        corrects: new.corrects,
        event: Event::HandReading { spot: new.spot, value: new.value, unit: new.unit },
    };
    Ok(created(&shape::entry(&house.enter(entry).await?)))
}

/// The event of a kind with its figures; a figure that the kind does not have is refused.
fn event(kind: &str, figures: Map<String, Value>) -> Result<Event, Problem> {
    let given: Vec<String> = figures.keys().cloned().collect();
    let mut members = figures;
    if members.insert("event".to_owned(), Value::String(kind.to_owned())).is_some() {
        return Err(Problem::bad("`event` stands beside `figures`, not in it"));
    }
    let event: Event = serde_json::from_value(Value::Object(members)).map_err(|error| {
        let error = error.to_string();
        Problem::bad(format!(
            "the entry can't be read: {}",
            error.chars().filter(|c| !c.is_control()).take(300).collect::<String>()
        ))
    })?;
    let known = serde_json::to_value(&event).unwrap_or_default();
    match given.iter().find(|key| known.get(key.as_str()).is_none()) {
        None => Ok(event),
        Some(key) => Err(Problem::bad(format!("`{}` has no figure `{}`", shown(kind), shown(key)))),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn events_with_their_figures() {
        let event = |kind: &str, figures: Value| event(kind, figures.as_object().cloned().unwrap());
        assert_eq!(event("turned", json!({})), Ok(Event::Turned));
        assert_eq!(event("watered", json!({ "litres": 40 })), Ok(Event::Watered { litres: Some(40.0) }));
        assert_eq!(event("watered", json!({})), Ok(Event::Watered { litres: None }));
        for (kind, figures) in [
            ("turned", json!({ "litres": 40 })),
            ("watered", json!({ "litres": "many" })),
            ("watered", json!({ "event": "turned" })),
            ("watering", json!({})),
            ("used", json!({})),
        ] {
            assert!(event(kind, figures.clone()).is_err(), "{kind} {figures}");
        }
    }
}
