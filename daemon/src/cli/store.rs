//! `heapward store`: sizes of the store, and whether all of it is as it was sealed.

use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use super::copy::Copy;
use super::{ConfigArg, Failure, Outcome, print};
use crate::store::{Check, Head, Sizes, StoreError, TableSize};

/// What the store holds and how large it is
#[derive(Clone, Debug, clap::Args)]
pub struct StoreArgs {
    #[command(flatten)]
    config: ConfigArg,
    /// A store or a backup of one, in place of the configured one
    #[arg(long, value_name = "DIR")]
    store: Option<PathBuf>,
    /// Compare every sealed day with the record and with its digest; takes a minute for each year
    #[arg(long)]
    check: bool,
}

pub fn run(args: &StoreArgs) -> Outcome {
    let config = args.config.load()?;
    let dir = args.store.as_deref().unwrap_or(&config.store.dir);
    let failed = |error: StoreError| Failure::failed(format!("{}: {error}", dir.display()));
    let (_copy, store) = Copy::open(dir, config.farm.timezone, "store")?;
    let reader = store.reader();
    let mut text = sizes_in_words(dir, &reader.sizes_in_full().map_err(failed)?);
    if !args.check {
        record_in_words(reader.head().map_err(failed)?.as_ref(), &mut text);
        return print(&text);
    }
    let check = reader.check_record().map_err(failed)?;
    check_in_words(&check, &mut text);
    print(&text)?;
    match check.doubts.len() {
        0 => Ok(()),
        n => Err(Failure::failed(format!("{}: {n} things are not as they were sealed", dir.display()))),
    }
}

fn sizes_in_words(dir: &Path, sizes: &Sizes) -> String {
    let mut text = format!("{}\n", dir.display());
    let mut line = |name: &str, what: String| {
        let _ = writeln!(text, "  {name:<18}{what}");
    };
    line("readings", format!("{} in blocks, {} not sealed yet", sizes.sealed, sizes.unsealed));
    line("series", sizes.series.to_string());
    line("log entries", sizes.entries.to_string());
    line("database", megabytes(sizes.database_bytes));
    line("  of it free", megabytes(sizes.dead_bytes()));
    if let Some(bytes) = sizes.bytes_per_reading() {
        line("  for a reading", format!("{bytes:.2} bytes"));
    }
    for table in sizes.tables.iter().filter(|table| table.rows > 0) {
        let TableSize { name, rows, bytes, stored_bytes } = table;
        let (pages, filled) = (megabytes(*bytes), 100 * stored_bytes / bytes.max(&1));
        line(&format!("  {name}"), format!("{pages} in pages, {filled} % filled, {rows} rows"));
    }
    line("side log", megabytes(sizes.side_log_bytes));
    line("record", megabytes(sizes.record_bytes));
    line("integrity", format!("checked whole just now, in {} ms: it is in order", sizes.check_ms));
    text
}

#[expect(clippy::cast_precision_loss, reason = "for people")]
fn megabytes(bytes: u64) -> String {
    format!("{:.2} MB", bytes as f64 / 1e6)
}

fn record_in_words(head: Option<&Head>, text: &mut String) {
    let _ = match head {
        Some(head) => writeln!(text, "  {:<18}{}  {}", "sealed days", head.seq, head.digest),
        None => writeln!(text, "  {:<18}none yet; a day is sealed 26 hours after it ended", "sealed days"),
    };
}

fn check_in_words(check: &Check, text: &mut String) {
    record_in_words(check.head.as_ref(), text);
    if let (Some((first, last)), []) = (check.days, check.doubts.as_slice()) {
        let _ = writeln!(text, "  Every reading and entry from {first} to {last} is as it was sealed.");
    }
    for doubt in &check.doubts {
        let day = doubt.day.map(|day| format!(" {day}")).unwrap_or_default();
        let _ = writeln!(text, "  {}{day}: {}", doubt.file, doubt.what);
    }
}
