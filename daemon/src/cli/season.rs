//! `heapward season`: when which pile has to be started for which bed.

use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use heapward_rules::recipe::dates::Date;

use super::copy::Copy;
use super::{ConfigArg, Failure, Outcome, WRONG_USE, print, standards_of};
use crate::after::seasons::{Piled, Season, seasons};
use crate::after::{day_of, uses};
use crate::clock::{Clock, SystemClock};
use crate::limits::SEASON_FILE_BYTES_MAX;
use crate::record::facts::Surroundings;
use crate::season::plan::{Plan, PlanError, Sheet};
use crate::season::schedule::{Schedule, schedule};
use crate::store::StoreError;

const PLAN: &str = "\
A plan:

  at_hand_yd3 = 2.0            # finished compost that is there
  [bays]
  count = 3
  pile_yd3 = 8                 # of a pile when it is built
  [pace]                       # optional, with these usual figures
  loss_percent = 50            # of the volume, until it is finished
  active_days = 30
  curing_days = 45
  people = 1
  yd3_per_person_day = 4       # what one person forks in a day
  [[bed]]
  name = \"north-4\"
  length_ft = 100              # or area_ft2 = 400
  width_ft = 4
  depth_in = 1
  by = \"2026-07-01\"";

/// Plan the season: which piles have to be started when; without a plan, the seasons so far side by side
#[derive(Debug, clap::Args)]
#[command(after_help = PLAN)]
pub struct SeasonArgs {
    /// The plan [default: none, and the seasons so far are shown side by side]
    #[arg(value_name = "PLAN.toml")]
    plan: Option<PathBuf>,
    /// The day on which it begins, such as 2026-03-01 [default: `from` of the plan, else today]
    #[arg(long, value_name = "DATE")]
    from: Option<String>,
    #[command(flatten)]
    config: ConfigArg,
    /// For the seasons so far: a store or a backup of one, in place of the configured one
    #[arg(long, value_name = "DIR")]
    store: Option<PathBuf>,
}

/// Plans a season and prints it, or shows those that were.
pub fn run(args: &SeasonArgs) -> Outcome {
    match &args.plan {
        Some(plan) => planned(plan, args),
        None => so_far(args),
    }
}

fn planned(path: &Path, args: &SeasonArgs) -> Outcome {
    let wrong = |text: String| Failure::new(WRONG_USE, text);
    let file = path.display();
    let size = std::fs::metadata(path).map_err(|error| wrong(format!("{file}: cannot be read ({error})")))?;
    if size.len() > SEASON_FILE_BYTES_MAX {
        return Err(wrong(format!("{file}: is longer than {SEASON_FILE_BYTES_MAX} bytes; this is no plan")));
    }
    let text =
        std::fs::read_to_string(path).map_err(|error| wrong(format!("{file}: cannot be read ({error})")))?;
    let in_file = |error: PlanError| wrong(format!("{file}:\n{error}"));
    let mut sheet = Sheet::read(&text).map_err(in_file)?;
    let begins = |text: &String| {
        Date::parse(text).ok_or_else(|| wrong(format!("--from {text}: write a date such as 2026-03-01")))
    };
    let begins = args.from.as_ref().map(begins).transpose()?;
    if begins.is_some() {
        sheet.from = None;
    }
    // A configuration is needed only by a plan that says nowhere when it begins.
    let zone = if begins.is_some() || sheet.from.is_some() { chrono_tz::UTC } else { zone(&args.config)? };
    let today = day_of(SystemClock::new(true).now(), zone);
    let today = begins.or(today).ok_or_else(|| Failure::failed("the clock shows no date"))?;
    let plan = Plan::of(&sheet, today).map_err(in_file)?;
    print(&in_words(&plan, &schedule(&plan)))
}

/// Works on a copy of the store: the daemon may go on writing.
fn so_far(args: &SeasonArgs) -> Outcome {
    let config = args.config.load()?;
    let standards = standards_of(config.standards_dir.as_deref())?;
    let zone = config.farm.timezone;
    let (_copy, store) = Copy::open(args.store.as_deref().unwrap_or(&config.store.dir), zone, "season")?;
    let (reader, surroundings) = (store.reader(), Surroundings::of(&config, &standards));
    let failed = |error: StoreError| Failure::failed(error.to_string());
    let mut judged = Vec::new();
    for pile in reader.piles().map_err(failed)? {
        if let Some(facts) = surroundings.gather(&reader, &pile.id).map_err(failed)? {
            let uses = uses::of(&facts.record, &facts.entries, &facts.judgement, zone);
            judged.push((facts.record, facts.judgement, uses));
        }
    }
    let piled = judged.iter().map(|(record, judgement, uses)| Piled { record, judgement, uses });
    print(&side_by_side(&seasons(piled, zone)))
}

