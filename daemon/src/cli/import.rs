//! `heapward import`: readings of other loggers and of a notebook, into the store while the daemon is stopped.
//!
//! One writer: the store's lock keeps the daemon and this command apart. The same file twice changes nothing.

mod intake;

use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use chrono::FixedOffset;
use heapward_rules::ids::{ProbeId, SpotName};
use heapward_rules::reading::{Reading, Source, Unit};

use super::{ConfigArg, Failure, Outcome, UNREADABLE, WRONG_USE, print};
use crate::clock::{Clock as _, SystemClock};
use crate::config::Config;
use crate::exchange::logger_csv::{self, Clock, Layout, Taken};
use crate::exchange::readings_csv;
use crate::limits::IMPORT_FILE_BYTES_MAX;
use crate::model::pile::PileRecord;
use crate::model::reading::unit_word;
use crate::model::time::rfc3339;
use crate::record::digest::sha256;
use crate::store::{Store, StoreError, StoreOptions};

#[derive(Clone, Debug, clap::Args)]
pub struct ImportArgs {
    /// A table of readings: `time,source,value,unit` as `heapward judge` reads it, or any other with the options below
    file: PathBuf,
    /// Initials of who imports it; they stand in the log
    #[arg(long, value_name = "INITIALS")]
    by: String,
    /// The pile that readings by hand (`hand:SPOT`) belong to
    #[arg(long)]
    pile: Option<String>,
    /// Only show what would be taken
    #[arg(long)]
    dry_run: bool,
    #[command(flatten)]
    table: TableArgs,
    #[command(flatten)]
    config: ConfigArg,
}

/// How a table of another logger is read.
#[derive(Clone, Debug, clap::Args)]
struct TableArgs {
    /// Header of the time; twice for a date and a time of day
    #[arg(long = "time", value_name = "HEADER")]
    time: Vec<String>,
    /// How the time is written, such as '%m/%d/%Y %H:%M' [default: RFC 3339, or year-month-day and a time of day]
    #[arg(long, value_name = "FORMAT")]
    time_format: Option<String>,
    /// Clock of times without an offset [default: the farm's]
    #[arg(long, value_name = "ZONE", conflicts_with = "offset")]
    zone: Option<chrono_tz::Tz>,
    /// Offset from UTC of a logger that knows no summer time, such as -05:00
    #[arg(long, value_name = "OFFSET", allow_hyphen_values = true)]
    offset: Option<FixedOffset>,
    /// A column of values and whose they are: HEADER=PROBE or HEADER=hand:SPOT
    #[arg(long = "column", value_name = "HEADER=SOURCE")]
    columns: Vec<String>,
    /// Unit of all values: C, F or %
    #[arg(long, default_value = "F")]
    unit: String,
    /// What stands between the columns
    #[arg(long, default_value = ",", value_name = "CHAR")]
    delimiter: String,
    /// 61,5 means 61.5
    #[arg(long)]
    decimal_comma: bool,
    /// Lines before the header
    #[arg(long, default_value_t = 0, value_name = "COUNT")]
    skip_lines: usize,
}

pub fn run(args: &ImportArgs) -> Outcome {
    let config = args.config.load()?;
    let file = args.file.display().to_string();
    let bytes = read_file(&args.file)?;
    let layout = args.table.layout(&config)?;
    let failed = |error: StoreError| Failure::failed(error.to_string());
    let (mut store, _) =
        Store::open(&StoreOptions::new(&config.store.dir, config.farm.timezone)).map_err(failed)?;
    let pile = args.pile.as_deref().map(|id| find(&store, id)).transpose()?;
    let taken = match &layout {
        Some(layout) => logger_csv::read(&file, &bytes, layout),
        None => readings_csv::read(&file, &bytes, &spots(pile.as_ref()))
            .map(|readings| Taken { readings, ..Taken::default() }),
    };
    let taken = taken.map_err(|problem| Failure::new(UNREADABLE, format!("{problem}\nnothing was taken")))?;
    let mut text = format!("{file}: {} readings", taken.readings.len());
    if taken.blank > 0 {
        let _ = write!(text, "; {} cells are empty", taken.blank);
    }
    if taken.twice > 0 {
        let more = "lie in the hour that the clock shows twice and are left out: give the logger's --offset to date them";
        let _ = write!(text, "; {} {more}", taken.twice);
    }
    text.push('\n');
    let job = intake::Job {
        file: args.file.file_name().map_or(file.clone(), |name| name.to_string_lossy().into_owned()),
        digest: sha256(&bytes),
        by: args.by.clone(),
        pile,
        now: SystemClock::new(true).now(),
    };
    intake::check(&job, &taken.readings)?;
    if args.dry_run {
        for reading in taken.readings.iter().take(5) {
            text.push_str(&shown(reading));
        }
        text.push_str("Nothing was changed.\n");
        return print(&text);
    }
    let done = intake::take(&job, &mut store, &config, &taken.readings)?;
    text.push_str(&done.in_words());
    print(&text)
}

