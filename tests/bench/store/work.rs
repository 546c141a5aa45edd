//! What is measured, each in a process of its own: the memory and the caches of one run are not those of the next.

use std::path::Path;
use std::time::Instant;

use serde_json::{Value, json};

use crate::data::{DAY, FARM, FLEET, MINUTE, Random, Readings, START, Sample, Set};
use crate::stores::open;

/// Instants of batches for the ingest test lie behind everything that was loaded.
const LATER: i64 = 4_000 * DAY;
/// The live run begins with so many days in the store.
const WARM_DAYS: i64 = 3;

fn set(name: &str) -> Set {
    match name {
        "farm" => FARM,
        "farm-seconds" => Set { stamp_ms: 1_000, ..FARM },
        "fleet" => FLEET,
        _ => panic!("no set is called {name}"),
    }
}

/// A whole set in batches of 5,000, then settled.
pub fn load(name: &str, dir: &Path, of: &str) -> Value {
    let set = set(of);
    let mut store = open(name, dir, set.probes);
    let (mut batch, mut n, mut seconds) = (Vec::with_capacity(6_000), 0, 0.0);
    for minute in Readings::new(set) {
        batch.extend(minute);
        while batch.len() >= 5_000 {
            let rest = batch.split_off(5_000);
            seconds += timed(|| store.commit(&batch));
            n += batch.len();
            batch = rest;
        }
    }
    if !batch.is_empty() {
        seconds += timed(|| store.commit(&batch));
        n += batch.len();
    }
    let settling = timed(|| store.settle());
    drop(store);
    json!({"readings": n, "seconds": seconds, "settling_seconds": settling, "rss_mib": rss_mib("VmHWM")})
}

/// Durable batches on top of what is there.
pub fn ingest(name: &str, dir: &Path, size: usize, limit_seconds: f64) -> Value {
    let mut store = open(name, dir, FARM.probes);
    let mut source = Readings::new(FARM);
    let (mut batch, mut n, mut seconds): (Vec<Sample>, usize, f64) = (Vec::new(), 0, 0.0);
    while seconds < limit_seconds {
        while batch.len() < size {
            let Some(minute) = source.next() else { break };
            batch.extend(minute.into_iter().map(|s| Sample { at: s.at + LATER, ..s }));
        }
        if batch.len() < size {
            break;
        }
        let rest = batch.split_off(size);
        seconds += timed(|| store.commit(&batch));
        n += batch.len();
        batch = rest;
    }
    json!({"rate": n as f64 / seconds, "readings": n, "rss_mib": rss_mib("VmHWM")})
}

/// The questions of a page, each many times.
pub fn query(name: &str, dir: &Path) -> Value {
    let store = open(name, dir, FARM.probes);
    let (end, mut random, mut found) = (FARM.end(), Random(7), 0);
    let probe = |random: &mut Random| u32::try_from(random.below(u64::from(FARM.probes))).unwrap();
    let latest = times_us(2_000, |_| found += store.latest(FARM.probes));
    let last_day = times_us(400, |_| found += store.raw(probe(&mut random), end - DAY, end));
    let any_day = times_us(400, |_| {
        let from = START + random.below(364 * 1_440) as i64 * MINUTE;
        found += store.raw(probe(&mut random), from, from + DAY);
    });
    let year = times_us(60, |_| found += store.days(probe(&mut random), START, end));
    // Days of a zone that the store has no table for.
    let elsewhere: Vec<i64> = (0..=364).map(|i| START + 5 * 3_600_000 + i * DAY).collect();
    let other_zone = times_us(40, |_| {
        let summaries = store.buckets(probe(&mut random), &elsewhere);
        found += summaries.iter().filter(|summary| summary.count > 0).count();
    });
    let month = times_us(40, |_| {
        let from = START + random.below(335 * 1_440) as i64 * MINUTE;
        let bounds: Vec<i64> = (0..=500).map(|i| from + 30 * DAY * i / 500).collect();
        for series in (0..24).filter(|series| !Set::is_moisture(*series)) {
            let summaries = store.buckets(series, &bounds);
            found += summaries.iter().filter(|summary| summary.count > 0).count();
        }
    });
    json!({"latest_us": latest, "last_day_us": last_day, "any_day_us": any_day, "year_us": year,
           "other_zone_us": other_zone, "month_us": month, "found": found, "rss_mib": rss_mib("VmRSS")})
}

