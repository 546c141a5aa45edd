//! The store beside SQLite, on the same data, in one run: size, durable ingest, questions, wear, opening, memory.
//!
//!     cd tests/bench && cargo bench
//!
//! SQLite: WAL, synchronous=FULL, `WITHOUT ROWID (series, instant)`, prepared statements, the same batches, the same memory
//! for pages. Every measurement is a process of its own; what is compared is interleaved and repeated, and the median
//! counts. The last line is one line of JSON. Wear is counted from the system calls and needs strace.

#![expect(
    clippy::cast_precision_loss,
    clippy::cast_possible_truncation,
    clippy::cast_possible_wrap,
    clippy::cast_sign_loss,
    clippy::unwrap_used,
    reason = "a benchmark: small numbers, and what goes wrong has to stop it"
)]

mod data;
mod stores;
mod table;
mod wear;
mod work;

use std::path::{Path, PathBuf};
use std::process::Command;

use serde_json::{Value, json};

const ROUNDS: usize = 3;
const STORES: [&str; 2] = ["ours", "sqlite"];

fn main() {
    let arguments: Vec<String> = std::env::args().skip(1).filter(|argument| argument != "--bench").collect();
    let words: Vec<&str> = arguments.iter().map(String::as_str).collect();
    let answer = match words.as_slice() {
        [] => return measure_all(),
        ["load", name, dir, set] => work::load(name, Path::new(dir), set),
        ["ingest", name, dir, size, seconds] => {
            work::ingest(name, Path::new(dir), size.parse().unwrap(), seconds.parse().unwrap())
        }
        ["query", name, dir] => work::query(name, Path::new(dir)),
        ["live", name, dir, set, every] => work::live(name, Path::new(dir), set, every.parse().unwrap()),
        ["sync", dir] => work::sync(Path::new(dir)),
        ["open", name, dir] => work::open_timed(name, Path::new(dir)),
        ["crash", name, dir] => work::crash(name, Path::new(dir)),
        other => panic!("what is {other:?}?"),
    };
    println!("{answer}");
}

/// Runs a measurement in a process of its own.
fn child(words: &[&str]) -> Value {
    let output = Command::new(std::env::current_exe().unwrap()).args(words).output().unwrap();
    let text = String::from_utf8(output.stdout).unwrap();
    let line = text.lines().last().unwrap_or("null");
    serde_json::from_str(line).unwrap_or(Value::Null)
}

fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied().unwrap_or(f64::NAN)
}

fn measure_all() {
    let place =
        tempfile::tempdir_in(std::env::var("HEAPWARD_BENCH_DIR").unwrap_or_else(|_| ".".into())).unwrap();
    let place = place.path();
    let dir = |name: &str| place.join(name);
    let mut all = json!({});
    all["size"] = sizes(&dir);
    all["ingest"] = ingest(&dir);
    all["query"] = queries(&dir);
    all["open"] = opens(&dir);
    all["wear"] = wears(&dir);
    all["memory"] = memory(&dir);
    table::print(&all);
    println!("{all}");
}

fn text(path: &Path) -> &str {
    path.to_str().unwrap()
}

fn sizes(dir: &dyn Fn(&str) -> PathBuf) -> Value {
    let mut sizes = json!({});
    for (set, stores) in [("farm", &STORES[..]), ("farm-seconds", &STORES[..1])] {
        for name in stores {
            let path = dir(&format!("{set}-{name}"));
            eprintln!("loading {set} into {name}");
            let loaded = child(&["load", name, text(&path), set]);
            let readings = loaded["readings"].as_f64().unwrap();
            let bytes = stores::disk_bytes(&path, |file| file != "side.log") as f64;
            let log = stores::disk_bytes(&path, |file| file == "side.log");
            sizes[set][name] = json!({
                "bytes_per_reading": bytes / readings, "side_log_bytes": log,
                "rate": readings / loaded["seconds"].as_f64().unwrap(), "loaded": loaded,
            });
        }
    }
    sizes
}

