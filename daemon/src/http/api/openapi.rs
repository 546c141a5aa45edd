//! The description of the API (`OpenAPI` 3.1), made from the table of routes.

use std::sync::Arc;

use axum::extract::State;
use axum::response::Response;
use heapward_rules::ids::StandardId;
use serde_json::{Map, Value, json};

use super::body;
use super::examples;
use super::operation::{Answer, Operation};
use super::schemas;
use crate::http::access::Access;
use crate::http::house::House;
use crate::http::params::Params;
use crate::http::problem::Problem;
use crate::http::routes::Route;

pub(super) async fn document(State(house): State<Arc<House>>, params: Params) -> Result<Response, Problem> {
    params.done("none")?;
    let standards: Vec<&str> = house.app.standards.keys().map(StandardId::as_str).collect();
    Ok(body::json(&describe(&super::routes(), &standards)))
}

/// `standards` are those that a pile of this farm can be judged by.
fn describe(routes: &[Route], standards: &[&str]) -> Value {
    let mut schemas = schemas::all();
    schemas["NewPile"]["properties"]["standards"]["anyOf"][0]["items"] =
        json!({ "type": "string", "enum": standards });
    let mut paths: Map<String, Value> = Map::new();
    for route in routes {
        if let Some(operation) = &route.operation {
            let path = paths.entry(route.path).or_insert_with(|| json!({}));
            path[route.method.as_str().to_lowercase()] = describe_one(route, operation);
        }
    }
    if let Some(started) = paths.get_mut("/v1/piles") {
        started["post"]["responses"]["201"]["links"] = links_to_pile(routes);
    }
    json!({
        "openapi": "3.1.0",
        "info": {
            "title": "Heapward",
            "version": env!("CARGO_PKG_VERSION"),
            "description": "Times are RFC 3339; in queries UTC milliseconds are understood too. Lists are paged: give \
                            `next` as `after`. Errors are RFC 9457 problem details.",
        },
        "paths": paths,
        "components": {
            "schemas": schemas,
            "securitySchemes": {
                "pass": { "type": "http", "scheme": "bearer", "description": "Made with `heapward pair`." },
            },
        },
    })
}

fn describe_one(route: &Route, operation: &Operation) -> Value {
    let mut parameters: Vec<Value> = in_path(route.path).map(schemas::path_parameter).collect();
    parameters.extend(operation.query.iter().filter_map(|name| schemas::query_parameter(name)));
    let mut described = json!({
        "operationId": operation.id,
        "summary": operation.summary,
        "parameters": parameters,
        "responses": responses(route, operation),
    });
    if let Some(schema) = operation.body {
        let content = json!({ "schema": reference(schema), "examples": examples::of(schema) });
        described["requestBody"] = json!({ "required": true, "content": { "application/json": content } });
    }
    described["security"] = match route.access {
        Access::Anyone => json!([]),
        // Reading may be open, as configured.
        Access::Reader => json!([{}, { "pass": [] }]),
        Access::Script | Access::Writer | Access::Form => json!([{ "pass": [] }]),
    };
    described
}

/// From a pile that was started to everything that can be asked and written about it.
fn links_to_pile(routes: &[Route]) -> Value {
    let about_pile = routes.iter().filter(|route| route.path.contains("{pile}"));
    let link = |operation: &Operation| {
        let link = json!({ "operationId": operation.id, "parameters": { "pile": "$response.body#/pile" } });
        (operation.id.to_owned(), link)
    };
    Value::Object(about_pile.filter_map(|route| route.operation.as_ref()).map(link).collect())
}

fn in_path(path: &'static str) -> impl Iterator<Item = &'static str> {
    path.split('/').filter_map(|part| part.strip_prefix('{').and_then(|part| part.strip_suffix('}')))
}

fn responses(route: &Route, operation: &Operation) -> Value {
    let mut responses = Map::new();
    let json_of = |schema: &str| json!({ "application/json": { "schema": reference(schema) } });
    let text = json!({ "schema": { "type": "string" } });
    let (status, content) = match operation.answer {
        Answer::Json(schema) => ("200", json_of(schema)),
        Answer::Created(schema) => ("201", json_of(schema)),
        Answer::JsonOrCsv(schema) => {
            let mut content = json_of(schema);
            content["text/csv"] = text;
            ("200", content)
        }
        Answer::Nothing => ("204", json!({})),
        Answer::Text => ("200", json!({ "text/plain": text })),
        Answer::Events => ("200", json!({ "text/event-stream": events() })),
    };
    let mut good = json!({ "description": "Done" });
    if content != json!({}) {
        good["content"] = content;
    }
    responses.insert(status.to_owned(), good);
    let mut errors = vec![400, 408, 421, 429, 431, 503];
    if route.access != Access::Anyone {
        errors.push(401);
    }
    if !operation.query.is_empty() || operation.body.is_some() || in_path(route.path).next().is_some() {
        errors.push(404);
    }
    if operation.body.is_some() {
        errors.extend([409, 413, 415]);
    }
    for status in errors {
        responses.insert(
            status.to_string(),
            json!({
                "description": axum::http::StatusCode::from_u16(status).ok().and_then(|s| s.canonical_reason()),
                "content": { "application/problem+json": { "schema": reference("Problem") } },
            }),
        );
    }
    Value::Object(responses)
}

/// A stream of events: the schema is that of each of them.
fn events() -> Value {
    let data = "On one line, as `LiveEvent` says. A comment comes where nothing else came for 15 s.";
    json!({
        "schema": {
            "type": "object",
            "required": ["event", "data"],
            "properties": {
                "event": { "type": "string", "const": "pile" },
                "data": {
                    "type": "string", "description": data, "contentMediaType": "application/json",
                    "contentSchema": reference("LiveEvent"),
                },
            },
        },
    })
}

fn reference(schema: &str) -> Value {
    json!({ "$ref": format!("#/components/schemas/{schema}") })
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeSet;

    #[test]
    fn every_route_of_the_api_is_described_and_every_reference_leads_somewhere() {
        let routes = super::super::routes();
        let document = describe(&routes, &["us-organic"]);
        let standards = &document["components"]["schemas"]["NewPile"]["properties"]["standards"];
        assert_eq!(standards["anyOf"][0]["items"]["enum"], json!(["us-organic"]));
        let mut ids = BTreeSet::new();
        for route in &routes {
            let operation = route.operation.as_ref().unwrap();
            let method = route.method.as_str().to_lowercase();
            assert_eq!(document["paths"][route.path][method]["operationId"], operation.id);
            assert!(ids.insert(operation.id), "{} is given twice", operation.id);
            for name in operation.query {
                assert!(schemas::query_parameter(name).is_some(), "{name}");
            }
        }
        let text = document.to_string();
        for part in text.split("\"#/components/schemas/").skip(1) {
            let name = part.split('"').next().unwrap();
            assert!(document["components"]["schemas"].get(name).is_some(), "{name}");
        }
    }
}
