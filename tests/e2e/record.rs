//! From messages of an ordinary MQTT client to the record on paper: what it says is what the daemon says.

use std::process::Command;

use heapward::model::time::{local, parse_rfc3339, rfc3339};
use heapward_rules::units::{At, Span};
use heapward_tests::broker::{Broker, publish_lines};
use heapward_tests::daemon::{Daemon, heapward, noon_zone, now};
use heapward_tests::wait::wait_for;
use serde_json::{Value, json};

const HOURS: i64 = 90;

/// Two spots, a reading each five minutes: 70 F and 0.5 F more each time, up to 140 F and a little.
fn published(built: At, late: i64) -> Vec<String> {
    let steps = HOURS * 12;
    let reading = |step: i64| {
        let tenths = 700 + ((step - late).max(0) * 5).min(700) + step % 7;
        format!(r#"{{"at":{},"f":{}.{}}}"#, (built + Span(step * 300_000 + 17)).0, tenths / 10, tenths % 10)
    };
    (0..steps).map(reading).collect()
}

fn text_of(pdf: &std::path::Path) -> String {
    let output =
        Command::new("pdftotext").args(["-raw", &pdf.display().to_string(), "-"]).output().unwrap_or_else(
            |error| panic!("pdftotext can't be started ({error}): apt-get install poppler-utils"),
        );
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8_lossy(&output.stdout).split_whitespace().collect::<Vec<_>>().join(" ")
}

#[test]
fn readings_over_mqtt_become_a_record_that_says_what_the_daemon_says() {
    let dir = tempfile::tempdir().unwrap();
    let broker = Broker::start(dir.path());
    let probe = |probe: &str| {
        format!(
            "[[probe]]\nid = \"{probe}\"\ntopic = \"heap/{probe}\"\nevery = \"5m\"\nvalue = \"/f\"\nunit = \"F\"\n\
             time = \"/at\"\ntime_format = \"epoch_ms\"\n"
        )
    };
    let rest =
        format!("[broker]\nhost = \"127.0.0.1\"\nport = {}\n{}{}", broker.port, probe("k1"), probe("k2"));
    let daemon = Daemon::start(dir.path(), &rest);
    let site = daemon.site.clone();
    let built = now() - Span::hours(HOURS) - Span::minutes(1);
    let spots =
        json!([{ "name": "core", "zone": "core", "depth_in": 24 }, { "name": "toe", "zone": "base" }]);
    site.post(
        "/v1/piles",
        &json!({ "pile": "2026-03", "method": "aerated-static", "material": "manure", "built": rfc3339(built),
                 "standards": ["us-organic"], "spots": spots,
                 "mix": ["horse-manure=2yd3 Bram Okafor", "leaves=4yd3"] }),
    );
    for (spot, probe, late) in [("core", "k1", 12), ("toe", "k2", 24)] {
        site.post(
            "/v1/piles/2026-03/placements",
            &json!({ "probe": probe, "spot": spot, "from": rfc3339(built) }),
        );
        publish_lines(broker.port, &format!("heap/{probe}"), &published(built, late));
    }
    let fed = json!({ "name": "Horse manure", "class": "manure", "source": "Tansy Ford stables" });
    site.post("/v1/piles/2026-03/entries", &json!({ "event": "feedstock", "figures": fed, "by": "OM" }));
    let counting = 2 * (HOURS * 12 - 6);
    let answer: Value = wait_for("the pile to qualify", || {
        let pile = site.get("/v1/piles/2026-03");
        (pile["readings"]["counting"].as_i64() == Some(counting)
            && pile["verdicts"][0]["status"] == "qualified")
            .then_some(pile)
    });

    let out = dir.path().join("stick");
    let (folder, config) = (out.display().to_string(), daemon.config().display().to_string());
    let done = heapward(&["record", "2026-03", "--out", &folder, "--config", &config]);
    assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
    let zone: chrono_tz::Tz = noon_zone().parse().unwrap();
    let exactly = |at: &Value| {
        let at = parse_rfc3339(at.as_str().unwrap()).unwrap();
        local(at, zone).format("%Y-%m-%d %H:%M:%S %:z").to_string()
    };
    for paper in ["record-a4.pdf", "record-letter.pdf"] {
        let text = text_of(&out.join(paper));
        let has = |fact: &str| assert!(text.contains(fact), "{paper} does not say `{fact}`:\n{text}");
        let verdict = &answer["verdicts"][0];
        has(&format!("on {}", exactly(&verdict["at"])));
        has(&format!("the last spot to get there was {}", verdict["held_up_by"].as_str().unwrap()));
        for spot in verdict["spots"].as_array().unwrap() {
            has(&exactly(&spot["qualified_at"]));
        }
        has(&format!("Of the temperature readings {counting} count"));
        has("Tansy Ford stables");
        // What was kept with the pile: from whom, and how the ratio was computed.
        for kept in
            ["Horse manure, general with bedding", "Bram Okafor", "Recipe: C:N 36.4 (29.1 to 52.7) to 1"]
        {
            has(kept);
        }
    }
    // What was written now fits together, though hardly a day of it can be sealed yet.
    let checked = heapward(&["verify", &folder]);
    assert!(checked.status.success(), "{}", String::from_utf8_lossy(&checked.stderr));
    let script = Command::new("sh").arg(out.join("verify.sh")).output().unwrap();
    assert!(script.status.success(), "{}", String::from_utf8_lossy(&script.stdout));
    // The page shows the same document.
    let page = site.text("/piles/2026-03/record");
    assert!(page.contains(&exactly(&answer["verdicts"][0]["at"])), "{page}");
    let refused = site.try_get("/piles/2026-03/record.pdf?paper=a5").unwrap();
    assert_eq!(refused.status, 400, "{}", refused.text);
}
