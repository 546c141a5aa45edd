//! A card that is full, that turns read-only, or that was so from the start.

use std::path::Path;
use std::process::Command;
use std::time::{Duration, Instant};

use heapward::model::time::rfc3339;
use heapward_rules::units::Span;
use heapward_tests::daemon::{Daemon, now};
use heapward_tests::mounts::{Memory, inside};
use heapward_tests::process::free_port;
use heapward_tests::receiver::Receiver;
use heapward_tests::site::Site;
use heapward_tests::wait::{wait_for, wait_until};
use serde_json::json;

use crate::ingest::numbered::{beginning, check, message, probes, stored};
use crate::ingest::repeater::{Plan, Repeater};

/// Lines of our log that one trouble may cost.
const LINES_MAX: usize = 40;
const TOLD_WITHIN: Duration = Duration::from_mins(1);
const PLENTY: &str = "64m";

fn config(port: u16, receiver: &Receiver) -> String {
    format!(
        "[endpoint]\nlisten = \"127.0.0.1:{port}\"\n{}\n[[channel]]\nname = \"text\"\nkind = \"request\"\n\
         url = \"http://127.0.0.1:{}/text\"\nbody = '{{\"text\": \"{{{{text}}}}\"}}'\n\
         [[contact]]\nname = \"Odile Marsh\"\naddresses = {{ text = \"+15550100\" }}\n",
        probes(),
        receiver.port
    )
}

fn publish(port: u16) -> Repeater {
    let beginning = beginning();
    Repeater::start(Plan {
        port,
        client_id: "gate".to_owned(),
        count: u64::MAX,
        per_second: 200,
        message: Box::new(move |number| message(beginning, number)),
    })
}

fn new_pile(id: &str) -> serde_json::Value {
    json!({
        "pile": id, "method": "aerated-static", "material": "manure",
        "built": rfc3339(now() - Span::days(1)), "standards": ["us-organic"],
        "spots": [{ "name": "core-north", "zone": "core" }],
    })
}

/// The farm's page, as a browser gets it.
fn page(site: &Site) -> (u16, String) {
    let answer = wait_for("an answer", || site.try_get("/"));
    (answer.status, answer.text)
}

fn is_well(site: &Site) -> bool {
    site.try_get("/healthz").is_some_and(|answer| answer.status == 200)
}

fn limit_files(process: u32, limit: &str) {
    let args = ["--pid", &process.to_string(), &format!("--fsize={limit}")];
    assert!(Command::new("prlimit").args(args).status().unwrap().success());
}

fn check_lines(daemon: &mut Daemon) {
    let log = daemon.process().log();
    assert!(log.lines().count() <= LINES_MAX, "{} lines:\n{log}", log.lines().count());
}

/// Everything that was acknowledged is there, and everything that was published in the end.
fn check_stored(dir: &Path, daemon: &mut Daemon, publisher: Repeater) {
    let outcome = publisher.stop();
    assert!(daemon.process().stop().success());
    let numbers = stored(dir);
    check(&outcome.acknowledged, &numbers);
    println!("{} readings published, {} stored", outcome.acknowledged.len(), numbers.len());
    assert_eq!(numbers.len(), outcome.acknowledged.len());
}