fn shown(reading: &Reading) -> String {
    let source = match &reading.source {
        Source::Probe(probe) => probe.to_string(),
        Source::Hand(spot) => format!("hand:{spot}"),
    };
    format!("  {} {source} {} {}\n", rfc3339(reading.at), reading.value, unit_word(reading.unit))
}

fn read_file(path: &Path) -> Result<Vec<u8>, Failure> {
    let refused = |why: String| Failure::new(UNREADABLE, format!("{}: {why}", path.display()));
    let length =
        std::fs::metadata(path).map_err(|error| refused(format!("it can't be read ({error})")))?.len();
    if length > IMPORT_FILE_BYTES_MAX {
        return Err(refused(format!("longer than {IMPORT_FILE_BYTES_MAX} bytes; split it by months")));
    }
    std::fs::read(path).map_err(|error| refused(format!("it can't be read ({error})")))
}

fn find(store: &Store, id: &str) -> Result<PileRecord, Failure> {
    let pile = store.reader().pile(id).map_err(|error| Failure::failed(error.to_string()))?;
    pile.ok_or_else(|| Failure::failed(format!("there is no pile {id}; begin it with `heapward pile new`")))
}

fn spots(pile: Option<&PileRecord>) -> Vec<SpotName> {
    pile.map(|pile| pile.spots.iter().map(|spot| SpotName::new(spot.name.as_str())).collect())
        .unwrap_or_default()
}

// === impl TableArgs ===

impl TableArgs {
    /// The layout of another logger's table, if one is described.
    fn layout(&self, config: &Config) -> Result<Option<Layout>, Failure> {
        let wrong = |what: String| Failure::new(WRONG_USE, what);
        if self.time.is_empty() && self.columns.is_empty() {
            return Ok(None);
        }
        if self.time.is_empty() || self.columns.is_empty() {
            let what = "a table needs both --time HEADER and --column HEADER=PROBE".to_owned();
            return Err(wrong(what));
        }
        let unit = match self.unit.as_str() {
            "C" => Unit::Celsius,
            "F" => Unit::Fahrenheit,
            "%" => Unit::Percent,
            other => return Err(wrong(format!("--unit {other}: write C, F or %"))),
        };
        let &[delimiter] = self.delimiter.as_bytes() else {
            return Err(wrong("--delimiter: write one character, such as ';'".to_owned()));
        };
        let values = self.columns.iter().map(|text| {
            let (header, source) = text
                .rsplit_once('=')
                .filter(|(header, source)| !header.is_empty() && !source.is_empty())
                .ok_or_else(|| wrong(format!("--column {text}: write HEADER=PROBE or HEADER=hand:SPOT")))?;
            let source = match source.strip_prefix("hand:") {
                Some(spot) => Source::Hand(SpotName::new(spot)),
                None => Source::Probe(ProbeId::new(source)),
            };
            Ok((header.to_owned(), source))
        });
        Ok(Some(Layout {
            time: self.time.clone(),
            time_format: self.time_format.clone(),
            clock: self.offset.map_or(Clock::Wall(self.zone.unwrap_or(config.farm.timezone)), Clock::Fixed),
            values: values.collect::<Result<_, Failure>>()?,
            unit,
            delimiter,
            decimal_comma: self.decimal_comma,
            skip_lines: self.skip_lines,
        }))
    }
}

#[cfg(test)]
mod tests;
