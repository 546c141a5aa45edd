//! The pages in a real browser, and the API against its own description.
//!
//! The browser is Debian's chromium, driven by `browser.py` (Playwright); axe-core looks for what people with a screen
//! reader, a weak eye or a keyboard would stumble over. `schemathesis` asks a running daemon everything that its
//! description allows, and much that it does not.

#![expect(clippy::unwrap_used, reason = "where a test can't be set up it has to fail")]

use std::io::Write;
use std::net::TcpStream;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use heapward_tests::broker::{Broker, publish};
use heapward_tests::daemon::{Daemon, heapward};
use heapward_tests::mail::python;
use heapward_tests::repository;
use heapward_tests::wait::wait_until;
use serde_json::json;

/// One probe for each pile.
const PROBES: [&str; 3] = ["k1", "k2", "k3"];

/// A daemon that hears a real broker.
fn farm(dir: &Path) -> (Broker, Daemon) {
    let broker = Broker::start(dir);
    let probe = |id| {
        format!(
            "[[probe]]\nid = \"{id}\"\ntopic = \"barn/{id}\"\nevery = \"1m\"\nvalue = \"/t\"\nunit = \"F\""
        )
    };
    let probes = PROBES.map(probe).join("\n");
    let config = format!("[broker]\nhost = \"127.0.0.1\"\nport = {}\n{probes}\n", broker.port);
    let daemon = Daemon::start(dir, &config);
    wait_until("the daemon to be connected", || {
        daemon.site.get("/v1/about")["messages_in"]["connected"] == json!(true)
    });
    (broker, daemon)
}

/// The code of the link that `heapward pair` shows.
fn code(daemon: &Daemon) -> String {
    let output = heapward(&["pair", "--config", &daemon.config().display().to_string()]);
    let text = String::from_utf8_lossy(&output.stdout);
    let link = text.lines().find_map(|line| line.split_once("/pair/"));
    link.unwrap_or_else(|| panic!("no link: {output:?}")).1.to_owned()
}

/// The grower's way through the pages: pair the phone, start a pile, place a probe, see what comes over MQTT, read by
/// hand, see the verdict follow. At a phone's width, a tablet's and a desk's.
#[test]
fn the_growers_way_through_the_pages() {
    let dir = tempfile::tempdir().unwrap();
    let (broker, daemon) = farm(dir.path());
    let screens = [("2026-01", 360, 640), ("2026-02", 768, 1_024), ("2026-03", 1_280, 900)];
    for ((pile, width, height), probe) in screens.into_iter().zip(PROBES) {
        let mut browser = Command::new(python())
            .arg(repository().join("tests/pages/browser.py"))
            .args([&format!("http://127.0.0.1:{}", daemon.site.port), &code(&daemon), pile, probe])
            .args([&width.to_string(), &height.to_string()])
            .stdout(Stdio::piped())
            .spawn()
            .expect("tests/run makes the Python environment with Playwright");
        // The script says when it waits for a reading: `PUBLISH 132.5`.
        let lines = std::io::BufRead::lines(std::io::BufReader::new(browser.stdout.take().unwrap()));
        for line in lines.map_while(Result::ok) {
            match line.strip_prefix("PUBLISH ") {
                Some(value) => publish(broker.port, &format!("barn/{probe}"), &format!("{{\"t\":{value}}}")),
                None => println!("{line}"),
            }
        }
        let status = browser.wait().unwrap();
        assert!(status.success(), "the browser's way at {width} pixels ended with {status}; see above");
    }
}

