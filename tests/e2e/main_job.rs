//! The main job on real parts: from messages of an ordinary MQTT client to a verdict, a text, a mail and the history.
//!
//! Pile 2026-03 was built eighty hours ago; its four probes report once a minute with their own times. Pile 2026-04 is
//! a day old and has just crossed 160 F.

use heapward::model::time::rfc3339;
use heapward_rules::units::{At, Span};
use heapward_tests::broker::{Broker, publish_lines};
use heapward_tests::daemon::{Daemon, now};
use heapward_tests::mail::MailServer;
use heapward_tests::receiver::Receiver;
use heapward_tests::site::Site;
use heapward_tests::wait::{wait_for, wait_until};
use serde_json::{Value, json};

/// Spot, its probe, zone, and the minute in which it starts to be warmer than its first 70 F.
const SPOTS: [(&str, &str, &str, i64); 4] = [
    ("core-north", "k1", "core", 40),
    ("core-south", "k2", "core", 55),
    ("outer-south", "k3", "outer", 130),
    ("toe", "k4", "base", 95),
];
const MINUTES: i64 = 80 * 60;

/// A reading as the probe publishes it: when, and degrees Fahrenheit with one decimal.
type Published = (At, String);

/// A spot that climbs by 0.2 F a minute to 141 F and some, with the probe's own odd milliseconds.
fn climbing(built: At, spot: usize) -> Vec<Published> {
    let start = SPOTS[spot].3;
    let reading = |minute: i64| {
        let odd_ms = (minute * 377 + i64::try_from(spot).unwrap() * 119) % 1_000;
        let at = built + Span(minute * 60_000 + odd_ms);
        let tenths = 700 + ((minute - start).max(0) * 2).min(710) + (minute * 7) % 10;
        (at, format!("{}.{}", tenths / 10, tenths % 10))
    };
    (0..MINUTES).map(reading).collect()
}

/// Steady at 150 F, and above 160 F in the last twenty minutes.
fn overheating(built: At, now: At) -> Vec<Published> {
    let minutes = (now - built).0 / 60_000;
    let reading = |minute: i64| {
        let tenths = if minute > minutes - 20 { 1_620 } else { 700 + (minute * 5).min(800) };
        let tenths = tenths + minute % 4;
        (built + Span(minute * 60_000 + 250), format!("{}.{}", tenths / 10, tenths % 10))
    };
    (0..minutes).map(reading).collect()
}

