//! The API as a script sees it.

use heapward_rules::units::Span;
use serde_json::json;

use super::farm::{BUILT, TestFarm};

#[tokio::test]
async fn a_pile_is_started_read_and_written_into() {
    let farm = TestFarm::new().await;
    let new = json!({
        "pile": "2026-04", "method": "aerated-static", "material": "manure", "initial_cn": 28.5,
        "spots": [{ "name": "core-north", "zone": "core", "depth_in": 24.0 }, { "name": "outer-south", "zone": "outer" }],
    });
    let reply = farm.post("/v1/piles", &new).await;
    assert_eq!(reply.status, 201, "{reply:?}");
    assert_eq!(reply.json()["built"], "2026-05-01T15:00:00.000Z");
    assert_eq!(reply.json()["standards"], json!(["us-organic"]));
    assert_eq!(farm.post("/v1/piles", &new).await.status, 409);

    let place = json!({ "probe": "k1", "spot": "core-north", "from": "2026-05-01T15:00:00Z" });
    let reply = farm.post("/v1/piles/2026-04/placements", &place).await;
    assert_eq!((reply.status, &reply.json()["placements"][0]["every_ms"]), (201, &json!(60_000)));

    let turned = json!({ "event": "turned", "at": "2026-05-01T14:00:00Z", "note": "with the fork" });
    let reply = farm.post("/v1/piles/2026-04/entries", &turned).await;
    assert_eq!((reply.status, reply.json()["by"].as_str()), (201, Some("OM")));
    let hand = json!({ "spot": "outer-south", "value": 131.5, "unit": "F" });
    assert_eq!(farm.post("/v1/piles/2026-04/readings", &hand).await.status, 201);

    let list = farm.get("/v1/piles/2026-04/entries?limit=3").await.json();
    let events: Vec<&str> =
        list["items"].as_array().unwrap().iter().map(|one| one["event"].as_str().unwrap()).collect();
    assert_eq!(events, ["built", "probe-placed", "turned"]);
    let next = list["next"].as_str().unwrap();
    let list = farm.get(&format!("/v1/piles/2026-04/entries?limit=1&after={next}")).await.json();
    assert_eq!(list["items"][0]["figures"], json!({ "spot": "outer-south", "value": 131.5, "unit": "F" }));
    assert_eq!(list["next"], json!(null));

    let pile = farm.get("/v1/piles/2026-04").await.json();
    assert_eq!(pile["verdicts"][0]["status"], "not-met");
    assert_eq!(farm.get("/v1/piles").await.json()["items"][0], pile);
}

#[tokio::test]
async fn a_verdict_by_figures_from_memory_says_so_everywhere() {
    let farm = TestFarm::new().await;
    let new = json!({
        "pile": "2026-04", "method": "aerated-static", "material": "manure",
        "standards": ["us-produce", "eu-cmc3"],
        "spots": [{ "name": "core-north", "zone": "core", "depth_in": 24.0 }],
    });
    assert_eq!(farm.post("/v1/piles", &new).await.status, 201);
    let wanted = [("eu-cmc3", false), ("us-produce", true)];
    let says = |verdicts: &serde_json::Value| {
        let mut said: Vec<(String, bool)> = verdicts
            .as_array()
            .unwrap()
            .iter()
            .map(|one| (one["standard"].as_str().unwrap().to_owned(), one["verified"].as_bool().unwrap()))
            .collect();
        said.sort();
        said
    };
    let wanted_said = wanted.map(|(standard, verified)| (standard.to_owned(), verified));
    assert_eq!(says(&farm.get("/v1/piles/2026-04").await.json()["verdicts"]), wanted_said);
    assert_eq!(says(&farm.get("/v1/piles").await.json()["items"][0]["verdicts"]), wanted_said);
    assert_eq!(says(&farm.get("/v1/piles/2026-04/verdicts").await.json()["items"]), wanted_said);
    let metrics = farm.get("/metrics").await.body;
    for (standard, verified) in wanted {
        let line = format!("standard=\"{standard}\",status=\"not-met\",verified=\"{verified}\"");
        assert!(metrics.contains(&line), "{metrics}");
    }
    for page in ["/", "/piles/2026-04", "/about"] {
        let body = farm.get(page).await.body;
        assert!(body.contains("figures are from memory"), "{page}: {body}");
    }
}

