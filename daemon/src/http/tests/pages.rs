//! The pages as a phone in the barn sees them.

use heapward_rules::reading::{Quantity, Unit};
use heapward_rules::units::Span;
use serde_json::json;

use super::farm::{BUILT, TestFarm};
use super::phone::Phone;
use crate::http::RefusedMessages;
use crate::ingest::book;
use crate::ingest::status::ProbeStatus;

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
async fn a_topic_without_a_probe_shows_how_it_comes_how_often_and_what_is_in_it() {
    let farm = TestFarm::new().await;
    let ingest = farm.probes.ingest();
    for minute in 0..2 {
        let payload = r#"{"temperature":62.4,"battery":"81","deep/down":{"x":-1}}"#;
        ingest.hear("shed/k9", payload, BUILT + Span::minutes(minute));
        ingest.hear("shed/k8", "62.4", BUILT + Span::seconds(minute * 10));
    }
    ingest.hear_kept("shed/k7", "49.5", BUILT);
    let page = farm.get("/unassigned").await.body;
    let row =
        |topic: &str| page.split("<li>").find(|row| row.contains(topic)).unwrap_or_else(|| panic!("{page}"));
    let table = [
        (
            "shed/k9",
            ["live, about every 1 min", "/temperature 62.4, /battery 81 in quotes, /deep~1down/x -1"],
        ),
        ("shed/k8", ["live, about every 10 s", "2 times"]),
        ("shed/k7", ["kept by the broker, of unknown age", "once"]),
    ];
    for (topic, words) in table {
        let row = row(topic).replace('\u{a0}', " ");
        assert!(words.iter().all(|words| row.contains(words)), "{row}");
    }
    assert!(!row("shed/k8").contains("Numbers in it") && !row("shed/k7").contains("every"), "{page}");
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
    assert!(!text.contains("\r\n0\r\n"), "it stays open: {text}");
    let began = std::time::Instant::now();
    farm.stopped().await;
    while stream.read(&mut bytes).await.is_ok_and(|n| n > 0) {}
    assert!(began.elapsed() < std::time::Duration::from_secs(2), "{:?}", began.elapsed());
}

#[tokio::test]
async fn what_to_do_says_why_and_a_pile_comes_to_rest() {
    let farm = TestFarm::new().await;
    farm.with_pile().await;
    let page = farm.get("/").await.body;
    assert!(page.contains("No reading counts yet: a probe takes the pile's warmth first"), "{page}");
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

/// Each probe with what it said last, how old that is, its battery, what is wrong with it and where it stands.
#[tokio::test]
async fn probes_say_where_they_stand_and_what_is_wrong() {
    let farm = TestFarm::new().await;
    farm.with_pile().await;
    farm.readings("k1", Span::minutes(1), (0..40).map(|n| 70.0 + f64::from(n))).await;
    farm.says("k1", (Quantity::Battery, Unit::Percent), BUILT, Span::minutes(1), [12.0]).await;
    farm.says("k3", (Quantity::Temperature, Unit::Celsius), BUILT, Span::minutes(1), [40.0]).await;
    farm.readings("loose", Span::minutes(1), [60.0]).await;
    farm.clock.advance(Span::hours(6));
    // One still speaks, so it is the others that are silent, not all.
    farm.readings_from("k4", BUILT + Span::hours(6), Span::minutes(1), [90.0]).await;
    farm.handle.tick();
    farm.settled().await;
    let page = farm.get("/probes").await.body;
    let row = |probe: &str| {
        let row = page.split(&format!("<th>{probe}<")).nth(1).unwrap_or_else(|| panic!("{probe}: {page}"));
        row.split("</tr>").next().unwrap().to_owned()
    };
    for (probe, words) in [
        (
            "k1",
            vec![
                "temperature 109 °F",
                "5 h ago",
                "battery 12 %",
                "pile 2026-03",
                "core-north",
                "probe silent",
            ],
        ),
        ("k2", vec!["nothing yet", "core-south"]),
        ("k3", vec!["104.0 °F, reported as 40 °C", "outer-north"]),
        ("loose", vec!["temperature 60 °F", "in no pile", "nothing known"]),
    ] {
        for word in words {
            assert!(row(probe).contains(word), "{probe}: {word}: {}", row(probe));
        }
    }
    let json = farm.get("/v1/probes").await.json();
    let battery = json["items"].as_array().unwrap().iter().find(|one| one["quantity"] == "battery").unwrap();
    assert_eq!((&battery["value"], &battery["age_ms"]), (&json!(12.0), &json!(21_600_000)), "{battery}");
}

#[tokio::test]
async fn what_was_refused_is_shown_with_its_reason_and_its_words() {
    let farm = TestFarm::new().await;
    assert!(farm.get("/refused").await.body.contains("Every message since the start could be read."));
    let refused = |topic: &str, count: u64| RefusedMessages {
        topic: topic.to_owned(),
        reason: "no number at /t".to_owned(),
        count,
        example: "{\"t\":\"hot\"}".to_owned(),
        first: BUILT,
        last: BUILT + Span::minutes(3),
    };
    {
        let mut ingest = farm.ingest.lock().unwrap();
        ingest.source = Some("127.0.0.1:1883".to_owned());
        ingest.messages = 12;
        ingest.refused = vec![refused("barn/k2", 3), refused("barn/k1", 4)];
    }
    let page = farm.get("/refused").await.body;
    for words in [
        "7 messages since the start could not be read.",
        "no number at /t",
        "Topic barn/k1, first",
        "{&quot;t&quot;:&quot;hot&quot;}",
    ] {
        assert!(page.contains(words), "{words}: {page}");
    }
    let list = farm.get("/v1/refused?limit=1").await.json();
    assert_eq!((&list["items"][0]["topic"], &list["items"][0]["count"]), (&json!("barn/k1"), &json!(4)));
    let next = list["next"].as_str().unwrap().replace(' ', "%20");
    let list = farm.get(&format!("/v1/refused?limit=1&after={next}")).await.json();
    assert_eq!((&list["items"][0]["topic"], &list["next"]), (&json!("barn/k2"), &json!(null)));
    let about = farm.get("/about").await.body;
    assert!(about.contains("Not connected to 127.0.0.1:1883."), "{about}");
}

#[tokio::test]
async fn the_page_about_heapward_says_what_it_stands_on() {
    let farm = TestFarm::new().await;
    farm.with_pile().await;
    let phone = Phone::paired(&farm).await;
    let page = phone.get("/about").await.body;
    let version =
        format!("Heapward {} keeps watch over 1 pile of Quillback Farm.", env!("CARGO_PKG_VERSION"));
    for words in [
        version.as_str(),
        "no fire alarm",
        "Fri 1 May, 11:00",
        "America/New_York",
        "The clock is trusted.",
        " MB in <code>",
        "There is room for",
        "Who may write: OM.",
        "No broker is configured.",
        "7 CFR 205.203(c)(2)",
        "from memory",
    ] {
        assert!(page.contains(words), "{words}: {page}");
    }
    farm.clock.set_trusted(false);
    let page = phone.get("/about").await.body;
    assert!(page.contains("<span class=\"act\">The clock is not trusted yet"), "{page}");
}
