//! Who may read and write, and texts that would be more than text.

use super::farm::{BUILT, TestFarm};
use super::phone::{Phone, inputs};
use crate::http::access::Access;
use crate::http::routes;

#[tokio::test]
async fn forms_from_elsewhere_are_refused() {
    let farm = TestFarm::new().await;
    farm.with_pile().await;
    let phone = Phone::paired(&farm).await;
    let target = "/piles/2026-03/write/turned";
    let page = phone.get(target).await;
    let fields = inputs(&page.body);
    let good: Vec<(&str, &str)> = fields.iter().map(|(key, value)| (key.as_str(), value.as_str())).collect();
    let without: Vec<(&str, &str)> = good.iter().filter(|(key, _)| *key != "form").copied().collect();
    let other: Vec<(&str, &str)> = without.iter().copied().chain([("form", "0000")]).collect();
    let ours = phone.origin();
    for (fields, origin, status) in [
        (&good, "http://evil.example", 403),
        (&good, "null", 403),
        (&good, "https://127.0.0.1", 403),
        (&good, "", 403),
        (&without, ours.as_str(), 403),
        (&other, ours.as_str(), 403),
        (&good, ours.as_str(), 303),
    ] {
        let reply = phone.send(target, fields, origin).await;
        assert_eq!(reply.status, status, "{origin} {fields:?} {reply:?}");
    }
    // A stranger is sent to the pairing page, and what he posts is refused.
    assert_eq!(farm.get(target).await.header("location"), Some("/pair"));
    let stranger = Phone { farm: &farm, cookie: String::new() };
    assert_eq!(stranger.send(target, &good, &ours).await.status, 401);
    // What a foreign page can make a browser send with the cookie: other kinds of forms, fetches, the API.
    let encoded = "application/x-www-form-urlencoded";
    let token = good.iter().find(|(key, _)| *key == "form").unwrap().1;
    let body = format!("at=2026-05-01T11%3A00&by=OM&form={token}");
    let json = "{\"event\":\"turned\"}";
    let api = "/v1/piles/2026-03/entries";
    for (target, kind, site, origin, body) in [
        (target, encoded, "cross-site", ours.as_str(), body.as_str()),
        (target, encoded, "same-site", ours.as_str(), body.as_str()),
        (target, encoded, "none", ours.as_str(), body.as_str()),
        (target, encoded, "same-origin", "http://127.0.0.1", body.as_str()),
        (target, "text/plain", "same-origin", ours.as_str(), body.as_str()),
        (target, "multipart/form-data; boundary=x", "same-origin", ours.as_str(), body.as_str()),
        (api, "text/plain", "cross-site", "http://evil.example", json),
        (api, encoded, "cross-site", "http://evil.example", json),
        (api, "application/json", "cross-site", "http://evil.example", json),
        (api, "application/json", "same-origin", ours.as_str(), json),
    ] {
        let headers = [
            ("Content-Type", kind),
            ("Sec-Fetch-Site", site),
            ("Origin", origin),
            ("Cookie", phone.cookie.as_str()),
        ];
        let reply = farm.ask("POST", target, &headers, body).await;
        assert!(matches!(reply.status, 401 | 403 | 415), "{target} {kind} {site} {origin} {reply:?}");
    }
    let written = farm.get(&format!("{api}?limit=500")).await.json();
    let turns = written["items"].as_array().unwrap().iter().filter(|one| one["event"] == "turned").count();
    assert_eq!(turns, 1, "only our own form was taken");
    // A page elsewhere may not ask for the rights to read, either.
    let preflight = [("Origin", "http://evil.example"), ("Access-Control-Request-Method", "POST")];
    let reply = farm.ask("OPTIONS", api, &preflight, "").await;
    assert_eq!((reply.status, reply.header("access-control-allow-origin")), (405, None));
}

/// Every route by what it asks, in a farm where reading is open: none that writes lets a stranger in, none takes what
/// belongs to the other kind of pass.
#[tokio::test]
async fn every_write_needs_its_pass() {
    let farm = TestFarm::new().await;
    farm.with_pile().await;
    let phone = Phone::paired(&farm).await;
    let bearer = format!("Bearer {}", farm.keys.make_pass("script", BUILT).unwrap());
    let mut written = 0;
    // The live view never ends; it is asked for in the test below.
    for route in routes::all().into_iter().filter(|route| route.path != "/v1/live") {
        let target = [("{pile}", "2026-03"), ("{seq}", "1"), ("{what}", "turned"), ("{code}", "K7QM")]
            .iter()
            .fold(route.path.to_owned(), |path, (name, value)| path.replace(name, value));
        let with = async |name: &str, value: &str| {
            let headers = [(name, value), ("Content-Type", "application/json")];
            farm.ask(route.method.as_str(), &target, &headers, "").await
        };
        let stranger = with("X-Nothing", "").await;
        match route.access {
            Access::Anyone | Access::Reader => {
                assert!(!matches!(stranger.status, 401 | 403), "{target} {stranger:?}");
                continue;
            }
            Access::Writer => {
                assert_eq!((stranger.status, stranger.header("location")), (303, Some("/pair")), "{target}");
            }
            Access::Script => {
                assert_eq!(stranger.status, 401, "{target}");
                assert_eq!(stranger.header("www-authenticate"), Some("bearer"), "{target}");
                assert_eq!(with("Cookie", &phone.cookie).await.status, 401, "{target}");
            }
            Access::Form => {
                assert_eq!(stranger.status, 401, "{target}");
                assert_eq!(with("Cookie", &phone.cookie).await.status, 403, "{target}: no origin");
                assert_eq!(with("Authorization", &bearer).await.status, 403, "{target}: no form of ours");
            }
        }
        written += 1;
    }
    assert!(written >= 20, "{written}");
}