#[tokio::test]
async fn what_is_wrong_is_said_in_one_line() {
    let farm = TestFarm::new().await;
    farm.with_pile().await;
    for (target, body, status, words) in [
        ("/v1/piles", json!({}), 400, "missing field `pile`"),
        (
            "/v1/piles",
            json!({ "pile": "A B", "method": "windrow", "material": "plant", "spots": [] }),
            400,
            "small letters",
        ),
        ("/v1/piles/none/entries", json!({ "event": "turned" }), 404, "there is no pile `none`"),
        (
            "/v1/piles/2026-03/entries",
            json!({ "event": "run-qualified", "figures": { "standard": "x" } }),
            400,
            "Heapward itself",
        ),
        (
            "/v1/piles/2026-03/entries",
            json!({ "event": "withdrawn", "figures": { "reason": "wrong pile" } }),
            400,
            "corrects: ",
        ),
        (
            "/v1/piles/2026-03/entries",
            json!({ "event": "turned", "at": "2027-05-01T15:00:00Z" }),
            400,
            "ahead of the clock",
        ),
        ("/v1/piles/2026-03/entries", json!({ "event": "turned", "note": "a\u{202e}b" }), 400, "U+202E"),
        (
            "/v1/piles/2026-03/readings",
            json!({ "spot": "toe", "value": 1, "unit": "F" }),
            400,
            "has no spot `toe`",
        ),
        (
            "/v1/piles/2026-03/readings",
            json!({ "spot": "core-north", "value": 1, "unit": "K" }),
            400,
            "write C or F",
        ),
        (
            "/v1/piles/2026-03/placements",
            json!({ "probe": "k9", "spot": "core-north", "every": "1y" }),
            400,
            "`every`",
        ),
    ] {
        let reply = farm.post(target, &body).await;
        assert_eq!(reply.status, status, "{target} {body} {reply:?}");
        assert_eq!(reply.header("content-type"), Some("application/problem+json"));
        let detail = reply.json()["detail"].as_str().unwrap().to_owned();
        assert!(detail.contains(words) && !detail.contains('\n'), "{detail}");
    }
}

#[tokio::test]
async fn raw_history_is_what_was_reported_to_the_digit() {
    let farm = TestFarm::new().await;
    farm.with_pile().await;
    let values: Vec<f64> = (0..4_000_i32).map(|n| f64::from(6_000 + n % 977) / 41.0).collect();
    for probe in ["k1", "k2", "k3", "k4"] {
        farm.readings(probe, Span::minutes(1), values.iter().copied()).await;
    }
    let mut target = "/v1/piles/2026-03/history?format=csv".to_owned();
    let mut rows = Vec::new();
    loop {
        let reply = farm.get(&target).await;
        assert_eq!(reply.status, 200);
        let mut lines = reply.body.lines();
        assert_eq!(lines.next(), Some("time,source,value,unit"));
        rows.extend(lines.map(str::to_owned));
        match reply.header("link") {
            None => break,
            Some(link) => {
                let next = link.strip_prefix('<').and_then(|link| link.split_once('>')).unwrap();
                next.0.clone_into(&mut target);
            }
        }
    }
    assert_eq!(rows.len(), 16_000);
    for (n, row) in rows.iter().enumerate() {
        let at = crate::model::time::rfc3339(BUILT + Span::minutes(i64::try_from(n / 4).unwrap()));
        assert_eq!(*row, format!("{at},k{},{},F", n % 4 + 1, values[n / 4]));
    }
    let one = farm.get("/v1/piles/2026-03/history?limit=3&after=1777647600000.2").await.json();
    assert_eq!(one["readings"][0]["source"], "k3");
    assert_eq!(one["readings"][2]["time"], "2026-05-01T15:01:00.000Z");
}