#[test]
fn a_full_card_is_told_once_and_everything_goes_on_when_there_is_room() {
    if !inside("care::card::a_full_card_is_told_once_and_everything_goes_on_when_there_is_room") {
        return;
    }
    let dir = tempfile::tempdir().unwrap();
    let card = Memory::mount(&dir.path().join("records"), "16m");
    let (receiver, port) = (Receiver::start(), free_port());
    let mut daemon = Daemon::start(dir.path(), &config(port, &receiver));
    daemon.site.post("/v1/piles", &new_pile("2026-03"));
    let process = daemon.process().id();
    let publisher = publish(port);
    wait_until("readings", || publisher.acknowledged() > 100);
    wait_until("a text about the room", || !receiver.with("nearly full").is_empty());

    let ballast = card.fill();
    let note = json!({ "event": "note", "note": "x".repeat(1_900) });
    let refused = wait_for("the card to take no more", || {
        std::thread::sleep(Duration::from_millis(60));
        let answer = daemon.site.try_post("/v1/piles/2026-03/entries", &note);
        assert!(answer.status < 300 || answer.status >= 429, "{} {}", answer.status, answer.text);
        (answer.status == 503).then_some(answer)
    });
    assert!(refused.text.contains("No space left") || refused.text.contains("closed"), "{}", refused.text);
    let began = Instant::now();
    wait_until("a text about the card", || !receiver.with("can't keep readings").is_empty());
    assert!(began.elapsed() < TOLD_WITHIN, "{:?}", began.elapsed());
    let (status, text) = page(&daemon.site);
    assert!(status == 200 && text.contains("Readings can't be kept since"), "{status} {text}");
    assert!(text.contains("Pile 2026-03"), "the verdicts are shown all the same: {text}");
    assert!(!is_well(&daemon.site));
    // A while of it: one text, few lines, nothing that spins.
    std::thread::sleep(Duration::from_secs(15));

    std::fs::remove_file(ballast).unwrap();
    wait_until("the daemon to be well", || is_well(&daemon.site));
    let before = publisher.acknowledged();
    wait_until("readings", || publisher.acknowledged() > before + 500);
    assert!(!page(&daemon.site).1.contains("Readings can't be kept"));
    let kept = wait_for("an entry", || {
        let answer = daemon.site.try_post("/v1/piles/2026-03/entries", &note);
        (answer.status < 300).then_some(answer)
    });
    assert!(kept.text.contains("note"), "{}", kept.text);
    assert_eq!(daemon.process().id(), process, "it needed no restart");
    assert_eq!(receiver.with("can't keep readings").len(), 1);
    assert_eq!(receiver.with("nearly full").len(), 1, "told once");
    check_lines(&mut daemon);
    check_stored(dir.path(), &mut daemon, publisher);
}

#[test]
fn a_card_that_turns_read_only_is_told_and_the_pages_go_on() {
    if !inside("care::card::a_card_that_turns_read_only_is_told_and_the_pages_go_on") {
        return;
    }
    let dir = tempfile::tempdir().unwrap();
    let card = Memory::mount(&dir.path().join("records"), PLENTY);
    let (receiver, port) = (Receiver::start(), free_port());
    let mut daemon = Daemon::start(dir.path(), &config(port, &receiver));
    daemon.site.post("/v1/piles", &new_pile("2026-03"));
    let publisher = publish(port);
    wait_until("readings", || publisher.acknowledged() > 100);

    // A file system turns read-only by itself when writing fails. In memory it is made so in a moment in which the
    // daemon, whose writing fails, has closed its files.
    let process = daemon.process().id();
    limit_files(process, "4096:unlimited");
    let began = Instant::now();
    card.make_read_only();
    limit_files(process, "unlimited");
    wait_until("a text about the card", || !receiver.with("can't keep readings").is_empty());
    assert!(began.elapsed() < TOLD_WITHIN, "{:?}", began.elapsed());
    let acknowledged = publisher.acknowledged();
    let (status, text) = page(&daemon.site);
    assert!(status == 200 && text.contains("Readings can't be kept since"), "{status} {text}");
    assert!(text.contains("Pile 2026-03"), "{text}");
    assert!(!is_well(&daemon.site));
    std::thread::sleep(Duration::from_secs(3));
    assert_eq!(publisher.acknowledged(), acknowledged, "acknowledged without being kept");

    card.make_writable();
    wait_until("the daemon to be well", || is_well(&daemon.site));
    wait_until("readings", || publisher.acknowledged() > acknowledged + 500);
    assert_eq!(receiver.with("can't keep readings").len(), 1);
    check_lines(&mut daemon);
    check_stored(dir.path(), &mut daemon, publisher);
}

