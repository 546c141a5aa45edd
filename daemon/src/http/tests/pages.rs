//! The pages as a phone in the barn sees them.

use heapward_rules::reading::Unit;
use heapward_rules::units::Span;
use serde_json::json;

use super::farm::{BUILT, Reply, TestFarm};
use crate::clock::Clock;
use crate::ingest::book;
use crate::ingest::status::ProbeStatus;

/// A paired phone: keeps its cookie, fills in forms as a browser does.
struct Phone<'a> {
    farm: &'a TestFarm,
    cookie: String,
}

impl<'a> Phone<'a> {
    async fn paired(farm: &'a TestFarm) -> Phone<'a> {
        let code = farm.keys.make_code(farm.clock.now()).unwrap();
        let link = farm.get(&format!("/pair/{code}")).await;
        assert!(link.body.contains(&code), "{link:?}");
        let phone = Phone { farm, cookie: String::new() };
        let reply = phone.send("/pair", &[("code", &code), ("name", "OM")], &phone.origin()).await;
        assert_eq!((reply.status, reply.header("location")), (303, Some("/")), "{reply:?}");
        let cookie = reply.header("set-cookie").unwrap();
        assert!(cookie.contains("httponly") && cookie.contains("samesite=strict"), "{cookie}");
        Phone { farm, cookie: cookie.split(';').next().unwrap().to_owned() }
    }

    fn origin(&self) -> String {
        format!("http://{}", self.farm.at)
    }

    async fn get(&self, target: &str) -> Reply {
        self.farm.ask("GET", target, &[("Cookie", &self.cookie)], "").await
    }

    async fn send(&self, target: &str, fields: &[(&str, &str)], origin: &str) -> Reply {
        let encode = |text: &str| -> String {
            text.bytes()
                .map(|byte| {
                    if byte.is_ascii_alphanumeric() {
                        char::from(byte).to_string()
                    } else {
                        format!("%{byte:02X}")
                    }
                })
                .collect()
        };
        let body: Vec<String> =
            fields.iter().map(|(key, value)| format!("{}={}", encode(key), encode(value))).collect();
        let kind = "application/x-www-form-urlencoded";
        let headers = [("Content-Type", kind), ("Cookie", &self.cookie), ("Origin", origin)];
        self.farm.ask("POST", target, &headers, &body.join("&")).await
    }

    /// Opens a page, fills its form and sends it.
    async fn fill(&self, target: &str, fields: &[(&str, &str)]) -> Reply {
        let page = self.get(target).await;
        assert_eq!(page.status, 200, "{page:?}");
        let mut all: Vec<(String, String)> = inputs(&page.body);
        for (key, value) in fields {
            all.retain(|(other, _)| other != key);
            all.push(((*key).to_owned(), (*value).to_owned()));
        }
        let form = page.body.split("<form class=\"write\" method=\"post\" action=\"").nth(1).unwrap();
        let action = form.split('"').next().unwrap();
        let all: Vec<(&str, &str)> = all.iter().map(|(key, value)| (key.as_str(), value.as_str())).collect();
        self.send(action, &all, &self.origin()).await
    }
}

/// Names and values of the inputs of the page's form that are filled in already.
fn inputs(page: &str) -> Vec<(String, String)> {
    let form = page.split("<form class=\"write\"").nth(1).unwrap().split("</form>").next().unwrap();
    let attribute = |tag: &str, name: &str| {
        tag.split(&format!(" {name}=\"")).nth(1).map(|rest| rest.split('"').next().unwrap().to_owned())
    };
    let mut inputs = Vec::new();
    for tag in form.split("<input").skip(1).map(|tag| tag.split('>').next().unwrap()) {
        let button = tag.contains("type=\"radio\"") || tag.contains("type=\"checkbox\"");
        if button && !tag.contains(" checked") {
            continue;
        }
        inputs.extend(attribute(tag, "name").zip(attribute(tag, "value")));
    }
    for select in form.split("<select").skip(1).map(|select| select.split("</select>").next().unwrap()) {
        let chosen = select.split("<option").find(|option| option.contains(" selected")).unwrap_or_default();
        inputs.extend(attribute(select, "name").zip(attribute(chosen, "value")));
    }
    inputs
}

#[tokio::test]
async fn a_pile_is_started_filled_with_a_probe_and_written_about() {
    let farm = TestFarm::new().await;
    let phone = Phone::paired(&farm).await;
    let reply =
        phone.fill("/start", &[("bay", "2"), ("cn", "28,5"), ("recipe", "4 loads of stable bedding")]).await;
    assert_eq!((reply.status, reply.header("location")), (303, Some("/piles/2026-01/place")), "{reply:?}");
    let reply = phone.fill("/piles/2026-01/place", &[("probe", "k1"), ("spot", "core-north")]).await;
    assert_eq!((reply.status, reply.header("location")), (303, Some("/piles/2026-01")), "{reply:?}");
    let fields =
        [("spot", "outer-south"), ("value", "131,5"), ("unit", "F"), ("note", "dial <b>thermometer</b>")];
    let reply = phone.fill("/piles/2026-01/write/reading", &fields).await;
    assert_eq!(reply.status, 303, "{reply:?}");
    let page = phone.get(reply.header("location").unwrap()).await.body;
    assert!(page.contains("Written down: Read by hand at outer-south: 131.5 °F."), "{page}");
    assert!(page.contains("dial &lt;b&gt;thermometer&lt;/b&gt;"), "{page}");
    assert!(page.contains("4 loads of stable bedding"));
    assert!(page.contains("<svg"));
}

#[tokio::test]
async fn every_form_can_be_sent() {
    let farm = TestFarm::new().await;
    farm.with_pile().await;
    let phone = Phone::paired(&farm).await;
    for (what, fields) in [
        ("reading", vec![("spot", "core-north"), ("value", "55"), ("unit", "C")]),
        ("turned", vec![]),
        ("watered", vec![("gallons", "40")]),
        ("check", vec![("squeeze", "right"), ("smell", "earthy"), ("blower", "yes")]),
        ("covered", vec![("depth", "8")]),
        ("aeration", vec![("on", "1,5"), ("off", "20")]),
        ("material", vec![("what", "a load of leaves"), ("sure", "yes")]),
        ("give-up", vec![("spot", "outer-south"), ("reason", "lance broken")]),
        ("compared", vec![("probe", "k1"), ("reference", "32"), ("read", "33,8"), ("unit", "F")]),
        ("probe-out", vec![("probe", "k4")]),
        ("curing", vec![]),
        ("tested", vec![("test", "self-heating"), ("figure", "6,5")]),
        ("note", vec![("note", "wind")]),
        ("used", vec![("bed", "bed 4"), ("yards", "2"), ("soil", "no")]),
    ] {
        let reply = phone.fill(&format!("/piles/2026-03/write/{what}"), &fields).await;
        assert_eq!(reply.status, 303, "{what} {}", reply.body);
    }
    let log = phone.get("/piles/2026-03/log").await.body;
    for words in [
        "Watered with 40 gallons",
        "Aeration set to 1 min 30 s on, 20 min off",
        "Spot outer-south given up: lance broken",
        "Probe k1 compared: it said 33.8 °F at 32.0 °F",
        "Self-heating test: 6.5 °C over the room, class V: finished.",
        "Used 2 cubic yards on bed 4, which does not touch the soil.",
    ] {
        assert!(log.contains(words), "{words}");
    }
}

#[tokio::test]
async fn what_was_typed_wrong_comes_back_with_the_reason() {
    let farm = TestFarm::new().await;
    farm.with_pile().await;
    let phone = Phone::paired(&farm).await;
    for (fields, words) in [
        (vec![("spot", "core-north"), ("value", "hot"), ("unit", "F")], "is no number"),
        (vec![("spot", "core-north"), ("value", "900"), ("unit", "F")], "no temperature of a pile"),
        (
            vec![("spot", "core-north"), ("value", "131"), ("unit", "F"), ("at", "2026-06-01T00:00")],
            "ahead of the clock",
        ),
        (
            vec![("spot", "core-north"), ("value", "131"), ("unit", "F"), ("by", "")],
            "who wrote it is missing",
        ),
    ] {
        let reply = phone.fill("/piles/2026-03/write/reading", &fields).await;
        assert_eq!(reply.status, 400, "{reply:?}");
        assert!(reply.body.to_lowercase().contains(words), "{words} {}", reply.body);
        assert!(reply.body.contains("value=\"core-north\" checked"), "{}", reply.body);
    }
}

#[tokio::test]
async fn an_entry_is_corrected_and_nothing_is_lost() {
    let farm = TestFarm::new().await;
    farm.with_pile().await;
    let phone = Phone::paired(&farm).await;
    let reply = phone.fill("/piles/2026-03/write/watered", &[("gallons", "400")]).await;
    let seq: u64 = reply.header("location").unwrap().rsplit('=').next().unwrap().parse().unwrap();
    let reply = phone.fill(&format!("/piles/2026-03/log/{seq}/anew"), &[("gallons", "40")]).await;
    assert_eq!(reply.status, 303, "{reply:?}");
    let second: u64 = reply.header("location").unwrap().rsplit('=').next().unwrap().parse().unwrap();
    let reply =
        phone.fill(&format!("/piles/2026-03/log/{second}"), &[("reason", "that was the other pile")]).await;
    assert_eq!(reply.status, 303, "{reply:?}");
    let log = phone.get("/piles/2026-03/log").await.body;
    assert_eq!(log.matches("class=\"gone\"").count(), 2, "{log}");
    for words in ["400 gallons", "with 40 gallons", "Withdrawn: that was the other pile."] {
        assert!(log.contains(words), "{words}");
    }
}

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

#[tokio::test]
async fn a_probe_shows_its_clock_and_what_its_device_says_of_itself() {
    let farm = TestFarm::new().await;
    farm.with_pile().await;
    farm.readings("k1", Span::minutes(1), [60.0]).await;
    let said = ProbeStatus {
        skew: Some(Span::minutes(47)),
        available: Some(false),
        no_value: Some(BUILT + Span::minutes(3)),
        last_known: Some((48.9, Unit::Celsius)),
        ..ProbeStatus::default()
    };
    farm.probes.ingest().hear_of("k1", said);
    farm.clock.advance(Span::minutes(10));
    let page = farm.get("/probes").await.body;
    for words in [
        "What it says comes 47 min after its own time",
        "Its device is alive and had no value",
        "Its device says that it is off line.",
        "Last known, of unknown age and no reading: 48.9 C",
    ] {
        assert!(page.contains(words), "{words}: {page}");
    }
    let probes: serde_json::Value = serde_json::from_str(&farm.get("/v1/probes").await.body).unwrap();
    let of = |id: &str| {
        probes["items"].as_array().unwrap().iter().find(|one| one["probe"] == id).cloned().unwrap()
    };
    assert_eq!(
        (of("k1")["clock_behind_ms"].as_i64(), of("k1")["online"].as_bool()),
        (Some(2_820_000), Some(false))
    );
}

#[tokio::test]
async fn a_probe_is_taken_into_use_by_whoever_says_what_it_reads() {
    let farm = TestFarm::new().await;
    let phone = Phone::paired(&farm).await;
    assert!(phone.get("/unassigned").await.body.contains("Nothing comes in that no probe reads."));
    farm.probes.ingest().hear("shed/k 9", "62.4", BUILT);
    farm.probes.ingest().hear("shed/words", "hello", BUILT);
    let page = phone.get("/unassigned").await.body;
    let target = "/unassigned/take?topic=shed%2Fk%209&amp;proposed=shed-k-9";
    assert!(page.contains("no probe reads, on 2 topics.") && page.contains(target), "{page}");
    let target = target.replace("&amp;", "&");
    let sheet = phone.get(&target).await.body;
    assert!(sheet.contains("62 C = 144 F") && sheet.contains("62 F = 17 C"), "{sheet}");
    assert!(!sheet.contains("checked"), "the unit is asked for, not proposed");

    for (fields, words) in [
        (vec![], "say what it reads now"),
        (vec![("unit", "F"), ("id", "k1")], "already"),
        (vec![("unit", "F"), ("id", "k 9")], "is no id"),
        (vec![("unit", "F"), ("every", "often")], "`every`"),
        (vec![("unit", "F"), ("by", "")], "who takes it into use"),
    ] {
        let reply = phone.fill(&target, &fields).await;
        assert_eq!(reply.status, 400, "{fields:?} {reply:?}");
        assert!(reply.body.to_lowercase().contains(words), "{words} {}", reply.body);
    }
    assert!(farm.probes.kept().is_empty());
    let reply = phone.fill(&target, &[("unit", "F"), ("id", "k9"), ("every", "30s")]).await;
    assert_eq!((reply.status, reply.header("location")), (303, Some("/probes")), "{reply:?}");
    assert!(phone.get("/probes").await.body.contains("k9"));
    assert_eq!(phone.get(&target).await.status, 404, "the topic has a probe now");
    let entries = farm.reader.entries(None, 0, 100).unwrap();
    assert_eq!(entries.last().unwrap().entry.note, "Probe k9 is taken into use. It read 62 F = 17 C.");

    let kept = book::kept(&farm.reader, chrono_tz::America::New_York).unwrap();
    let [probe] = kept.as_slice() else { panic!("{kept:?}") };
    assert_eq!((probe.id.as_str(), probe.topic.as_str(), probe.every), ("k9", "shed/k 9", Span::seconds(30)));
    assert_eq!(probe.mapping.unit, Some(Unit::Fahrenheit));

    // The file is read again: what was kept stays, and where both have an id, the file's counts.
    let mut of_file = farm.probes.all();
    of_file.retain(|probe| probe.id.as_str() == "k9");
    of_file[0].topic = "barn/k9".to_owned();
    farm.probes.set_file(of_file).await.unwrap();
    let all = farm.probes.all();
    assert_eq!(all.iter().map(|probe| probe.topic.as_str()).collect::<Vec<_>>(), ["barn/k9"]);
    farm.probes.set_file(Vec::new()).await.unwrap();
    assert_eq!(farm.probes.all()[0].topic, "shed/k 9");

    let page = phone.get("/unassigned").await.body;
    let token = page.split("name=\"form\" value=\"").nth(1).unwrap().split('"').next().unwrap();
    let fields = [("form", token), ("id", "k9")];
    assert_eq!(phone.send("/unassigned/remove", &fields, &phone.origin()).await.status, 303);
    assert_eq!(phone.send("/unassigned/remove", &fields, &phone.origin()).await.status, 404);
    assert!(farm.probes.all().is_empty());
    let listen = phone.send("/unassigned/listen", &fields[..1], &phone.origin()).await;
    assert_eq!(listen.status, 400, "there is no broker: {listen:?}");
}

#[tokio::test]
async fn the_live_view_says_what_changed_and_ends_with_the_daemon() {
    use tokio::io::{AsyncReadExt, AsyncWriteExt};
    let farm = TestFarm::new().await;
    farm.with_pile().await;
    let mut stream = tokio::net::TcpStream::connect(farm.at).await.unwrap();
    stream.write_all(format!("GET /v1/live HTTP/1.1\r\nHost: {}\r\n\r\n", farm.at).as_bytes()).await.unwrap();
    let mut text = String::new();
    let mut bytes = [0; 4_096];
    while !text.contains("\"pile\":\"2026-03\"") {
        let n = stream.read(&mut bytes).await.unwrap();
        assert!(n > 0, "{text}");
        text.push_str(&String::from_utf8_lossy(&bytes[..n]));
    }
    assert!(text.contains("content-type: text/event-stream"), "{text}");
    let began = std::time::Instant::now();
    farm.stopped().await;
    while stream.read(&mut bytes).await.is_ok_and(|n| n > 0) {}
    assert!(began.elapsed() < std::time::Duration::from_secs(2), "{:?}", began.elapsed());
}

#[tokio::test]
async fn the_chart_shows_gaps_crosses_and_hands() {
    let farm = TestFarm::new().await;
    farm.with_pile().await;
    farm.readings(
        "k1",
        Span::minutes(1),
        (0..300).map(|n| if n == 100 { 185.0 } else { 100.0 + f64::from(n) / 10.0 }),
    )
    .await;
    farm.readings_from("k1", BUILT + Span::hours(12), Span::minutes(1), (0..300).map(|_| 135.0)).await;
    farm.clock.advance(Span::hours(18));
    let phone = Phone::paired(&farm).await;
    phone
        .fill("/piles/2026-03/write/reading", &[("spot", "core-north"), ("value", "120"), ("unit", "F")])
        .await;
    let page = phone.get("/piles/2026-03").await.body;
    let line = page.split("<path class=\"line p0\" d=\"").nth(1).unwrap().split('"').next().unwrap();
    assert_eq!(line.matches('M').count(), 2, "{line}");
    assert!(page.contains("class=\"cross\""));
    assert!(page.contains("class=\"hand\""));
    assert!(page.len() < 120_000, "{}", page.len());
    for range in ["6h", "1d", "3d", "7d", "30d", "all"] {
        let page = phone.get(&format!("/piles/2026-03?range={range}")).await;
        assert_eq!(page.status, 200, "{range}");
        assert!(page.body.contains("aria-current"), "{range}");
    }
    assert_eq!(phone.get("/piles/2026-03?range=2d").await.status, 400);
}

#[tokio::test]
async fn what_to_do_says_why_and_a_pile_comes_to_rest() {
    let farm = TestFarm::new().await;
    farm.with_pile().await;
    let page = farm.get("/").await.body;
    assert!(page.contains("No reading counts yet."), "{page}");
    for probe in ["k1", "k2", "k3", "k4"] {
        let climb = (0..20).map(|n| if n < 15 { 100.0 + 2.5 * f64::from(n) } else { 120.0 });
        farm.readings(probe, Span::hours(1), climb).await;
    }
    farm.clock.advance(Span::hours(20));
    let page = farm.get("/").await.body;
    assert!(
        page.contains("The last run ended because it was too cold: give less air, or more cover."),
        "{page}"
    );
    assert!(!page.contains("Piles at rest"), "{page}");
    farm.clock.advance(Span::days(31));
    let page = farm.get("/").await.body;
    assert!(page.contains("Piles at rest"), "{page}");
}

/// The widest chart that a page can have: six spots whose readings leap at every column, and all that people did.
#[tokio::test]
async fn the_fullest_page_stays_below_120_kb() {
    let farm = TestFarm::new().await;
    farm.with_pile().await;
    for (n, probe) in (0_u32..).zip(["k1", "k2", "k3", "k4"]) {
        let leap = |minute: i32| 120.0 + 20.0 * (f64::from(minute) * 0.7 + f64::from(n)).sin();
        farm.readings(probe, Span::minutes(1), (0..4_000).map(leap)).await;
    }
    farm.clock.advance(Span::hours(67));
    let phone = Phone::paired(&farm).await;
    for n in 0..30 {
        let at = format!("2026-05-02T{:02}:30", n % 24);
        let note = "x".repeat(490);
        phone.fill("/piles/2026-03/write/watered", &[("gallons", "40"), ("at", &at), ("note", &note)]).await;
    }
    let page = phone.get("/piles/2026-03").await.body;
    assert!(page.matches("Watered with").count() >= 8 && page.contains(">watered<"), "{page}");
    // Two of six spots are not there: each line takes its part of what is drawn.
    let lines: usize = page.split("<path class=\"line ").skip(1).map(|path| path.find('>').unwrap()).sum();
    assert!(page.len() + lines / 2 < 120_000, "{} with {lines} of lines", page.len());
}

/// A long stretch is drawn by days; a day in which a probe came or went holds only what it said in this pile.
#[tokio::test]
async fn a_year_is_drawn_by_days() {
    let farm = TestFarm::new().await;
    farm.with_pile().await;
    farm.readings("k1", Span::hours(1), (0..8_760).map(|n| if n % 24 == 3 { 150.0 } else { 140.0 })).await;
    farm.clock.advance(Span::days(365));
    let page = farm.get("/piles/2026-03?range=all").await.body;
    let line = page.split("<path class=\"line p0\" d=\"").nth(1).unwrap().split('"').next().unwrap();
    assert_eq!(line.matches('M').count(), 1, "one stroke without a gap: {line}");
    // Each day from 140 to 150 degrees: a stroke up or down in every column.
    assert!(line.matches('v').count() > 250, "{line}");
    let json = farm.get("/v1/piles/2026-03/history?step=24h").await.json();
    assert_eq!(json["buckets"].as_array().unwrap().len(), 366, "UTC days");
}

#[tokio::test]
async fn a_mix_is_planned_printed_and_kept_with_its_pile() {
    let farm = TestFarm::new().await;
    let phone = Phone::paired(&farm).await;
    let page = farm.get("/mix").await.body;
    assert!(page.contains("<form class=\"write\" method=\"get\" action=\"/mix\">"), "{page}");
    assert!(page.contains("Feedstocks that are known: 48"));
    let what = "what=horse-manure%3D2yd3+Ford+stable%0D%0Aleaves%3D4+yd3%0D%0Awater%3D60gal&bay=4yd3";
    let page = farm.get(&format!("/mix?{what}")).await.body;
    assert!(page.contains("C:N 36.4:1, moisture"), "{page}");
    assert!(page.contains("It makes more than the bay holds"), "{page}");
    assert!(page.contains("aminopyralid") && page.contains("within 10 % of 40:1"), "{page}");
    let card = farm.get(&format!("/mix?{what}&card=yes")).await.body;
    assert!(card.contains("BUILD CARD") && card.contains("layers, each of them:"), "{card}");
    let wrong = farm.get("/mix?what=leaves%3D2heaps").await;
    assert_eq!(wrong.status, 200);
    assert!(wrong.body.contains("`2heaps` is no amount") && wrong.body.contains(">leaves=2heaps</textarea>"));
    let blocked = farm.get("/mix?what=hen-manure%0Abroiler-litter&make=8yd3").await.body;
    assert!(blocked.contains("C:N stands in the way"), "{blocked}");

    let start = card.split("href=\"/start?mix=").nth(1).unwrap().split('"').next().unwrap();
    let started = phone.get(&format!("/start?mix={start}")).await.body;
    assert!(
        started.contains("horse-manure=2758lb Ford stable\nleaves=800lb\nwater=501lb</textarea>"),
        "{started}"
    );
    let recipe = "horse-manure=2758lb Ford stable\r\nleaves=800lb\r\nwater=501lb";
    let wrong = phone.fill("/start", &[("recipe", recipe), ("material", "plant")]).await;
    assert_eq!(wrong.status, 400);
    assert!(wrong.body.contains("By its recipe this is `manure`, not `plant`"), "{wrong:?}");
    let reply = phone.fill("/start", &[("recipe", recipe)]).await;
    assert_eq!(reply.status, 303, "{reply:?}");
    let pile = farm.get("/piles/2026-01").await.body;
    assert!(pile.contains("carbon to nitrogen ratio is 36.37:1"), "{pile}");
    assert!(
        pile.contains("Horse manure, general with bedding, 2758 lb") && pile.contains("manure, Ford stable")
    );
}

#[tokio::test]
async fn a_script_starts_a_pile_with_a_mix() {
    let farm = TestFarm::new().await;
    let spots = serde_json::json!([{ "name": "core", "zone": "core" }]);
    let new = |pile: &str, mix: &[&str]| serde_json::json!({ "pile": pile, "method": "aerated-static", "spots": spots, "mix": mix });
    let made = farm.post("/v1/piles", &new("2026-03", &["leaves=100lb", "grass-clippings=300lb Bram"])).await;
    assert_eq!(made.status, 201, "{made:?}");
    let made: serde_json::Value = serde_json::from_str(&made.body).unwrap();
    assert_eq!((&made["material"], &made["recipe"]["parts"][1]["source"]), (&"plant".into(), &"Bram".into()));
    assert_eq!(made["initial_cn"], made["recipe"]["cn"]["typical"]);
    let wrong = farm.post("/v1/piles", &new("2026-04", &["leaves=100heaps"])).await;
    assert_eq!(wrong.status, 400, "{wrong:?}");
    let bare = farm.post("/v1/piles", &new("2026-04", &[])).await;
    assert!(bare.status == 400 && bare.body.contains("`material` is missing"), "{bare:?}");
}

/// What is judged alike is said once, and a spot with two probes shows both and the temperature of one.
#[tokio::test]
async fn standards_that_agree_share_a_sentence() {
    let farm = TestFarm::new().await;
    let spots = json!([{ "name": "core-north", "zone": "core" }]);
    let standards = json!(["us-organic", "us-organic-5021"]);
    let pile = json!({ "pile": "2026-04", "method": "aerated-static", "material": "manure", "spots": spots,
                       "standards": standards, "initial_cn": 30 });
    assert_eq!(farm.post("/v1/piles", &pile).await.status, 201);
    for probe in ["k1", "blower"] {
        let place = json!({ "probe": probe, "spot": "core-north", "from": "2026-05-01T15:00:00Z" });
        assert_eq!(farm.post("/v1/piles/2026-04/placements", &place).await.status, 201);
    }
    farm.readings("k1", Span::minutes(1), [60.0]).await;
    let page = farm.get("/piles/2026-04").await.body;
    assert_eq!(page.matches("class=\"verdict\"").count(), 1, "{page}");
    for words in ["7 CFR 205.203(c)(2)", "NOP 5021", "<th>us-organic, us-organic-5021</th>", "blower, k1"] {
        assert!(page.contains(words), "{words}: {page}");
    }
}

#[tokio::test]
async fn raw_manure_has_its_dates_and_a_harvest_too_early_is_refused() {
    let farm = TestFarm::new().await;
    farm.with_pile().await;
    let phone = Phone::paired(&farm).await;
    // Built on 1 May; worked in on the same day.
    let early = [("bed", "north-4"), ("soil", "yes"), ("harvest", "2026-08-28")];
    let reply = phone.fill("/piles/2026-03/write/used", &early).await;
    assert_eq!(reply.status, 400, "{reply:?}");
    assert!(
        reply.body.contains("may be harvested from 2026-08-29 on, 120 days after 2026-05-01"),
        "{reply:?}"
    );
    assert!(reply.body.contains("value=\"2026-08-28\""), "{reply:?}");
    let fitting = [("bed", "north-4"), ("soil", "yes"), ("harvest", "2026-08-29")];
    let reply = phone.fill("/piles/2026-03/write/used", &fitting).await;
    assert_eq!(reply.status, 303, "{reply:?}");
    let page = farm.get("/piles/2026-03").await.body;
    assert!(
        page.contains(
            "raw manure: not before 2026-08-29 where it touches the soil, 2026-07-30 where it does not"
        ),
        "{page}"
    );
    assert!(page.contains("Was in bay 2") && page.contains("used "), "{page}");
}

#[tokio::test]
async fn a_pile_that_cures_frees_its_bay_and_its_probes() {
    let farm = TestFarm::new().await;
    farm.with_pile().await;
    let phone = Phone::paired(&farm).await;
    farm.clock.advance(Span::minutes(5));
    let moved = phone.fill("/piles/2026-03/write/curing", &[]).await;
    assert_eq!(moved.status, 303, "{moved:?}");
    let page = farm.get("/piles/2026-03").await.body;
    assert!(page.contains("Was in bay 2") && page.contains("curing since 1 May 2026"), "{page}");
    assert!(page.contains("stick one into its heart"), "{page}");
    let pile: serde_json::Value = serde_json::from_str(&farm.get("/v1/piles/2026-03").await.body).unwrap();
    assert_eq!(pile["stage"], "curing");
    assert!(pile["placements"].as_array().unwrap().iter().all(|one| !one["until"].is_null()), "{pile}");
    let bare = phone.fill("/piles/2026-03/write/material", &[("what", "a load of bedding")]).await;
    assert_eq!(bare.status, 400, "{bare:?}");
}

#[tokio::test]
async fn a_season_is_planned_and_the_seasons_so_far_stand_below() {
    let farm = TestFarm::new().await;
    farm.with_pile().await;
    let page = farm.get("/season").await.body;
    assert!(page.contains("action=\"/season\"") && page.contains("Seasons so far"), "{page}");
    assert!(page.contains("<th>2026</th>"), "{page}");
    let plan = "beds=north-4+100x4+1+2026-09-01%0D%0Asouth+1300+1+2026-10-01&bays=1&from=2026-05-02";
    let page = farm.get(&format!("/season?{plan}")).await.body;
    assert!(page.contains("5.2 cubic yards wanted: 2 piles to build, each gives 4.0."), "{page}");
    assert!(page.contains("<li>north-4: 2026-06-16</li>"), "{page}");
    let late = farm.get("/season?beds=north-4+100x4+1+2026-06-01").await.body;
    assert!(late.contains("Short by 1.2 cubic yards, up to"), "{late}");
    for (plan, wanted) in [
        ("beds=north-4+big", "such as north-4 100x4 1 2027-04-15"),
        ("beds=north-4+400+1+soon", "write a date such as"),
        ("beds=north-4+400+1+2026-09-01&bays=0", "bays.count = 0"),
        ("beds=north-4+400+1+2026-09-01&pile=much", "is no number"),
    ] {
        let page = farm.get(&format!("/season?{plan}")).await;
        assert!(page.status == 200 && page.body.contains(wanted), "{plan}: {page:?}");
    }
}

#[tokio::test]
async fn a_pile_is_silent_for_a_while_with_a_reason_and_speaks_again_by_itself() {
    let farm = TestFarm::new().await;
    farm.with_pile().await;
    let phone = Phone::paired(&farm).await;
    let page = phone.get("/piles/2026-03").await.body;
    let inputs = page.split("action=\"/mute\"").nth(1).unwrap().split("</form>").next().unwrap();
    let token = inputs.split("name=\"form\" value=\"").nth(1).unwrap().split('"').next().unwrap();
    for words in ["watering now", "moving probes", "value=\"2\" checked"] {
        assert!(inputs.contains(words), "{words} in {inputs}");
    }
    let ask = |reason, hours| [("form", token), ("pile", "2026-03"), ("reason", reason), ("hours", hours)];
    for (reason, hours) in
        [("", "2"), ("watering now", "0"), ("watering now", "25"), ("watering now", "ever")]
    {
        let reply = phone.send("/mute", &ask(reason, hours), &phone.origin()).await;
        assert_eq!(reply.status, 400, "{reason} {hours}: {reply:?}");
    }
    let reply = phone.send("/mute", &ask("moving probes", "2"), &phone.origin()).await;
    assert_eq!((reply.status, reply.header("location")), (303, Some("/piles/2026-03")), "{reply:?}");
    let is_silent = async || {
        let page = phone.get("/piles/2026-03").await.body;
        page.contains("No messages about this pile until") && page.contains(": moving probes. Danger is told")
    };
    assert!(is_silent().await);
    farm.clock.advance(Span::minutes(119));
    assert!(is_silent().await);
    farm.clock.advance(Span::minutes(1));
    assert!(!is_silent().await);
    farm.stopped().await;
}

#[tokio::test]
async fn what_ails_the_whole_farm_stands_on_the_first_page_until_it_is_over() {
    let farm = TestFarm::new().await;
    farm.with_pile().await;
    let phone = Phone::paired(&farm).await;
    for probe in ["k1", "k2", "k3", "k4"] {
        farm.readings(probe, Span::minutes(1), (0..30).map(|n| 70.0 + f64::from(n) / 10.0)).await;
    }
    let is_said = async || phone.get("/").await.body.contains("All probes silent");
    farm.clock.advance(Span::minutes(31));
    farm.handle.tick();
    farm.settled().await;
    assert!(!is_said().await);
    farm.clock.advance(Span::hours(3));
    farm.handle.tick();
    farm.settled().await;
    let page = phone.get("/").await.body;
    assert!(is_said().await, "{page}");
    farm.readings_from("k1", BUILT + Span::minutes(211), Span::minutes(1), [80.0]).await;
    farm.handle.tick();
    farm.settled().await;
    assert!(!is_said().await);
    farm.stopped().await;
}