#[tokio::test]
async fn reading_may_need_the_pass_too() {
    let farm = TestFarm::with(|config| config.http.open_reading = false).await;
    farm.with_pile().await;
    for target in ["/", "/piles/2026-03", "/probes", "/outbox", "/about"] {
        let reply = farm.get(target).await;
        assert_eq!((reply.status, reply.header("location")), (303, Some("/pair")), "{target}");
    }
    for target in ["/v1/piles", "/metrics", "/v1/live"] {
        assert_eq!(farm.get(target).await.status, 401, "{target}");
    }
    assert_eq!(farm.get("/healthz").await.status, 200);
    let phone = Phone::paired(&farm).await;
    assert_eq!(phone.get("/piles/2026-03").await.status, 200);
    assert_eq!(phone.get("/v1/piles").await.status, 200);
    let reply = phone.fill("/pair", &[]).await;
    assert_eq!(reply.status, 303);
    assert_eq!(phone.get("/v1/piles").await.status, 401, "the cookie of a phone whose pass is gone");
}

#[tokio::test]
async fn names_that_are_markup_stay_names() {
    let farm = TestFarm::with(|config| config.farm.name = "<i>Quillback</i> & Farm".to_owned()).await;
    farm.with_pile().await;
    let phone = Phone::paired(&farm).await;
    for text in nasty() {
        let reply = phone.fill("/piles/2026-03/write/note", &[("note", &text)]).await;
        assert_eq!(reply.status, 303, "{text} {reply:?}");
        let by: String = text.chars().take(20).collect();
        let fields = [("bed", text.as_str()), ("crop", &text), ("by", &by)];
        let reply = phone.fill("/piles/2026-03/write/used", &fields).await;
        assert_eq!(reply.status, 303, "{text} {reply:?}");
    }
    for topic in nasty() {
        farm.probes.ingest().hear(&topic, &topic, BUILT);
        farm.probes.ingest().hear(&format!("{topic}/k9"), "62.4", BUILT);
    }
    let markup = [
        "<script",
        "<img",
        "<svg/",
        "<i>",
        "<b>",
        "<iframe",
        "<a href=\"javascript",
        "onerror=alert(1)>\"",
        "</textarea><",
    ];
    let targets = [
        "/",
        "/piles/2026-03",
        "/piles/2026-03/log",
        "/piles/2026-03/incidents",
        "/probes",
        "/unassigned",
        "/refused",
        "/outbox",
        "/about",
        "/piles/%3Cscript%3Ealert(1)%3C/script%3E",
    ];
    for target in targets {
        let page = phone.get(target).await.body.replace("<script src=\"/live.js?", "");
        for raw in markup {
            assert!(!page.contains(raw), "{target} {raw}");
        }
    }
    let json = farm.get("/v1/piles/2026-03/entries?limit=500").await.json();
    let notes = json["items"].as_array().unwrap().iter().filter(|one| one["event"] == "note");
    let notes: Vec<&str> = notes.map(|one| one["note"].as_str().unwrap()).collect();
    assert_eq!(notes, nasty(), "kept as they were typed");
}

/// Sixty texts that would be more than text where they are not escaped.
fn nasty() -> Vec<String> {
    let payloads = [
        "<script>alert(1)</script>",
        "<img src=x onerror=alert(1)>",
        "<svg/onload=alert(1)>",
        "<iframe src=javascript:alert(1)>",
        "<b>bold</b>",
        "<a href=\"javascript:alert(1)\">x</a>",
        "</textarea><script>alert(1)</script>",
        "</title><script>alert(1)</script>",
        "javascript:alert(1)",
        "&lt;b&gt;",
        "{{7*7}}",
        "${7*7}",
        "<%= 7*7 %>",
        "=HYPERLINK(\"http://evil.example\")",
        "'; DROP TABLE piles; --",
    ];
    let wrap =
        |text: &str| [text.to_owned(), format!("\">{text}"), format!("'>{text}"), format!("-->{text}<!--")];
    payloads.iter().flat_map(|text| wrap(text)).collect()
}