#[test]
fn records_that_can_not_be_opened_at_the_start_are_told_and_waited_for() {
    if !inside("care::card::records_that_can_not_be_opened_at_the_start_are_told_and_waited_for") {
        return;
    }
    let dir = tempfile::tempdir().unwrap();
    let card = Memory::mount(&dir.path().join("records"), PLENTY);
    let (receiver, port) = (Receiver::start(), free_port());
    let mut daemon = Daemon::start(dir.path(), &config(port, &receiver));
    daemon.site.post("/v1/piles", &new_pile("2026-03"));
    let publisher = publish(port);
    wait_until("readings", || publisher.acknowledged() > 100);
    daemon.process().kill();
    card.make_read_only();
    let began = Instant::now();
    daemon.start_again();
    wait_until("a text about the card", || !receiver.with("can't keep readings").is_empty());
    assert!(began.elapsed() < TOLD_WITHIN, "{:?}", began.elapsed());
    let (status, text) = page(&daemon.site);
    assert!(status == 503 && text.contains("The records can't be opened since"), "{status} {text}");
    assert!(text.contains("Read-only file system"), "{text}");
    assert!(!is_well(&daemon.site));
    assert!(daemon.process().is_running());

    card.make_writable();
    wait_until("the daemon to be well", || is_well(&daemon.site));
    let before = publisher.acknowledged();
    wait_until("readings", || publisher.acknowledged() > before + 500);
    let incidents = || daemon.site.get("/v1/incidents")["items"].as_array().unwrap().clone();
    let of_store = wait_for("the end of it in the records", || {
        let all = incidents();
        all.iter().find(|one| one["kind"] == "store-failing" && one["closed"].is_string()).cloned()
    });
    assert!(of_store["opened"].is_string(), "{of_store}");
    let sent = daemon.site.get("/v1/outbox")["items"].as_array().unwrap().clone();
    let about = |one: &&serde_json::Value| one["text"].as_str().unwrap().contains("can't keep readings");
    assert_eq!(sent.iter().filter(about).count(), 1, "{sent:?}");
    assert_eq!(receiver.with("can't keep readings").len(), 1, "told once, and kept when that was possible");
    check_lines(&mut daemon);
    check_stored(dir.path(), &mut daemon, publisher);
}

/// A card that goes on spoiling what is written to it: the files are set aside a few times, and then people have to look.
#[test]
fn what_is_damaged_again_and_again_is_not_set_aside_for_ever() {
    let dir = tempfile::tempdir().unwrap();
    let (receiver, port) = (Receiver::start(), free_port());
    let mut daemon = Daemon::start(dir.path(), &config(port, &receiver));
    daemon.site.post("/v1/piles", &new_pile("2026-03"));
    let records = dir.path().join("records");
    let aside = || {
        let names = std::fs::read_dir(&records).unwrap().map(|one| one.unwrap().file_name());
        names.filter(|name| name.to_string_lossy().contains(".bad-")).count()
    };
    let spoil = || std::fs::write(records.join("store.redb"), vec![7; 90_000]).unwrap();
    for round in 1..=2 {
        assert!(daemon.process().stop().success());
        spoil();
        daemon.start_again();
        daemon.wait();
        assert_eq!(aside(), 2 * round, "database and side log");
        wait_until("a text about the damage", || receiver.with("found its records damaged").len() == round);
    }
    assert!(daemon.process().stop().success());
    spoil();
    daemon.start_again();
    wait_until("a text that nothing is kept", || !receiver.with("can't keep readings").is_empty());
    let (status, text) = page(&daemon.site);
    assert!(status == 503 && text.contains("is damaged"), "{status} {text}");
    assert_eq!(aside(), 4);
    assert_eq!(std::fs::read(records.join("store.redb")).unwrap(), vec![7; 90_000], "left as it was");
    assert!(daemon.process().stop().success());
}
