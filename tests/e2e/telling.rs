//! Telling through the whole daemon: a card that takes nothing, a broker that dies, a kill at the wrong moment.

use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use heapward::model::time::rfc3339;
use heapward_rules::units::Span;
use heapward_tests::broker::{Broker, publish, publish_lines};
use heapward_tests::daemon::{Daemon, heapward, now};
use heapward_tests::process::free_port;
use heapward_tests::receiver::Receiver;
use heapward_tests::wait::{wait_for, wait_until};
use serde_json::json;

/// One probe, a way in, a telephone, and a heartbeat each second.
fn config(way_in: &str, receiver: &Receiver) -> String {
    format!(
        r#"
{way_in}
[[probe]]
id = "k1"
topic = "heap/k1"
every = "1m"
value = "/f"
unit = "F"
time = "/at"
time_format = "epoch_ms"

[[channel]]
name = "text"
kind = "request"
url = "http://127.0.0.1:{port}/text"
body = '{{"to": "{{{{to}}}}", "text": "{{{{text}}}}"}}'

[[contact]]
name = "Odile Marsh"
addresses = {{ text = "+15550100" }}

[heartbeat]
url = "http://127.0.0.1:{port}/alive"
every = "1s"
"#,
        port = receiver.port
    )
}

fn endpoint(port: u16) -> String {
    format!("[endpoint]\nlisten = \"127.0.0.1:{port}\"")
}

fn new_pile() -> serde_json::Value {
    json!({
        "pile": "2026-03", "method": "aerated-static", "material": "manure",
        "built": rfc3339(now() - Span::days(1)), "standards": ["us-organic"],
        "spots": [{ "name": "core-north", "zone": "core" }],
    })
}

/// A limit on the size of files, for the process as it runs: each write beyond it fails, as on a full card.
fn limit_files(process: u32, limit: &str) {
    let status = Command::new("prlimit")
        .args(["--pid", &process.to_string(), &format!("--fsize={limit}")])
        .status()
        .expect("prlimit is missing: apt-get install util-linux");
    assert!(status.success());
}

/// Beats that come in the next seconds.
fn beats_in(receiver: &Receiver, seconds: u64) -> usize {
    let before = receiver.with("/alive").len();
    std::thread::sleep(Duration::from_secs(seconds));
    receiver.with("/alive").len() - before
}