#[tokio::test]
async fn buckets_are_bounded_and_say_so() {
    let farm = TestFarm::new().await;
    farm.with_pile().await;
    farm.readings("k1", Span::minutes(1), (0..600).map(f64::from)).await;
    let hour = farm.get("/v1/piles/2026-03/history?step=1h").await.json();
    assert_eq!(hour["buckets"].as_array().unwrap().len(), 10);
    assert_eq!(
        hour["buckets"][1],
        json!({
            "time": "2026-05-01T16:00:00.000Z", "source": "k1", "spot": "core-north", "minimum": 60.0, "mean": 89.5,
            "maximum": 119.0, "count": 60, "unit": "F",
        })
    );
    let wide = farm
        .get("/v1/piles/2026-03/history?from=2000-01-01T00:00:00Z&to=2100-01-01T00:00:00Z&step=1ms")
        .await
        .json();
    assert!(wide["note"].as_str().unwrap().contains("widened"), "{wide}");
    let counted: i64 =
        wide["buckets"].as_array().unwrap().iter().map(|one| one["count"].as_i64().unwrap()).sum();
    assert_eq!(counted, 600);
    for bad in [
        "from=0&to=9e18",
        "step=0",
        "step=0m",
        "from=2026-05-02T00:00:00Z&to=2026-05-01T00:00:00Z",
        "limit=0",
        "limit=10001",
        "format=xml",
        "quantity=mass",
        "colour=red",
        "from=x&from=y",
        "after=1",
        "step=%00",
    ] {
        let reply = farm.get(&format!("/v1/piles/2026-03/history?{bad}")).await;
        assert_eq!(reply.status, 400, "{bad} {reply:?}");
    }
    assert_eq!(farm.get("/v1/piles/2026-03/history?spot=toe").await.status, 404);
}

#[tokio::test]
async fn a_known_answer_is_not_sent_again() {
    let farm = TestFarm::new().await;
    farm.with_pile().await;
    let tag = farm.get("/v1/piles/2026-03").await.header("etag").unwrap().to_owned();
    let reply = farm
        .ask("GET", "/v1/piles/2026-03", &[("If-None-Match", &tag.to_uppercase().to_lowercase())], "")
        .await;
    assert_eq!((reply.status, reply.body.as_str()), (304, ""));
    farm.readings("k1", Span::minutes(1), [60.0]).await;
    assert_eq!(farm.ask("GET", "/v1/piles/2026-03", &[("If-None-Match", &tag)], "").await.status, 200);
}

#[tokio::test]
async fn health_and_counters() {
    let farm = TestFarm::new().await;
    farm.with_pile().await;
    farm.readings("k1", Span::minutes(1), [60.0]).await;
    assert_eq!(farm.get("/healthz").await.json()["status"], "ok");
    let page = farm.get("/metrics").await.body;
    assert!(
        page.contains("heapward_verdict{pile=\"2026-03\",standard=\"us-organic\",status=\"not-met\",verified=\"true\"} 1\n"),
        "{page}"
    );
    assert!(page.contains("heapward_probe_age_seconds{probe=\"k1\",quantity=\"temperature\"} 0\n"), "{page}");
}

/// For programs a table is what was reported; for a spreadsheet it begins with local time, and no cell is a formula.
#[tokio::test]
async fn tables_are_for_programs_or_for_spreadsheets() {
    let farm = TestFarm::new().await;
    farm.with_pile().await;
    let probe = "=HYPERLINK(\"http://evil.example\",1)";
    let place = json!({ "probe": probe, "spot": "core-north", "from": "2026-05-01T15:01:00Z" });
    assert_eq!(farm.post("/v1/piles/2026-03/placements", &place).await.status, 201);
    farm.readings_from(probe, BUILT + Span::minutes(1), Span::minutes(1), [61.25, -4.0]).await;
    let quoted = "\"=HYPERLINK(\"\"http://evil.example\"\",1)\"";
    let csv = farm.get("/v1/piles/2026-03/history?format=csv").await;
    assert_eq!(
        csv.body,
        format!(
            "time,source,value,unit\n2026-05-01T15:01:00.000Z,{quoted},61.25,F\n2026-05-01T15:02:00.000Z,{quoted},-4,F\n"
        )
    );
    assert_eq!(csv.header("content-type"), Some("text/csv; charset=utf-8; header=present"));
    assert_eq!(csv.header("content-disposition"), Some("attachment; filename=\"2026-03-readings.csv\""));
    let sheet = farm.get("/v1/piles/2026-03/history?format=sheet&step=1h").await.body;
    let harmless = quoted.replacen('=', "'=", 1);
    assert_eq!(
        sheet,
        format!(
            "\u{feff}local time,time,source,minimum,mean,maximum,count,unit\r\n\
             2026-05-01 11:00:00,2026-05-01T15:00:00.000Z,{harmless},-4,28.625,61.25,2,F\r\n"
        )
    );
}
