//! Copies while readings come in, and bringing one back on a machine that has nothing.

use std::process::Output;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use heapward::model::reading::SeriesKey;
use heapward::model::time::rfc3339;
use heapward::store::{NewReading, SeriesId, Store, StoreOptions};
use heapward_rules::ids::ProbeId;
use heapward_rules::reading::{Quantity, Unit};
use heapward_rules::units::{At, Span};
use heapward_tests::broker::publish_lines;
use heapward_tests::daemon::{Daemon, config_text, heapward, now};
use heapward_tests::process::free_port;
use heapward_tests::wait::wait_for;
use serde_json::json;

const ZONE: chrono_tz::Tz = chrono_tz::America::New_York;
/// A probe's message waits no longer than this because a copy is being made.
const BLOCKED_MAX: Duration = Duration::from_millis(250);
const RESTORED_WITHIN: Duration = Duration::from_mins(2);
/// 2026-05-01T15:00:00Z.
const START: i64 = 1_777_647_600_000;

/// The reading of a number: which of eight series, when, and how warm.
fn reading(number: i64) -> NewReading {
    let series = SeriesId(u32::try_from(number % 8).unwrap());
    NewReading { series, at: At(START + number * 1_000), value: f64::from(u32::try_from(number).unwrap()) }
}

#[test]
fn ten_copies_under_two_hundred_messages_a_second_are_each_whole_and_hold_up_nobody() {
    let dir = tempfile::tempdir().unwrap();
    let (mut store, _) = Store::open(&StoreOptions::new(dir.path().join("records"), ZONE)).unwrap();
    for probe in 0..8 {
        let probe = ProbeId::new(format!("k{probe}"));
        store.series(&SeriesKey { probe, quantity: Quantity::Temperature, unit: Unit::Celsius }).unwrap();
    }
    // Two months of a farm are there already.
    let mut next = 400_000;
    for from in (0..next).step_by(20_000) {
        store.append(&(from..from + 20_000).map(reading).collect::<Vec<_>>()).unwrap();
        while store.seal(At(START)).unwrap().more {}
    }
    let (reader, root) = (store.reader(), dir.path().to_owned());
    let is_done = Arc::new(AtomicBool::new(false));
    let done = Arc::clone(&is_done);
    let copies = std::thread::spawn(move || {
        let copies: Vec<_> = (0..10).map(|n| root.join(n.to_string())).collect();
        for to in &copies {
            reader.backup(to).unwrap();
        }
        done.store(true, Ordering::Relaxed);
        copies
    });
    let mut slowest = Duration::ZERO;
    let began = Instant::now();
    let first = next;
    while !is_done.load(Ordering::Relaxed) {
        let due = first + i64::try_from(began.elapsed().as_millis()).unwrap() / 5;
        if due > next {
            let call = Instant::now();
            store.append(&(next..due).map(reading).collect::<Vec<_>>()).unwrap();
            next = due;
            slowest = slowest.max(call.elapsed());
        }
        std::thread::sleep(Duration::from_millis(20));
    }
    let (mut before, copies) = (0, copies.join().unwrap());
    for copy in copies {
        let (store, report) = Store::open(&StoreOptions::new(&copy, ZONE)).unwrap();
        assert_eq!(report.sentences(), [""; 0]);
        let check = store.reader().check_record().unwrap();
        assert_eq!(check.doubts, []);
        let mut numbers = Vec::new();
        for series in 0..8 {
            let mut from = At(0);
            loop {
                let page = store.reader().range(SeriesId(series), from, At::MAX, 100_000).unwrap();
                numbers.extend(page.readings.iter().map(|one| (one.at.0 - START) / 1_000));
                match page.next {
                    Some(next) => from = next,
                    None => break,
                }
            }
        }
        numbers.sort_unstable();
        let count = i64::try_from(numbers.len()).unwrap();
        assert!(count >= before.max(first), "{count} after {before}");
        assert!(numbers.iter().copied().eq(0..count), "a reading in the middle is missing");
        before = count;
    }
    println!(
        "10 copies of {first} readings and more in {:?}; {} came meanwhile; the slowest commit took {slowest:?}",
        began.elapsed(),
        next - first
    );
    assert!(slowest < BLOCKED_MAX, "{slowest:?}");
}

#[track_caller]
fn good(output: &Output) -> String {
    let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
    assert!(output.status.success(), "{}{}", text(&output.stdout), text(&output.stderr));
    text(&output.stdout)
}

#[test]
fn a_copy_comes_back_on_a_clean_machine_with_the_same_verdicts() {
    let dir = tempfile::tempdir().unwrap();
    let port = free_port();
    let rest = format!(
        "[endpoint]\nlisten = \"127.0.0.1:{port}\"\n[[probe]]\nid = \"k1\"\ntopic = \"heap/k1\"\nevery = \"30m\"\n\
         value = \"/f\"\nunit = \"F\"\ntime = \"/at\"\ntime_format = \"epoch_ms\"\n"
    );
    let mut daemon = Daemon::start(dir.path(), &rest);
    let built = now() - Span::hours(90);
    daemon.site.post(
        "/v1/piles",
        &json!({
            "pile": "2026-03", "method": "aerated-static", "material": "manure", "initial_cn": 30.0,
            "built": rfc3339(built), "standards": ["us-organic", "us-produce"],
            "spots": [{ "name": "core-north", "zone": "core" }],
        }),
    );
    let placement = json!({ "probe": "k1", "spot": "core-north", "from": rfc3339(built) });
    daemon.site.post("/v1/piles/2026-03/placements", &placement);
    let lines: Vec<String> = (0..178_i32)
        .map(|n| {
            format!(
                r#"{{"at":{},"f":{}}}"#,
                (built + Span::minutes(i64::from(30 * n))).0,
                100.0 + (f64::from(n) * 4.0).min(45.0)
            )
        })
        .collect();
    publish_lines(port, "heap/k1", &lines);
    let verdicts = wait_for("the pile to qualify", || {
        let verdicts = daemon.site.get("/v1/piles/2026-03/verdicts");
        verdicts.to_string().contains("\"qualified\"").then_some(verdicts)
    });
    let config = daemon.config().to_str().unwrap().to_owned();
    let copy = dir.path().join("stick/heapward-today");
    let copied = good(&heapward(&["backup", copy.to_str().unwrap(), "--config", &config]));
    assert!(copied.contains("it was checked"), "{copied}");
    assert!(daemon.process().stop().success());

    // Another machine: nothing but the copy and the configuration that lies in it.
    let began = Instant::now();
    let machine = tempfile::tempdir().unwrap();
    let text = std::fs::read_to_string(copy.join("configuration/heapward.toml")).unwrap();
    assert_eq!(text, std::fs::read_to_string(&config).unwrap(), "the configuration is in the copy");
    let file = machine.path().join("heapward.toml");
    std::fs::write(&file, config_text(machine.path(), free_port(), &rest)).unwrap();
    let restored = good(&heapward(&["restore", copy.to_str().unwrap(), "--config", file.to_str().unwrap()]));
    assert!(restored.contains("it was checked"), "{restored}");
    let again = Daemon::start(machine.path(), &rest);
    assert_eq!(again.site.get("/v1/piles/2026-03/verdicts"), verdicts);
    println!("restored, started and judged in {:?}", began.elapsed());
    assert!(began.elapsed() < RESTORED_WITHIN);
}