/// A day of a set as it comes in, a commit for each interval in which something came, after some days of warming up.
/// Opens a file called MARK when the day begins, for whoever counts the pages.
pub fn live(name: &str, dir: &Path, of: &str, every_seconds: i64) -> Value {
    let set = set(of);
    let mut store = open(name, dir, set.probes);
    let idle = rss_mib("VmRSS");
    let mut source = Readings::new(Set { days: WARM_DAYS + 1, ..set });
    for _ in 0..WARM_DAYS * 24 {
        let hour: Vec<Sample> = source.by_ref().take(60).flatten().collect();
        store.commit(&hour);
    }
    store.settle();
    drop(std::fs::File::create(dir.join("MARK")).unwrap());
    let (mut batch, mut n, mut commits) = (Vec::new(), 0, 0);
    let mut due = START + WARM_DAYS * DAY + every_seconds * 1_000;
    let mut seal = START + WARM_DAYS * DAY + DAY / 4;
    for sample in source.flatten() {
        while sample.at >= due {
            if !batch.is_empty() {
                store.commit(&batch);
                commits += 1;
                n += batch.len();
                batch.clear();
            }
            if due >= seal && name == "ours" {
                store.settle();
                seal += DAY / 4;
            }
            due += every_seconds * 1_000;
        }
        batch.push(sample);
    }
    if name == "ours" {
        store.settle();
    }
    json!({"idle_rss_mib": idle, "rss_mib": rss_mib("VmRSS"), "peak_rss_mib": rss_mib("VmHWM"),
           "readings": n, "commits": commits})
}

/// Opens and says how long it took.
pub fn open_timed(name: &str, dir: &Path) -> Value {
    let bare = rss_mib("VmRSS");
    let begun = Instant::now();
    let store = open(name, dir, FARM.probes);
    let ms = begun.elapsed().as_secs_f64() * 1e3;
    let opened = rss_mib("VmRSS");
    let found: usize =
        (0..FARM.probes).map(|series| store.raw(series, START + LATER, START + LATER + DAY)).sum();
    json!({"ms": ms, "idle_rss_mib": opened, "bare_rss_mib": bare, "asked_rss_mib": rss_mib("VmRSS"),
           "anonymous_mib": rss_mib("RssAnon"), "found": found})
}

/// Commits an hour and dies.
pub fn crash(name: &str, dir: &Path) -> ! {
    let mut store = open(name, dir, FARM.probes);
    for minute in Readings::new(FARM).take(60) {
        let minute: Vec<Sample> = minute.into_iter().map(|s| Sample { at: s.at + LATER, ..s }).collect();
        store.commit(&minute);
    }
    std::process::abort();
}

/// What one page over another and its sync cost here and now, in us: the floor of a durable commit.
pub fn sync(dir: &Path) -> Value {
    use std::os::unix::fs::FileExt as _;
    let path = dir.join("floor");
    let file = std::fs::File::create(&path).unwrap();
    file.write_all_at(&vec![0; 1 << 20], 0).unwrap();
    file.sync_all().unwrap();
    let page = [7; 4_096];
    let times = times_us(256, |i| {
        file.write_all_at(&page, i as u64 * 4_096).unwrap();
        file.sync_data().unwrap();
    });
    std::fs::remove_file(path).unwrap();
    json!({"us": times})
}

fn timed(work: impl FnOnce()) -> f64 {
    let begun = Instant::now();
    work();
    begun.elapsed().as_secs_f64()
}

/// Median and 99th percentile.
fn times_us(n: usize, mut work: impl FnMut(usize)) -> [f64; 2] {
    let mut times: Vec<f64> = (0..n).map(|i| timed(|| work(i)) * 1e6).collect();
    times.sort_by(f64::total_cmp);
    [times[n / 2], times[(n - 1) * 99 / 100]]
}

/// A line of this process's memory account.
pub fn rss_mib(line: &str) -> f64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let value = status.lines().find_map(|l| l.strip_prefix(line)?.strip_prefix(':'));
    let kib = value.and_then(|value| value.trim().strip_suffix("kB")?.trim().parse::<f64>().ok());
    kib.unwrap_or(0.0) / 1_024.0
}
