//! The pages in a real browser, and the API against its own description.
//!
//! The browser is Debian's chromium, driven by `browser.py` (Playwright); axe-core looks for what people with a screen
//! reader, a weak eye or a keyboard would stumble over. `schemathesis` asks a running daemon everything that its
//! description allows, and much that it does not.

#![expect(clippy::unwrap_used, clippy::expect_used, reason = "where a test can't be set up it has to fail")]

use std::path::Path;
use std::process::{Command, Stdio};

use heapward::clock::{Clock, SystemClock};
use heapward::http::Keys;
use heapward_tests::broker::{Broker, publish};
use heapward_tests::daemon::Daemon;
use heapward_tests::mail::python;
use heapward_tests::repository;
use heapward_tests::wait::wait_until;
use serde_json::json;

const PROBES: &str = "
[[probe]]
id = \"k1\"
topic = \"barn/k1\"
every = \"1m\"
value = \"/t\"
unit = \"F\"
[[probe]]
id = \"k2\"
topic = \"barn/k2\"
every = \"1m\"
value = \"/t\"
unit = \"F\"
";

/// A daemon that hears a real broker.
fn farm(dir: &Path) -> (Broker, Daemon) {
    let broker = Broker::start(dir);
    let config = format!("[broker]\nhost = \"127.0.0.1\"\nport = {}\n{PROBES}", broker.port);
    let daemon = Daemon::start(dir, &config);
    wait_until("the daemon to be connected", || {
        daemon.site.get("/v1/about")["messages_in"]["connected"] == json!(true)
    });
    (broker, daemon)
}

fn code(dir: &Path) -> String {
    Keys::new(&dir.join("records")).make_code(SystemClock::new(true).now()).unwrap()
}

/// The grower's way through the pages: pair the phone, start a pile, place a probe, see what comes over MQTT, read by
/// hand, see the verdict follow. At a phone's width, a tablet's and a desk's.
#[test]
fn the_growers_way_through_the_pages() {
    let dir = tempfile::tempdir().unwrap();
    let (broker, daemon) = farm(dir.path());
    for (pile, width, height) in [("2026-01", 360, 640), ("2026-02", 768, 1_024), ("2026-03", 1_280, 900)] {
        let mut browser = Command::new(python())
            .arg(repository().join("tests/pages/browser.py"))
            .args([&format!("http://127.0.0.1:{}", daemon.site.port), &code(dir.path()), pile])
            .args([&width.to_string(), &height.to_string()])
            .stdout(Stdio::piped())
            .spawn()
            .expect("tests/run makes the Python environment with Playwright");
        // The script says when it waits for a reading: `PUBLISH 132.5`.
        let lines = std::io::BufRead::lines(std::io::BufReader::new(browser.stdout.take().unwrap()));
        for line in lines.map_while(Result::ok) {
            match line.strip_prefix("PUBLISH ") {
                Some(value) => publish(broker.port, "barn/k1", &format!("{{\"t\":{value}}}")),
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
    let program = python().with_file_name("schemathesis");
    let description = format!("http://127.0.0.1:{}/v1/openapi.json", daemon.site.port);
    let pass = format!("Authorization: Bearer {}", daemon.site.pass.as_deref().unwrap());
    let run = Command::new(&program)
        .arg("--config-file")
        .arg(repository().join("tests/pages/schemathesis.toml"))
        .args(["run", &description, "--header", &pass])
        .current_dir(dir.path())
        .output()
        .unwrap_or_else(|error| panic!("{} can't be started ({error}): run tests/run", program.display()));
    let text = String::from_utf8_lossy(&run.stdout);
    assert!(run.status.success(), "{text}\n{}", String::from_utf8_lossy(&run.stderr));
}
