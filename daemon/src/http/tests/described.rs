//! Every answer is what the description says.

use heapward_rules::units::Span;
use serde_json::{Value, json};

use super::farm::{BUILT, TestFarm};
use crate::clock::Clock as _;
use crate::http::RefusedMessages;

/// What does not fit, as the path to it. Knows as much of JSON Schema as our schemas use.
fn misfit(document: &Value, schema: &Value, value: &Value, at: &str) -> Option<String> {
    if let Some(reference) = schema["$ref"].as_str() {
        let name = reference.rsplit('/').next().unwrap();
        return misfit(document, &document["components"]["schemas"][name], value, at);
    }
    if let Some(any) = schema["anyOf"].as_array() {
        let misfits: Option<Vec<String>> = any.iter().map(|one| misfit(document, one, value, at)).collect();
        return misfits.map(|misfits| misfits.join(" or "));
    }
    if schema["enum"].as_array().is_some_and(|words| !words.contains(value)) {
        return Some(format!("{at}: {value} is none of the words"));
    }
    if schema.get("const").is_some_and(|word| word != value) {
        return Some(format!("{at}: {value} is not {}", schema["const"]));
    }
    let bound = |key: &str| schema[key].as_f64().zip(value.as_f64());
    if bound("minimum").is_some_and(|(least, value)| value < least)
        || bound("maximum").is_some_and(|(most, value)| value > most)
    {
        return Some(format!("{at}: {value} is out of its bounds"));
    }
    let fits = match schema["type"].as_str() {
        Some("object") => value.is_object(),
        Some("array") => value.is_array(),
        Some("string") => value.is_string(),
        Some("integer") => value.is_i64() || value.is_u64(),
        Some("number") => value.is_number(),
        Some("boolean") => value.is_boolean(),
        Some("null") => value.is_null(),
        _ => false,
    };
    if !fits {
        return Some(format!("{at}: {value} is no {}", schema["type"]));
    }
    if schema["format"] == "date-time" && crate::model::time::parse_rfc3339(value.as_str().unwrap()).is_none()
    {
        return Some(format!("{at}: {value} is no time"));
    }
    if let Some(items) = value.as_array() {
        return items.iter().find_map(|item| misfit(document, &schema["items"], item, &format!("{at}[]")));
    }
    let members = value.as_object()?;
    let required = schema["required"].as_array().into_iter().flatten();
    if let Some(missing) =
        required.map(|name| name.as_str().unwrap()).find(|name| !members.contains_key(*name))
    {
        return Some(format!("{at}: {missing} is missing"));
    }
    members.iter().find_map(|(name, value)| match schema["properties"].get(name) {
        Some(schema) => misfit(document, schema, value, &format!("{at}.{name}")),
        None if schema["additionalProperties"] == false => Some(format!("{at}: {name} is not described")),
        None => None,
    })
}

#[tokio::test]
async fn answers_are_as_described() {
    let farm = TestFarm::new().await;
    farm.with_pile().await;
    for probe in ["k1", "k2", "k3"] {
        farm.readings(probe, Span::minutes(20), (0..400).map(|n| 60.0 + f64::from(n.min(200)) * 0.6)).await;
    }
    let turned = json!({ "event": "turned" });
    assert_eq!(farm.post("/v1/piles/2026-03/entries", &turned).await.status, 201);
    let until = crate::model::time::rfc3339(farm.clock.now() + Span::hours(2));
    let mute = json!({ "until": until, "reason": "watering" });
    assert_eq!(farm.post("/v1/piles/2026-03/mute", &mute).await.status, 204);
    let document = farm.get("/v1/openapi.json").await.json();
    let mut seen = 0;
    for (path, methods) in document["paths"].as_object().unwrap() {
        let schema = &methods["get"]["responses"]["200"]["content"]["application/json"]["schema"];
        if schema.is_null() {
            continue;
        }
        let path = path.replace("{pile}", "2026-03");
        for query in ["", "?step=1h", "?limit=1"] {
            if query == "?step=1h" && !path.ends_with("history")
                || query == "?limit=1" && !path.ends_with('s')
            {
                continue;
            }
            let reply = farm.get(&format!("{path}{query}")).await;
            assert_eq!(reply.status, 200, "{path}{query} {reply:?}");
            assert_eq!(misfit(&document, schema, &reply.json(), &path), None);
            seen += 1;
        }
    }
    assert!(seen >= 20, "{seen}");
    for target in ["/v1/none", "/v1/piles/none", "/v1/piles?x=y"] {
        let reply = farm.get(target).await.json();
        assert_eq!(
            misfit(&document, &json!({ "$ref": "#/components/schemas/Problem" }), &reply, target),
            None
        );
    }
}

