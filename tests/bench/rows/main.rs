//! The way of a message through mosquitto with SQLite at its end, for the bench of ingest (`tests/benches/ingest.rs`),
//! which builds and starts it: `rows PORT COUNT FOLDER`.
//!
//! Up to the recorder it is Heapward's own: the same client, reader, dating, lots, and rules when a commit is due. Then
//! each reading is a row of `WITHOUT ROWID (series, instant, value)`, so that a second value of an instant is kept too, as
//! ours keeps it: WAL, synchronous=FULL, a prepared statement, the memory for pages that our store has. Acknowledged is
//! what is on the card. Nothing is judged.

#![expect(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "a measurement that cannot go on stops with the place"
)]

use std::collections::BTreeMap;
use std::io::Write;
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;

use heapward::clock::{Clock, SystemClock};
use heapward::config::read::read;
use heapward::ingest::{self, Parts};
use heapward::limits::{
    COMMIT_GATHER, COMMIT_GATHER_TIMES, RECORDER_QUEUE, STORE_CACHE_BYTES, WORKER_THREADS,
};
use heapward::model::reading::{DatedReading, SeriesKey};
use heapward::recorder::batch::Batch;
use heapward::recorder::{Command, Handle};
use heapward_rules::units::{At, Span};
use rusqlite::Connection;
use tokio::sync::mpsc;

fn main() {
    let arguments: Vec<String> = std::env::args().collect();
    let (port, count, dir) = (&arguments[1], arguments[2].parse::<u64>().unwrap(), Path::new(&arguments[3]));
    let text = std::fs::read_to_string(dir.join("rows.toml")).unwrap();
    let config = read("rows", &text, dir, None).unwrap();
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(WORKER_THREADS)
        .enable_all()
        .build()
        .unwrap();
    let clock = Arc::new(SystemClock::new(true));
    let (recorder, commands) = Handle::new(RECORDER_QUEUE);
    let kept = Arc::new(AtomicU64::new(0));
    let (keeping, ticking) = (Arc::clone(&kept), Arc::clone(&clock));
    let (commit_every, of_runtime) = (config.store.commit_every, runtime.handle().clone());
    let db = open(&dir.join("rows.sqlite"));
    std::thread::spawn(move || record(db, &of_runtime, commands, &ticking, commit_every, &keeping));
    runtime.block_on(async {
        let parts = Parts {
            clock,
            recorder,
            probes: config.probes,
            newest: At::MIN,
            endpoint: None,
            sessions: None,
            broker: config.broker,
        };
        let ingest = ingest::start(parts, std::future::pending()).unwrap();
        while !ingest.handle().status().broker.is_some_and(|broker| broker.connected) {
            tokio::time::sleep(Duration::from_millis(5)).await;
        }
        // The subscription follows the connection.
        tokio::time::sleep(Duration::from_millis(300)).await;
        say(&format!("ready {port}"));
        while kept.load(Ordering::Relaxed) < count {
            tokio::time::sleep(Duration::from_millis(5)).await;
        }
    });
    done();
}

fn open(file: &Path) -> Connection {
    let db = Connection::open(file).unwrap();
    db.execute_batch(&format!(
        "PRAGMA journal_mode=WAL; PRAGMA synchronous=FULL; PRAGMA cache_size=-{}; PRAGMA mmap_size=0;
         CREATE TABLE r(s INTEGER NOT NULL, t INTEGER NOT NULL, v REAL NOT NULL, PRIMARY KEY(s, t, v)) WITHOUT ROWID;",
        STORE_CACHE_BYTES / 1_024
    ))
    .unwrap();
    db
}

/// The turns of our recorder, with rows.
fn record(
    mut db: Connection,
    runtime: &tokio::runtime::Handle,
    mut commands: mpsc::Receiver<Command>,
    clock: &SystemClock,
    commit_every: Span,
    kept: &AtomicU64,
) {
    let mut batch = Batch::default();
    let mut committed = Span(i64::MIN / 2);
    let mut series = BTreeMap::new();
    let take = |batch: &mut Batch, command| {
        if let Command::Readings { readings, acks } = command {
            batch.take(readings, acks, clock.monotonic());
        }
    };
    loop {
        let wait = batch.wait(clock.monotonic(), commit_every);
        let idle = batch.is_empty();
        let next = runtime.block_on(async {
            tokio::select! {
                biased;
                command = commands.recv() => Some(command),
                () = clock.sleep(wait), if !idle => None,
            }
        });
        match next {
            Some(None) => return,
            Some(Some(command)) => take(&mut batch, command),
            None => {}
        }
        let mut take_waiting = |batch: &mut Batch| {
            while !batch.is_full() {
                match commands.try_recv() {
                    Ok(command) => take(batch, command),
                    Err(_) => break,
                }
            }
        };
        take_waiting(&mut batch);
        for _ in 0..COMMIT_GATHER_TIMES {
            if !batch.is_worth_a_wait(clock.monotonic() - committed) {
                break;
            }
            std::thread::sleep(COMMIT_GATHER);
            take_waiting(&mut batch);
        }
        if batch.is_full() || batch.is_due(clock.monotonic(), commit_every) {
            let new = commit(&mut db, &batch.readings, &mut series);
            committed = clock.monotonic();
            batch.committed();
            kept.fetch_add(new, Ordering::Relaxed);
        }
    }
}

/// How many of them are new.
fn commit(db: &mut Connection, readings: &[DatedReading], series: &mut BTreeMap<SeriesKey, i64>) -> u64 {
    let tx = db.transaction().unwrap();
    let mut new = 0;
    {
        let mut insert = tx.prepare_cached("INSERT OR IGNORE INTO r VALUES(?1, ?2, ?3)").unwrap();
        for reading in readings {
            let (probe, quantity, unit) = (reading.probe.clone(), reading.quantity, reading.unit);
            let next = i64::try_from(series.len()).unwrap();
            let number = *series.entry(SeriesKey { probe, quantity, unit }).or_insert(next);
            new += insert.execute((number, reading.at.0, reading.value)).unwrap();
        }
    }
    tx.commit().unwrap();
    new as u64
}

fn say(line: &str) {
    println!("{line}");
    std::io::stdout().flush().unwrap();
}

/// Processor seconds and peak memory of this process, as the bench says them of itself.
fn done() -> ! {
    let stat = std::fs::read_to_string("/proc/self/stat").unwrap();
    let after_name = stat.rsplit(')').next().unwrap();
    let ticks: f64 =
        after_name.split_whitespace().skip(11).take(2).map(|text| text.parse::<f64>().unwrap()).sum();
    let status = std::fs::read_to_string("/proc/self/status").unwrap();
    let peak = status.lines().find(|line| line.starts_with("VmHWM:")).unwrap();
    say(&format!("done {} {}", ticks / 100.0, peak.split_whitespace().nth(1).unwrap()));
    std::process::exit(0);
}
