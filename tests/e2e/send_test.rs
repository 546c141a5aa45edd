//! `heapward send-test` by the ways that need another program: a modem behind `ModemManager`, a lamp behind a broker.

use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use heapward_tests::broker::Broker;
use heapward_tests::daemon::{binary, config_text};
use heapward_tests::mail::python;
use heapward_tests::process::{Process, free_port};
use heapward_tests::repository;
use heapward_tests::wait::wait_until;
use serde_json::{Value, json};

/// A bus of its own, and a program on it that does what `ModemManager` does.
struct Modem {
    bus: String,
    calls: PathBuf,
    _processes: [Process; 2],
}

impl Modem {
    fn start(dir: &Path, mood: &str) -> Modem {
        let socket = dir.join("bus");
        let bus = format!("unix:path={}", socket.display());
        let mut command = Command::new("dbus-daemon");
        command.args(["--session", "--nofork", "--nopidfile", &format!("--address={bus}")]);
        let daemon = Process::start(&mut command, &dir.join("bus.log"), "apt-get install dbus-daemon");
        wait_until("the bus to listen", || socket.exists());
        let calls = dir.join("calls.jsonl");
        let mut command = Command::new(python());
        command.arg(repository().join("tests/servers/modem.py")).arg(&calls).arg(mood);
        command.env("DBUS_SYSTEM_BUS_ADDRESS", &bus);
        let log = dir.join("modem.log");
        let mut modem = Process::start(&mut command, &log, "apt-get install python3-venv, then tests/run");
        wait_until("the modem", || {
            assert!(modem.is_running(), "the modem ended; tests/run installs jeepney:\n{}", modem.log());
            modem.log().contains("ready")
        });
        Modem { bus, calls, _processes: [daemon, modem] }
    }

    fn calls(&self) -> Vec<Value> {
        let text = std::fs::read_to_string(&self.calls).unwrap_or_default();
        text.lines().map(|line| serde_json::from_str(line).unwrap()).collect()
    }
}

fn send_test(dir: &Path, rest: &str, bus: &str) -> Output {
    let config = dir.join("heapward.toml");
    std::fs::write(&config, config_text(dir, free_port(), rest)).unwrap();
    Command::new(binary())
        .args(["send-test", "--config"])
        .arg(&config)
        .env("DBUS_SYSTEM_BUS_ADDRESS", bus)
        .output()
        .unwrap()
}

const BY_MODEM: &str = r#"
[endpoint]
listen = "127.0.0.1:1883"

[[channel]]
name = "stick"
kind = "modem"

[[contact]]
name = "Odile Marsh"
addresses = { stick = "+1 555-0100" }
"#;

#[test]
fn a_text_goes_out_by_a_modem_or_it_is_said_why_not() {
    for (mood, said) in [
        ("good", "sent    Odile Marsh by stick to +1 555-0100"),
        (
            "refuses",
            "FAILED  Odile Marsh by stick to +1 555-0100: the modem refuses: Call failed: No network (would be tried again)",
        ),
        (
            "none",
            "FAILED  Odile Marsh by stick to +1 555-0100: ModemManager knows no modem that sends texts; look at `mmcli -L`, \
             the SIM card and its PIN (would be tried again)",
        ),
    ] {
        let dir = tempfile::tempdir().unwrap();
        let modem = Modem::start(dir.path(), mood);
        let output = send_test(dir.path(), BY_MODEM, &modem.bus);
        let out = String::from_utf8(output.stdout).unwrap();
        assert_eq!(out.trim(), said, "{}", String::from_utf8_lossy(&output.stderr));
        assert_eq!(output.status.success(), mood == "good", "{mood}");
        let text = "Test from Heapward at Quillback Farm: stick works. Real messages name the pile, the figure and what to do.";
        let made = json!(["Create", [{ "number": ["s", "+15550100"], "text": ["s", text] }]]);
        let deleted = json!(["Delete", ["/org/freedesktop/ModemManager1/SMS/7"]]);
        let wanted = if mood == "none" { vec![] } else { vec![made, json!(["Send", []]), deleted] };
        assert_eq!(modem.calls(), wanted, "{mood}");
    }
    // Nobody on the bus, no bus.
    let dir = tempfile::tempdir().unwrap();
    let output = send_test(dir.path(), BY_MODEM, "unix:path=/nowhere/bus");
    let out = String::from_utf8(output.stdout).unwrap();
    assert!(out.starts_with("FAILED  Odile Marsh by stick") && out.contains("would be tried again"), "{out}");
}

const LAMP: &str = r#"
[[channel]]
name = "lamp"
kind = "publish"
topic = "barn/lamp"
body = "{{level}}"

[[channel]]
name = "stick"
kind = "modem"

[[contact]]
name = "Odile Marsh"
addresses = { lamp = "barn", stick = "+15550100" }
"#;

/// A lamp with a session of its own, as `mosquitto_sub` with these options shows it.
fn listen(port: &str, options: &[&str]) -> String {
    let output = Command::new("mosquitto_sub")
        .args(["-h", "127.0.0.1", "-p", port, "-i", "lamp", "-c", "-q", "1", "-t", "barn/lamp"])
        .args(options)
        .output()
        .expect("mosquitto_sub is missing: apt-get install mosquitto-clients");
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout).unwrap()
}

#[test]
fn a_lamp_behind_a_broker_is_tried_and_one_that_can_not_be_tried_stops_no_other() {
    let dir = tempfile::tempdir().unwrap();
    let modem = Modem::start(dir.path(), "good");
    let mut broker = Broker::start(dir.path());
    let port = broker.port.to_string();
    // The broker keeps for it what comes meanwhile.
    listen(&port, &["-E"]);

    let with_broker = format!("[broker]\nhost = \"127.0.0.1\"\nport = {port}\n{LAMP}");
    let output = send_test(dir.path(), &with_broker, &modem.bus);
    let out = String::from_utf8(output.stdout).unwrap();
    assert!(output.status.success(), "{out}");
    assert!(out.starts_with("sent    Odile Marsh by lamp to barn\nsent    Odile Marsh by stick"), "{out}");
    assert_eq!(listen(&port, &["-v", "-C", "1", "-W", "60"]), "barn/lamp note\n");

    broker.process().kill();
    let with_endpoint = format!("[endpoint]\nlisten = \"127.0.0.1:1883\"\n{LAMP}");
    for (config, why) in [(with_broker, "127.0.0.1"), (with_endpoint, "the running Heapward alone")] {
        let output = send_test(dir.path(), &config, &modem.bus);
        let out = String::from_utf8(output.stdout).unwrap();
        let lines: Vec<&str> = out.lines().collect();
        assert_eq!(lines.len(), 2, "{out}");
        assert!(lines[0].starts_with("FAILED  Odile Marsh by lamp") && lines[0].contains(why), "{out}");
        assert!(lines[1].starts_with("sent    Odile Marsh by stick"), "{out}");
        assert_eq!(output.status.code(), Some(1), "{out}");
    }
}