/// A script listens as long as it says, and finds events as described: each pile once, then what was judged anew.
#[tokio::test]
async fn a_live_view_ends_when_it_was_asked_to_and_is_as_described() {
    let farm = TestFarm::new().await;
    farm.with_pile().await;
    let began = std::time::Instant::now();
    let reply = farm.get("/v1/live?for=1").await;
    let took = began.elapsed().as_millis();
    assert!((900..3_000).contains(&took), "{took} ms");
    assert_eq!((reply.status, reply.header("content-type")), (200, Some("text/event-stream")), "{reply:?}");
    let document = farm.get("/v1/openapi.json").await.json();
    let described = &document["paths"]["/v1/live"]["get"]["responses"]["200"]["content"]["text/event-stream"];
    let schema = &described["schema"];
    let mut seen = 0;
    for event in reply.body.split_terminator("\n\n") {
        let lines = event.lines().map(|line| line.split_once(": ").unwrap());
        let event: Value =
            lines.map(|(key, text)| (key.to_owned(), json!(text))).collect::<serde_json::Map<_, _>>().into();
        assert_eq!(misfit(&document, schema, &event, "event"), None);
        let data: Value = serde_json::from_str(event["data"].as_str().unwrap()).unwrap();
        assert_eq!(misfit(&document, &schema["properties"]["data"]["contentSchema"], &data, "data"), None);
        assert_eq!(data["pile"], "2026-03");
        seen += 1;
    }
    assert_eq!(seen, 1, "{reply:?}");
    for wrong in ["0", "3601", "-1", "1.5", "1s", "99999999999999999999", ""] {
        assert_eq!(farm.get(&format!("/v1/live?for={wrong}")).await.status, 400, "{wrong}");
    }
}

fn refused(n: i64) -> RefusedMessages {
    RefusedMessages {
        topic: format!("barn/k{n}"),
        reason: "no number".to_owned(),
        count: 1,
        example: "hot".to_owned(),
        first: BUILT,
        last: BUILT + Span::minutes(n),
    }
}

#[tokio::test]
async fn lists_are_paged_to_the_end() {
    let farm = TestFarm::new().await;
    farm.with_pile().await;
    for probe in ["k1", "k2", "k3", "k4"] {
        farm.readings(probe, Span::minutes(20), (0..100).map(|n| 60.0 + f64::from(n))).await;
    }
    for (pile, method) in [("2026-04", "windrow"), ("2026-05", "in-vessel")] {
        let spots = json!([{ "name": "core", "zone": "core" }]);
        let standards = json!(["us-organic", "us-organic-5021", "us-produce", "eu-cmc3"]);
        let pile = json!({ "pile": pile, "method": method, "material": "manure", "spots": spots, "standards": standards });
        assert_eq!(farm.post("/v1/piles", &pile).await.status, 201);
    }
    farm.ingest.lock().unwrap().refused = (0..8).map(refused).collect();
    // Every list of the description, each item once.
    let document = farm.get("/v1/openapi.json").await.json();
    let is_paged = |methods: &Value| {
        let query = methods["get"]["parameters"].as_array();
        query.is_some_and(|query| {
            query.iter().any(|one| one["name"] == "after" && methods["get"]["operationId"] != "getHistory")
        })
    };
    let lists: Vec<&String> = document["paths"]
        .as_object()
        .unwrap()
        .iter()
        .filter(|(_, methods)| is_paged(methods))
        .map(|(path, _)| path)
        .collect();
    assert_eq!(lists.len(), 10, "{lists:?}");
    for target in lists {
        let pile = if target.ends_with("verdicts") { "2026-04" } else { "2026-03" };
        let target = target.replace("{pile}", pile);
        let whole = farm.get(&target).await.json()["items"].as_array().unwrap().clone();
        let mut pieces = Vec::new();
        let mut after = String::new();
        loop {
            let page = farm.get(&format!("{target}?limit=2{after}")).await.json();
            pieces.extend(page["items"].as_array().unwrap().clone());
            match page["next"].as_str() {
                Some(next) => after = format!("&after={}", next.replace(' ', "%20")),
                None => break,
            }
        }
        assert_eq!(pieces, whole, "{target}");
        assert!(whole.len() > 2 || target.ends_with("incidents") || target.ends_with("outbox"), "{target}");
    }
}

/// Whatever the description shows as a body is taken, and fits its own schema.
#[tokio::test]
async fn documented_bodies_are_taken() {
    let farm = TestFarm::new().await;
    farm.with_pile().await;
    farm.clock.advance(Span::hours(5));
    let document = farm.get("/v1/openapi.json").await.json();
    let (mut sent, mut turned) = (Vec::new(), json!(null));
    let mut paths: Vec<(&String, &Value)> = document["paths"].as_object().unwrap().iter().collect();
    paths.sort_by_key(|(path, _)| path.ends_with("entries"));
    for (path, methods) in paths {
        let content = &methods["post"]["requestBody"]["content"]["application/json"];
        let Some(examples) = content["examples"].as_object() else {
            assert!(methods.get("post").is_none(), "{path} shows no body");
            continue;
        };
        // The log as it stands when a pile ends comes last.
        let is_last = |name: &str| matches!(name, "moved-to-curing" | "used");
        let (last, first): (Vec<_>, Vec<_>) = examples.iter().partition(|(name, _)| is_last(name));
        for (name, example) in first.into_iter().chain(last) {
            let mut body = example["value"].clone();
            if name == "withdrawn" {
                body["corrects"] = turned.clone();
            }
            let any = &document["components"]["schemas"]["NewEntry"]["oneOf"];
            let schema =
                if path.ends_with("entries") { json!({ "anyOf": any }) } else { content["schema"].clone() };
            assert_eq!(misfit(&document, &schema, &body, name), None, "{path} {name}");
            let reply = farm.post(&path.replace("{pile}", "2026-03"), &body).await;
            // Nothing was noticed yet that could have been seen.
            let wanted = if path.ends_with("seen") { 404..405 } else { 200..300 };
            assert!(wanted.contains(&reply.status), "{path} {name} {body} {reply:?}");
            if name == "turned" {
                turned = reply.json()["seq"].clone();
            }
            sent.push(name.clone());
        }
    }
    assert_eq!(sent.len(), 26, "{sent:?}");
}
