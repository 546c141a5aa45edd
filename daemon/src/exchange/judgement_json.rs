//! A judgement as JSON: the shape of design 5.4. Times are RFC 3339 UTC with milliseconds.

use heapward_rules::ids::PileId;
use heapward_rules::units::At;
use heapward_rules::verdict::{Break, GivenUp, Judgement, Overheating, Run, SpotVerdict, Verdict};
use serde::Serialize;

use crate::model::time::rfc3339;
use crate::model::words;

#[derive(Serialize)]
pub struct JudgementJson {
    pile: String,
    verdicts: Vec<VerdictJson>,
    readings: CountsJson,
    incidents: Vec<OverheatingJson>,
}

#[derive(Serialize)]
struct VerdictJson {
    standard: String,
    status: &'static str,
    at: Option<String>,
    held_up_by: Option<String>,
    cautions: Vec<String>,
    spots: Vec<SpotJson>,
    breaks: Vec<BreakJson>,
}

#[derive(Serialize)]
struct SpotJson {
    spot: String,
    required: bool,
    qualified_at: Option<String>,
    longest_run: Option<RunJson>,
    given_up: Option<GivenUpJson>,
}

#[derive(Serialize)]
struct RunJson {
    start: String,
    end: String,
    counted_ms: i64,
    turns: usize,
}

#[derive(Serialize)]
struct GivenUpJson {
    at: String,
    reason: String,
}

#[derive(Serialize)]
struct BreakJson {
    at: String,
    spot: String,
    reason: &'static str,
}

#[derive(Serialize)]
struct CountsJson {
    counting: u64,
    conflict: u64,
    fault: u64,
    unplaced: u64,
    warming_up: u64,
    held: u64,
}

#[derive(Serialize)]
struct OverheatingJson {
    kind: &'static str,
    opened: String,
    closed: Option<String>,
    peak_c: f64,
    spot: String,
}

// === impl JudgementJson ===

impl JudgementJson {
    pub fn new(pile: &PileId, judgement: &Judgement) -> JudgementJson {
        let counts = judgement.counts;
        JudgementJson {
            pile: pile.to_string(),
            verdicts: judgement.verdicts.iter().map(verdict).collect(),
            readings: CountsJson {
                counting: counts.counting,
                conflict: counts.conflict,
                fault: counts.fault,
                unplaced: counts.unplaced,
                warming_up: counts.warming_up,
                held: counts.held,
            },
            incidents: judgement.overheating.iter().map(overheating).collect(),
        }
    }
}

fn verdict(verdict: &Verdict) -> VerdictJson {
    VerdictJson {
        standard: verdict.standard.to_string(),
        status: words::status_word(verdict.status),
        at: verdict.at.map(rfc3339),
        held_up_by: verdict.held_up_by.as_ref().map(ToString::to_string),
        cautions: verdict.cautions.iter().map(words::caution_word).collect(),
        spots: verdict.spots.iter().map(spot).collect(),
        breaks: verdict.breaks.iter().map(break_json).collect(),
    }
}

fn spot(spot: &SpotVerdict) -> SpotJson {
    let run = |run: &Run| RunJson {
        start: rfc3339(run.start),
        end: rfc3339(run.end),
        counted_ms: run.counted.0,
        turns: run.turns,
    };
    let given_up =
        |given_up: &GivenUp| GivenUpJson { at: rfc3339(given_up.at), reason: given_up.reason.clone() };
    SpotJson {
        spot: spot.spot.to_string(),
        required: spot.required,
        qualified_at: spot.qualified_at.map(rfc3339),
        longest_run: spot.longest_run.as_ref().map(run),
        given_up: spot.given_up.as_ref().map(given_up),
    }
}

fn break_json(b: &Break) -> BreakJson {
    BreakJson { at: rfc3339(b.at), spot: b.spot.to_string(), reason: words::break_word(b.reason) }
}

fn overheating(incident: &Overheating) -> OverheatingJson {
    OverheatingJson {
        kind: "overheating",
        opened: rfc3339(incident.opened),
        closed: incident.closed.map(|at: At| rfc3339(at)),
        peak_c: incident.peak.0,
        spot: incident.spot.to_string(),
    }
}