#[test]
fn a_card_that_takes_nothing_is_told_once_withholds_the_heartbeat_and_loses_nothing() {
    let dir = tempfile::tempdir().unwrap();
    let receiver = Receiver::start();
    let port = free_port();
    let mut daemon = Daemon::start(dir.path(), &config(&endpoint(port), &receiver));
    wait_until("a heartbeat", || !receiver.with("/alive").is_empty());

    let process = daemon.process().id();
    limit_files(process, "4096:unlimited");
    let began = Instant::now();
    let refused = daemon.site.try_post("/v1/piles", &new_pile());
    assert_eq!(refused.status, 503, "{}", refused.text);
    let reading = format!(r#"{{"at":{},"f":70.1}}"#, now().0);
    // It comes back when the reading is on the card.
    let publisher = std::thread::spawn(move || publish(port, "heap/k1", &reading));
    wait_until("a text about the card", || !receiver.with("can't keep readings").is_empty());
    assert!(began.elapsed() < Duration::from_mins(1));
    assert_eq!(beats_in(&receiver, 2), 0);
    assert!(!publisher.is_finished(), "a reading was acknowledged that could not be stored");

    limit_files(process, "unlimited");
    wait_until("a heartbeat", || beats_in(&receiver, 1) > 0);
    publisher.join().unwrap();
    daemon.site.post("/v1/piles", &new_pile());
    let texts = || daemon.site.get("/v1/outbox")["items"].as_array().unwrap().clone();
    let message = wait_for("the text to be in the store", || texts().first().cloned());
    wait_until("the text to be marked as sent", || {
        texts().iter().all(|one| one["delivery"]["state"] == "sent")
    });
    assert!(message["text"].as_str().unwrap().contains("can't keep readings"), "{message}");
    assert_eq!(receiver.with("/text").len(), 1);
    let incidents = daemon.site.get("/v1/incidents");
    assert_eq!(incidents["items"][0]["kind"], "store-failing");
    wait_until("its end", || daemon.site.get("/v1/incidents")["items"][0]["closed"].is_string());
}

/// What a subscriber of ours hears first on the topic of our state.
fn state(port: u16) -> String {
    let output = Command::new("mosquitto_sub")
        .args(["-h", "127.0.0.1", "-p", &port.to_string(), "-t", "heapward/status", "-C", "1", "-W", "10"])
        .stderr(Stdio::inherit())
        .output()
        .expect("mosquitto_sub is missing: apt-get install mosquitto-clients");
    String::from_utf8(output.stdout).unwrap().trim().to_owned()
}

#[test]
fn without_its_broker_the_heartbeat_stops_and_without_heapward_the_broker_says_so() {
    let dir = tempfile::tempdir().unwrap();
    let receiver = Receiver::start();
    let mut broker = Broker::start(dir.path());
    let way_in = format!("[broker]\nhost = \"127.0.0.1\"\nport = {}", broker.port);
    let mut daemon = Daemon::start(dir.path(), &config(&way_in, &receiver));
    wait_until("a heartbeat", || !receiver.with("/alive").is_empty());
    assert_eq!(state(broker.port), "online");

    broker.process().kill();
    wait_until("the heartbeat to stop", || beats_in(&receiver, 2) == 0);
    broker.start_again();
    wait_until("a heartbeat", || beats_in(&receiver, 1) > 0);

    daemon.process().kill();
    wait_until("the last will", || state(broker.port) == "offline");
}

#[test]
fn what_was_accepted_before_a_kill_comes_again_under_the_same_id() {
    let dir = tempfile::tempdir().unwrap();
    let receiver = Receiver::start();
    let port = free_port();
    let mut daemon = Daemon::start(dir.path(), &config(&endpoint(port), &receiver));
    daemon.site.post("/v1/piles", &new_pile());
    let placement = json!({ "probe": "k1", "spot": "core-north", "from": rfc3339(now() - Span::days(1)) });
    daemon.site.post("/v1/piles/2026-03/placements", &placement);

    receiver.fall_mute();
    let hot: Vec<String> = (0..20)
        .rev()
        .map(|minute| format!(r#"{{"at":{},"f":163.4}}"#, (now() - Span::minutes(minute)).0))
        .collect();
    publish_lines(port, "heap/k1", &hot);
    wait_until("a text", || !receiver.with("/text").is_empty());
    daemon.process().kill();
    receiver.speak_again();
    daemon.start_again();
    daemon.wait();
    wait_until("the text again", || receiver.with("/text").len() == 2);
    let texts = receiver.with("/text");
    let id = |n: usize| texts[n].header("idempotency-key").unwrap();
    assert_eq!(id(0), id(1));
    assert_eq!(texts[0].body, texts[1].body);
    assert!(texts[0].body.contains("above 160 F"), "{}", texts[0].body);
    wait_until("the text to be marked as sent", || {
        let outbox = daemon.site.get("/v1/outbox");
        outbox["items"].as_array().unwrap().iter().all(|one| one["delivery"]["state"] == "sent")
    });
    assert_eq!(receiver.with("/text").len(), 2);
    let out = &daemon.site.get("/v1/about")["messages_out"];
    assert_eq!((&out["sent"], &out["waiting"], &out["failed"]), (&json!(1), &json!(0), &json!(0)), "{out}");
}

/// Readings of the probe, one a minute, from and to so many minutes ago.
fn readings(from: i64, to: i64, f: f64) -> Vec<String> {
    let minutes = (to..=from).rev();
    minutes.map(|minute| format!(r#"{{"at":{},"f":{f}}}"#, (now() - Span::minutes(minute)).0)).collect()
}

/// What `heapward incidents ...` prints; it must be good.
#[track_caller]
fn incidents(daemon: &Daemon, args: &[&str]) -> String {
    let config = daemon.config().to_str().unwrap();
    let output = heapward(&[&["incidents"], args, &["--config", config]].concat());
    let (out, err) = (String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr));
    assert!(output.status.success(), "{args:?}: {out}{err}");
    out.into_owned()
}

/// Waits until the list of incidents holds a text, and gives it.
fn list_with(daemon: &Daemon, text: &str) -> String {
    wait_for(text, || Some(incidents(daemon, &[])).filter(|list| list.contains(text)))
}

#[test]
fn an_incident_is_shown_seen_and_muted_from_the_command_line_and_over_in_the_end() {
    let dir = tempfile::tempdir().unwrap();
    let receiver = Receiver::start();
    let port = free_port();
    let daemon = Daemon::start(dir.path(), &config(&endpoint(port), &receiver));
    daemon.site.post("/v1/piles", &new_pile());
    let placement = json!({ "probe": "k1", "spot": "core-north", "from": rfc3339(now() - Span::days(1)) });
    daemon.site.post("/v1/piles/2026-03/placements", &placement);
    assert_eq!(incidents(&daemon, &[]), "Nothing was noticed.\n");
    let texts = || receiver.with("/text").len();

    publish_lines(port, "heap/k1", &readings(70, 54, 163.4));
    let list = list_with(&daemon, "opened: Odile Marsh by text\n");
    assert!(list.starts_with("open   2026-03 overheating core-north (act), told, since "), "{list}");
    assert!(list.contains(", worst 163.4 F\n"), "{list}");
    let id = list.lines().find_map(|line| line.strip_prefix("    id ")).unwrap();

    assert!(incidents(&daemon, &["seen", id]).starts_with("Noted: "));
    let list = incidents(&daemon, &["--open"]);
    assert!(list.contains(" (act), seen, since ") && list.contains(" seen: nobody\n"), "{list}");
    let unknown = heapward(&["incidents", "seen", "x", "--config", daemon.config().to_str().unwrap()]);
    assert!(!unknown.status.success());
    assert!(String::from_utf8_lossy(&unknown.stderr).contains("there is no open incident x"));

    let muted = incidents(&daemon, &["mute", "2026-03", "watering now", "--for", "30m"]);
    assert!(muted.starts_with("No messages about pile 2026-03 for 30 min; danger is told"), "{muted}");
    assert!(incidents(&daemon, &["--open"]).contains(", quiet until "));
    let page = daemon.site.text("/piles/2026-03");
    assert!(
        page.contains("No messages about this pile until ") && page.contains(": watering now. "),
        "{page}"
    );

    // Worse while it is quiet: it is written down, and only danger is told.
    publish_lines(port, "heap/k1", &readings(53, 37, 172.4));
    let list = list_with(&daemon, " (urgent), ");
    assert!(list.contains(", worst 172.4 F"), "{list}");
    assert_eq!(texts(), 1, "{list}");
    publish_lines(port, "heap/k1", &readings(36, 33, 186.2));
    list_with(&daemon, "worsened-danger: Odile Marsh by text\n");

    publish_lines(port, "heap/k1", &readings(32, 0, 140.0));
    let list = list_with(&daemon, "all-clear: Odile Marsh by text\n");
    assert!(list.starts_with("over   2026-03 overheating core-north (danger), over, since "), "{list}");
    assert!(list.contains(", worst 186.2 F\n"), "{list}");
    assert!(!incidents(&daemon, &["--open"]).contains("overheating"));
    let said = receiver.with("/text");
    for (text, words) in said.iter().zip(["above 160 F since", "FIRE RISK", "heat is over"]) {
        assert!(text.body.contains(words), "{words}: {}", text.body);
    }
    assert_eq!(said.len(), 3);
}