/// Everything that the description allows, and much that it does not, at a daemon with a pile: no error of the
/// server, no answer that is not described.
#[test]
fn the_api_is_as_described() {
    let dir = tempfile::tempdir().unwrap();
    let (broker, daemon) = farm(dir.path());
    let spots = json!([{ "name": "core-north", "zone": "core" }, { "name": "outer-south", "zone": "outer" }]);
    let pile = json!({ "pile": "2026-03", "method": "aerated-static", "material": "manure", "spots": spots });
    daemon.site.post("/v1/piles", &pile);
    daemon.site.post("/v1/piles/2026-03/placements", &json!({ "probe": "k1", "spot": "core-north" }));
    publish(broker.port, "barn/k1", "{\"t\":61.2}");
    publish(broker.port, "barn/k2", "no reading at all");
    wait_until("the readings", || {
        daemon.site.get("/v1/probes")["items"].as_array().is_some_and(|all| !all.is_empty())
    });
    schemathesis(&daemon, dir.path(), "", &["--exclude-checks", "ignored_auth"]);
    let existing = "[parameters]\npile = \"2026-03\"\n";
    let phases = "coverage,fuzzing";
    schemathesis(&daemon, dir.path(), existing, &["--exclude-checks", "ignored_auth", "--phases", phases]);
    // Wrong passes shut the address out for a minute, so they come last.
    schemathesis(&daemon, dir.path(), "", &["--checks", "ignored_auth", "--phases", "coverage"]);
}

/// One run with our configuration; `more` is put before it. `HEAPWARD_SEED` sets another seed.
#[track_caller]
fn schemathesis(daemon: &Daemon, dir: &Path, more: &str, options: &[&str]) {
    let config = dir.join("schemathesis.toml");
    std::fs::write(&config, format!("{more}{}", include_str!("schemathesis.toml"))).unwrap();
    let program = python().with_file_name("schemathesis");
    let description = format!("http://127.0.0.1:{}/v1/openapi.json", daemon.site.port);
    let pass = format!("Authorization: Bearer {}", daemon.site.pass.as_deref().unwrap());
    let run = Command::new(&program)
        .arg("--config-file")
        .arg(&config)
        .args(["run", &description, "--header", &pass, "--max-failures", "10", "--no-shrink"])
        .args(options)
        .args(std::env::var("HEAPWARD_SEED").iter().flat_map(|seed| ["--seed", seed.as_str()]))
        .current_dir(dir)
        .output()
        .unwrap_or_else(|error| panic!("{} can't be started ({error}): run tests/run", program.display()));
    let text = String::from_utf8_lossy(&run.stdout);
    println!("{text}");
    assert!(run.status.success(), "schemathesis {options:?}: {}", String::from_utf8_lossy(&run.stderr));
}

/// Five hundred clients that send half a request: somebody who asks is served at once, and the crowd costs little.
#[test]
fn a_crowd_of_slow_clients_costs_little() {
    let dir = tempfile::tempdir().unwrap();
    let (_broker, mut daemon) = farm(dir.path());
    let before = resident_kib(daemon.process().id());
    let mut crowd = Vec::new();
    let begun = Instant::now();
    while crowd.len() < 500 {
        let mut stream = TcpStream::connect(("127.0.0.1", daemon.site.port)).unwrap();
        // The daemon may have put this one out already.
        let _ = stream.write_all(b"GET / HTTP/1.1\r\nHost: loc");
        crowd.push(stream);
        if crowd.len() % 50 == 0 {
            let asked = Instant::now();
            daemon.site.text("/healthz");
            assert!(asked.elapsed() < Duration::from_secs(1), "{:?}", asked.elapsed());
        }
    }
    let after = resident_kib(daemon.process().id());
    println!("resident: {before} KiB, with the crowd {after} KiB, {:?}", begun.elapsed());
    assert!(after < before + 8 * 1024, "{before} KiB became {after} KiB");
}

fn resident_kib(id: u32) -> u64 {
    let status = std::fs::read_to_string(format!("/proc/{id}/status")).unwrap();
    let line = status.lines().find_map(|line| line.strip_prefix("VmRSS:")).unwrap();
    line.trim().trim_end_matches(" kB").parse().unwrap()
}

/// Whatever is asked and answered with a pass, it is never written down.
#[test]
fn no_pass_stands_in_the_log() {
    let dir = tempfile::tempdir().unwrap();
    let (_broker, mut daemon) = farm(dir.path());
    let pass = daemon.site.pass.clone().unwrap();
    let code = code(&daemon);
    daemon.site.text("/v1/piles");
    for path in [format!("/v1/piles?pass={pass}"), format!("/pair/{code}"), format!("/{pass}")] {
        assert!(daemon.site.try_get(&path).is_some());
    }
    let log = daemon.process().log();
    assert!(log.contains("ready"), "{log}");
    for secret in [pass.as_str(), code.as_str()] {
        assert!(!log.contains(secret), "{log}");
    }
}
