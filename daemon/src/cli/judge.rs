//! `heapward judge`: judges files without daemon, broker or store, with the same code (design 5.4).

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use heapward_rules::ids::{SpotName, StandardId};
use heapward_rules::judge::Judge;
use heapward_rules::pile::Pile;
use heapward_rules::standard::Standard;
use heapward_rules::verdict::{Judgement, Verdict};

use crate::exchange::judgement_json::JudgementJson;
use crate::exchange::{FileProblem, log_csv, pile_toml, readings_csv};
use crate::model::time::rfc3339;
use crate::model::words;
use crate::standards;

/// Judge logged readings from files
#[derive(Clone, Debug, clap::Args)]
pub struct JudgeArgs {
    /// The pile: method, material, spots, placements, standards (TOML)
    pub pile: PathBuf,
    /// The readings: `time,source,value,unit` (CSV)
    pub readings: PathBuf,
    /// What was done to the pile: `time,event,detail` (CSV)
    #[arg(long)]
    pub log: Option<PathBuf>,
    /// Print the judgement as JSON
    #[arg(long)]
    pub json: bool,
    /// A folder with standards of your own, beside those built in
    #[arg(long, value_name = "DIR")]
    pub standards: Option<PathBuf>,
}

/// Why nothing was judged; each line is for standard error.
#[derive(Debug, thiserror::Error)]
pub enum JudgeError {
    #[error("{0}")]
    File(#[from] FileProblem),
    #[error("{}:1: cannot be read: {error}; check the name of the file", path.display())]
    Io { path: PathBuf, error: std::io::Error },
    #[error("{}", .0.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n"))]
    Standards(Vec<standards::Problem>),
    #[error("the judgement cannot be written as JSON: {0}")]
    Json(#[from] serde_json::Error),
}

/// Judges; what is to be printed, or why nothing was judged (exit code 2).
pub fn run(args: &JudgeArgs) -> Result<String, JudgeError> {
    let known = standards::load(args.standards.as_deref()).map_err(JudgeError::Standards)?;
    let (pile, chosen) = pile_toml::read(&name(&args.pile), &bytes(&args.pile)?, &known)?;
    let spots: Vec<SpotName> = pile.spots.iter().map(|spot| spot.name.clone()).collect();
    let readings = readings_csv::read(&name(&args.readings), &bytes(&args.readings)?, &spots)?;
    let log = match &args.log {
        Some(path) => log_csv::read(&name(path), &bytes(path)?, &spots)?,
        None => Vec::new(),
    };
    let judge = Judge::of_set(pile, chosen, &log, &readings);
    let judgement = judge.judgement();
    if args.json {
        let json = JudgementJson::new(&judge.pile().id, &judgement);
        return Ok(serde_json::to_string_pretty(&json)? + "\n");
    }
    Ok(in_words(judge.pile(), &judgement, &known))
}

fn bytes(path: &Path) -> Result<Vec<u8>, JudgeError> {
    std::fs::read(path).map_err(|error| JudgeError::Io { path: path.to_owned(), error })
}

fn name(path: &Path) -> String {
    path.display().to_string()
}

fn in_words(pile: &Pile, judgement: &Judgement, known: &BTreeMap<StandardId, Standard>) -> String {
    let mut text = format!("Pile {}\n", pile.id);
    for verdict in &judgement.verdicts {
        verdict_in_words(&mut text, verdict, known.get(&verdict.standard));
    }
    let counts = judgement.counts;
    let _ = writeln!(
        text,
        "\nReadings: {} count, {} conflict, {} fault, {} unplaced, {} warming up, {} held",
        counts.counting, counts.conflict, counts.fault, counts.unplaced, counts.warming_up, counts.held
    );
    for incident in &judgement.overheating {
        let closed = incident.closed.map_or("still open".to_owned(), |at| format!("until {}", rfc3339(at)));
        let (spot, peak) = (&incident.spot, incident.peak);
        let _ = writeln!(
            text,
            "Overheating from {} {closed}: {:.1} F ({:.1} C) at its hottest, first at {spot}",
            rfc3339(incident.opened),
            peak.to_f(),
            peak.0
        );
    }
    text
}

fn verdict_in_words(text: &mut String, verdict: &Verdict, standard: Option<&Standard>) {
    let clause = standard.map_or("", |standard| standard.clause.as_str());
    let at = verdict.at.map(|at| format!(" at {}", rfc3339(at))).unwrap_or_default();
    let _ = writeln!(text, "\n{} ({clause}): {}{at}", verdict.standard, words::status_word(verdict.status));
    if standard.is_some_and(|standard| !standard.verified) {
        let _ = writeln!(text, "  {}", words::FROM_MEMORY);
    }
    if let Some(spot) = &verdict.held_up_by {
        let _ = writeln!(text, "  held up by {spot}");
    }
    for spot in &verdict.spots {
        let run = spot.longest_run.map_or("no run".to_owned(), |run| {
            format!("{} counted from {} to {}", run.counted, rfc3339(run.start), rfc3339(run.end))
        });
        let role = if spot.required { "" } else { " (not required)" };
        let _ = writeln!(text, "  {}{role}: {run}", spot.spot);
    }
    for b in &verdict.breaks {
        let _ = writeln!(text, "  break at {} in {}: {}", rfc3339(b.at), b.spot, words::break_word(b.reason));
    }
    for caution in &verdict.cautions {
        let _ = writeln!(text, "  caution: {}", words::caution_word(caution));
    }
}