fn ingest(dir: &dyn Fn(&str) -> PathBuf) -> Value {
    let mut rates = json!({});
    for size in ["1", "100", "5000"] {
        let (mut by_store, mut syncs) = ([Vec::new(), Vec::new()], Vec::new());
        for round in 0..ROUNDS {
            syncs.push(child(&["sync", text(&dir("farm-ours"))])["us"][0].as_f64().unwrap());
            for (name, rates) in STORES.iter().zip(&mut by_store) {
                eprintln!("ingest in batches of {size} into {name}, round {round}");
                let copy = dir(&format!("ingest-{name}"));
                stores::copy_folder(&dir(&format!("farm-{name}")), &copy);
                let answer = child(&["ingest", name, text(&copy), size, "3"]);
                rates.push(answer["rate"].as_f64().unwrap());
                std::fs::remove_dir_all(&copy).unwrap();
            }
        }
        let [ours, sqlite] = by_store.map(median);
        rates[size] =
            json!({"ours": ours, "sqlite": sqlite, "ratio": ours / sqlite, "sync_us": median(syncs)});
    }
    rates
}

fn queries(dir: &dyn Fn(&str) -> PathBuf) -> Value {
    let mut rounds: [Vec<Value>; 2] = [Vec::new(), Vec::new()];
    for round in 0..ROUNDS {
        for (name, rounds) in STORES.iter().zip(&mut rounds) {
            eprintln!("questions to {name}, round {round}");
            rounds.push(child(&["query", name, text(&dir(&format!("farm-{name}")))]));
        }
    }
    assert_eq!(rounds[0][0]["found"], rounds[1][0]["found"], "the two stores give different answers");
    let mut answers = json!({});
    for question in ["latest_us", "last_day_us", "any_day_us", "year_us", "other_zone_us", "month_us"] {
        let of =
            |i: usize, p: usize| median(rounds[i].iter().map(|r| r[question][p].as_f64().unwrap()).collect());
        answers[question] = json!({
            "ours": of(0, 0), "ours_p99": of(0, 1), "sqlite": of(1, 0), "sqlite_p99": of(1, 1),
            "ratio": of(1, 0) / of(0, 0),
        });
    }
    answers
}

fn opens(dir: &dyn Fn(&str) -> PathBuf) -> Value {
    let mut opens = json!({});
    for name in STORES {
        let (mut clean, mut killed, mut idle, mut bare) = (Vec::new(), Vec::new(), Vec::new(), Vec::new());
        for _ in 0..ROUNDS {
            let copy = dir(&format!("open-{name}"));
            stores::copy_folder(&dir(&format!("farm-{name}")), &copy);
            child(&["open", name, text(&copy)]);
            let answer = child(&["open", name, text(&copy)]);
            clean.push(answer["ms"].as_f64().unwrap());
            idle.push(answer["idle_rss_mib"].as_f64().unwrap());
            bare.push(answer["bare_rss_mib"].as_f64().unwrap());
            child(&["crash", name, text(&copy)]);
            let answer = child(&["open", name, text(&copy)]);
            assert!(
                answer["found"].as_u64().unwrap() > 1_400,
                "{name} has lost what was committed: {answer}"
            );
            killed.push(answer["ms"].as_f64().unwrap());
            std::fs::remove_dir_all(&copy).unwrap();
        }
        opens[name] = json!({"clean_ms": median(clean), "killed_ms": median(killed), "idle_rss_mib": median(idle), "bare_rss_mib": median(bare)});
    }
    opens
}

fn wears(dir: &dyn Fn(&str) -> PathBuf) -> Value {
    let mut wears = json!({});
    for every in ["5", "60"] {
        for name in STORES {
            eprintln!("a day of pages, a commit every {every} s, {name}");
            let path = dir(&format!("wear-{name}-{every}"));
            let pages = wear::pages(&["live", name, text(&path), "farm", every], &dir("trace"));
            let megabytes = pages.map(|(pages, _)| pages as f64 * 4_096.0 / 1e6);
            wears[every][name] = json!({"mb_per_day": megabytes, "syncs": pages.map(|(_, syncs)| syncs)});
        }
        let of = |name: &str| wears[every][name]["mb_per_day"].as_f64();
        wears[every]["ratio"] = json!(of("sqlite").zip(of("ours")).map(|(sqlite, ours)| sqlite / ours));
    }
    wears
}

fn memory(dir: &dyn Fn(&str) -> PathBuf) -> Value {
    let mut memory = json!({});
    for set in ["farm", "fleet"] {
        eprintln!("a day of {set} in memory");
        memory[set] = child(&["live", "ours", text(&dir(&format!("live-{set}"))), set, "5"]);
    }
    memory
}