fn publish(broker: &Broker, probe: &str, readings: &[Published]) {
    let lines: Vec<String> = readings.iter().map(|(at, f)| format!(r#"{{"at":{},"f":{f}}}"#, at.0)).collect();
    publish_lines(broker.port, &format!("heap/{probe}"), &lines);
}

fn probe_block(probe: &str) -> String {
    format!(
        "[[probe]]\nid = \"{probe}\"\ntopic = \"heap/{probe}\"\nevery = \"1m\"\nvalue = \"/f\"\nunit = \"F\"\n\
         time = \"/at\"\ntime_format = \"epoch_ms\"\n"
    )
}

fn config(broker: &Broker, mail: &MailServer, receiver: &Receiver) -> String {
    let probes: String = ["k1", "k2", "k3", "k4", "k5"].iter().map(|probe| probe_block(probe)).collect();
    format!(
        r#"
[broker]
host = "127.0.0.1"
port = {}

{probes}
[[channel]]
name = "mail"
kind = "mail"
host = "127.0.0.1"
port = {}
security = "plain"
from = "Heapward <barn@quillback.example>"

[[channel]]
name = "text"
kind = "request"
url = "http://127.0.0.1:{}/v1/messages"
body = '{{"to": "{{{{to}}}}", "text": "{{{{text}}}}"}}'

[[contact]]
name = "Odile Marsh"
addresses = {{ text = "+15550100", mail = "odile@quillback.example" }}
"#,
        broker.port, mail.port, receiver.port
    )
}

fn begin_pile(site: &Site, pile: &str, built: At, spots: &[(&str, &str, &str, i64)]) {
    let named: Vec<Value> =
        spots.iter().map(|(name, _, zone, _)| json!({ "name": name, "zone": zone })).collect();
    let new = json!({
        "pile": pile, "method": "aerated-static", "material": "manure", "built": rfc3339(built),
        "initial_cn": 30.0, "standards": ["us-organic"], "spots": named,
    });
    site.post("/v1/piles", &new);
    for (name, probe, _, _) in spots {
        let placement = json!({ "probe": probe, "spot": name, "from": rfc3339(built) });
        site.post(&format!("/v1/piles/{pile}/placements"), &placement);
    }
}

/// All rows of the history as CSV, page by page.
fn history(site: &Site, pile: &str, spot: &str) -> Vec<String> {
    let mut rows = Vec::new();
    let mut after = String::new();
    loop {
        let page = site.get(&format!("/v1/piles/{pile}/history?spot={spot}&limit=5000{after}"));
        let items = page["readings"].as_array().unwrap_or_else(|| panic!("no readings in {page}"));
        rows.extend(items.iter().map(|item| format!("{} {}", item["time"].as_str().unwrap(), item["value"])));
        match page["next"].as_str() {
            Some(next) => after = format!("&after={next}"),
            None => return rows,
        }
    }
}

#[test]
fn from_a_message_to_a_verdict_a_text_a_mail_and_the_history() {
    let dir = tempfile::tempdir().unwrap();
    let mut broker = Broker::start(dir.path());
    let mail = MailServer::start(dir.path());
    let receiver = Receiver::start();
    let mut daemon = Daemon::start(dir.path(), &config(&broker, &mail, &receiver));
    let site = daemon.site.clone();

    let now = now();
    let built = now - Span(MINUTES * 60_000 + 5_000);
    begin_pile(&site, "2026-03", built, &SPOTS);
    let published: Vec<Vec<Published>> = (0..SPOTS.len()).map(|spot| climbing(built, spot)).collect();
    for (readings, (_, probe, _, _)) in published.iter().zip(SPOTS) {
        publish(&broker, probe, readings);
    }

    // The three days are over when the spot that got warm last has had 72 h since its last reading below 131.0 F.
    let warm = |readings: &Vec<Published>| {
        let cold = readings.iter().rposition(|(_, f)| f.parse::<f64>().unwrap() < 131.0).unwrap();
        readings[cold + 1].0
    };
    let expected = published.iter().map(warm).max().unwrap() + Span::hours(72);
    let verdict = wait_for("the pile to qualify", || {
        let pile = site.get("/v1/piles/2026-03");
        let all = pile["readings"]["counting"].as_i64() == Some(4 * (MINUTES - 30));
        (all && pile["verdicts"][0]["status"] == "qualified").then(|| pile["verdicts"][0].clone())
    });
    assert_eq!(verdict["at"], rfc3339(expected), "{verdict}");
    assert_eq!(verdict["held_up_by"], "outer-south", "{verdict}");
    assert_eq!(verdict["cautions"], json!([]), "{verdict}");

    for (readings, (spot, ..)) in published.iter().zip(SPOTS) {
        let wanted: Vec<String> = readings.iter().map(|(at, f)| format!("{} {f}", rfc3339(*at))).collect();
        let got = history(&site, "2026-03", spot);
        assert_eq!(got.len(), wanted.len(), "{spot}");
        for (got, wanted) in got.iter().zip(&wanted) {
            assert_eq!(got, wanted, "{spot}");
        }
    }
    assert_eq!(
        (receiver.requests().len(), mail.mails().len()),
        (0, 0),
        "nothing is told about a good pile at once"
    );

    let built = now - Span::hours(20);
    begin_pile(&site, "2026-04", built, &[("core-a", "k5", "core", 0)]);
    publish(&broker, "k5", &overheating(built, now));
    wait_until("the text", || !receiver.requests().is_empty());
    wait_until("the mail", || !mail.mails().is_empty());
    check_messages(&receiver, &mail);

    // Whatever else might be told has had its chance when everything is stopped in order.
    assert_eq!(daemon.process().stop().code(), Some(0));
    assert_eq!(broker.stop().code(), Some(0));
    assert_eq!((receiver.requests().len(), mail.mails().len()), (1, 1), "one text and one mail, no more");
}

fn check_messages(receiver: &Receiver, mail: &MailServer) {
    let request = receiver.requests().remove(0);
    assert_eq!(request.line, "POST /v1/messages");
    let body: Value = serde_json::from_str(&request.body).unwrap();
    assert_eq!(body["to"], "+15550100");
    let text = body["text"].as_str().unwrap();
    assert!(text.starts_with("Pile 2026-04: core-a 162 F, above 160 F since "), "{text}");
    assert!(text.contains("Run the air longer or more often"), "{text}");
    assert!(text.len() <= 160, "{text}");

    let mail = mail.mails().remove(0);
    assert_eq!(mail.to, ["odile@quillback.example"]);
    assert_eq!(mail.subject, "Quillback Farm: pile 2026-04, core-a above 160 F");
    assert!(mail.text.as_deref().is_some_and(|body| body.contains("above 160 F since")), "{mail:?}");
}
