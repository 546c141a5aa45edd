//! The table for people.

use serde_json::Value;

/// Two time-series servers from Debian 12 on the same farm A, measured once on 25 Nov 2026 on another, quieter day of the
/// same kind of machine: context, no test.
const CONTEXT: &str = "\
context, measured earlier (general-purpose servers from Debian over loopback HTTP, same farm A):
  VictoriaMetrics 1.79.5: 2.50 B a reading; newest of 24 418 us; a day raw 287 us; a year in days 10.1 ms; 18 x 30 days 14.7 ms
  Prometheus 2.42.0:      3.97 B a reading; newest of 24 395 us; a day raw 421 us; a year in days 80.6 ms; 18 x 30 days 107.5 ms";

pub fn print(all: &Value) {
    let get = |path: &str| all.pointer(path).and_then(Value::as_f64).unwrap_or(f64::NAN);
    let row = |what: &str, ours: f64, sqlite: f64, ratio: String, goal: &str| {
        println!("{what:<58} {ours:>12.3} {sqlite:>12.3} {ratio:>10}  {goal}");
    };
    println!("{:<58} {:>12} {:>12} {:>10}  goal", "measured side by side", "ours", "SQLite", "ratio");
    let (ours, sqlite) =
        (get("/size/farm/ours/bytes_per_reading"), get("/size/farm/sqlite/bytes_per_reading"));
    row(
        "bytes a reading, farm A, stamps in ms",
        ours,
        sqlite,
        format!("1/{:.1}", sqlite / ours),
        "<= 1.95 and <= 1/11",
    );
    let seconds = get("/size/farm-seconds/ours/bytes_per_reading");
    row("bytes a reading, stamps in whole seconds", seconds, f64::NAN, String::new(), "<= 0.66");
    let log = get("/size/farm/ours/side_log_bytes");
    let (share, log) = (log / get("/size/farm/ours/loaded/readings"), log / 1e6);
    println!(
        "  (database, record and head; the side log is {log:.1} MB more, however much is stored: {share:.2} B of this year)"
    );
    for (size, goal) in [("1", ">= 1.0"), ("100", ">= 2.0"), ("5000", ">= 1.5")] {
        let of = |name: &str| get(&format!("/ingest/{size}/{name}"));
        let what = format!("durable ingest, batches of {size}, readings/s");
        row(&what, of("ours"), of("sqlite"), format!("{:.2}", of("ratio")), goal);
        println!("  (a page over another and its sync took {:.0} us meanwhile)", of("sync_us"));
    }
    for (question, what, goal) in [
        ("latest_us", "newest of 24 probes, us", "<= 5 us"),
        ("last_day_us", "a probe, last 24 h raw, us", "<= 1/2.5"),
        ("any_day_us", "a probe, any day raw, us", ""),
        ("year_us", "a probe, a year in days, us", "<= 1/1,000"),
        ("other_zone_us", "the same in days of another zone, us", "<= 1/10"),
        ("month_us", "18 probes x 30 days in 500 parts each, us", "<= 1/20"),
    ] {
        let of = |name: &str| get(&format!("/query/{question}/{name}"));
        row(what, of("ours"), of("sqlite"), format!("1/{:.1}", of("ratio")), goal);
    }
    for (every, goal) in [("5", "<= 80 MB and <= 1/3"), ("60", "<= 12 MB and <= 1/15")] {
        let of = |path: &str| get(&format!("/wear/{every}/{path}"));
        let what = format!("MB of pages a day, a commit every {every} s");
        row(&what, of("ours/mb_per_day"), of("sqlite/mb_per_day"), format!("1/{:.1}", of("ratio")), goal);
    }
    let open = |what: &str| (get(&format!("/open/ours/{what}")), get(&format!("/open/sqlite/{what}")));
    let (ours, sqlite) = open("clean_ms");
    row("opening a year, closed in order, checked whole, ms", ours, sqlite, String::new(), "<= 150");
    let (ours, sqlite) = open("killed_ms");
    row("opening a year after a kill, checked whole, ms", ours, sqlite, String::new(), "<= 250");
    let (ours, sqlite) = open("idle_rss_mib");
    row("resident memory, a year stored, opened, MiB", ours, sqlite, String::new(), "<= 8");
    let (ours, sqlite) = open("bare_rss_mib");
    row("  of it the program before it opens a store", ours, sqlite, String::new(), "");
    row("  a farm live", get("/memory/farm/peak_rss_mib"), f64::NAN, String::new(), "<= 16");
    row("  a fleet of 1,000 live", get("/memory/fleet/peak_rss_mib"), f64::NAN, String::new(), "<= 64");
    println!("{CONTEXT}");
}