fn side_by_side(seasons: &[Season]) -> String {
    if seasons.is_empty() {
        return "There is no pile yet; give a plan to plan a season: heapward season --help\n".to_owned();
    }
    let mut out =
        "built in  piles  qualified  days to qualify (median)  used raw  yd3 built  yd3 used\n".to_owned();
    for season in seasons {
        let or_none = |figure: Option<f64>| figure.map_or("-".to_owned(), |figure| format!("{figure:.1}"));
        let _ = writeln!(
            out,
            "{:<8}  {:>5}  {:>9}  {:>24}  {:>8}  {:>9}  {:>8.1}",
            season.year,
            season.piles,
            season.qualified,
            or_none(season.days_to_qualify),
            season.used_raw,
            or_none(season.built_yd3),
            season.used_yd3
        );
    }
    out
}

/// Whose calendar says what today is: the farm's, which is another than Greenwich's in the evening. A machine without a
/// configuration has no farm.
fn zone(config: &ConfigArg) -> Result<chrono_tz::Tz, Failure> {
    if config.config.exists() { Ok(config.load()?.farm.timezone) } else { Ok(chrono_tz::UTC) }
}

fn in_words(plan: &Plan, schedule: &Schedule) -> String {
    let count = schedule.builds.len();
    let mut out = format!(
        "{} beds want {:.1} cubic yards; a pile of {:.1} gives {:.1}. {count} {} to build.\n",
        plan.beds.len(),
        schedule.wanted_yd3,
        plan.pile_yd3,
        plan.yield_yd3(),
        if count == 1 { "pile" } else { "piles" }
    );
    if count > 0 {
        let _ = writeln!(out, "\nstart       built       to cure     ready       bay  for");
    }
    for build in &schedule.builds {
        let late =
            if build.late_days > 0 { format!("  {} days LATE", build.late_days) } else { String::new() };
        let _ = writeln!(
            out,
            "{}  {}  {}  {}  {:<3}  {} ({:.1} yd3){late}",
            build.start,
            build.built,
            build.to_cure,
            build.ready,
            build.bay,
            build.beds.join(", "),
            build.wanted_yd3
        );
    }
    let _ = writeln!(out, "\nStarted later than this, a pile is not ready for the bed:");
    for latest in &schedule.latest {
        let start = latest.start.map_or("compost at hand is enough".to_owned(), |start| start.to_string());
        let _ = writeln!(out, "  {:<20} {start}", latest.bed);
    }
    let late: Vec<_> = schedule.builds.iter().filter(|build| build.late_days > 0).collect();
    if !late.is_empty() {
        let short: f64 = late.iter().map(|build| build.wanted_yd3).sum();
        let days = late.iter().map(|build| build.late_days).max().unwrap_or(0);
        let _ = writeln!(
            out,
            "\nShort by {short:.1} cubic yards, up to {days} days. Buy that much, spread it later or thinner, use more bays \
             or more hands, or start before {}.",
            plan.from
        );
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_season_in_words_says_what_is_short() {
        let text = "from = \"2026-03-01\"\n[bays]\ncount = 1\npile_yd3 = 8\n[[bed]]\nname = \"north-4\"\narea_ft2 = 400\n\
                    depth_in = 1\nby = \"2026-05-01\"\n[[bed]]\nname = \"south-1\"\narea_ft2 = 1300\ndepth_in = 1\nby = \
                    \"2026-08-01\"\n";
        let plan = Plan::of(&Sheet::read(text).unwrap(), Date::new(2026, 1, 1).unwrap()).unwrap();
        let said = in_words(&plan, &schedule(&plan));
        assert!(
            said.starts_with("2 beds want 5.2 cubic yards; a pile of 8.0 gives 4.0. 2 piles to build."),
            "{said}"
        );
        assert!(said.contains("2026-03-01  2026-03-03  2026-04-02  2026-05-17  1    north-4, south-1 (4.0 yd3)  16 days LATE"), "{said}");
        assert!(said.contains("north-4              2026-02-13"), "{said}");
        assert!(said.contains("Short by 4.0 cubic yards, up to 16 days."), "{said}");
    }
}
