//! A judgement in the words and the shape of the cases, instants as milliseconds.

use heapward_rules::ids::SpotName;
use heapward_rules::pile::Pile;
use heapward_rules::units::At;
use heapward_rules::verdict::{BreakReason, Caution, Judgement, Run, SpotVerdict, Status, Verdict};
use serde_json::{Value, json};

const PEAK_TOLERANCE_C: f64 = 1e-5;

/// What differs between a judgement and what a case expects. Keys that the case does not have are not compared.
pub(crate) fn difference(pile: &Pile, judgement: &Judgement, expected: &Value) -> Option<String> {
    differs("answer", &answer(pile, judgement), expected)
}

fn differs(place: &str, answer: &Value, expected: &Value) -> Option<String> {
    match (answer, expected) {
        (Value::Object(answer), Value::Object(expected)) => expected.iter().find_map(|(key, expected)| {
            differs(&format!("{place}.{key}"), answer.get(key).unwrap_or(&Value::Null), expected)
        }),
        (Value::Array(answer), Value::Array(expected)) if answer.len() == expected.len() => {
            answer.iter().zip(expected).enumerate().find_map(|(index, (answer, expected))| {
                differs(&format!("{place}[{index}]"), answer, expected)
            })
        }
        (Value::Number(a), Value::Number(b)) if place.ends_with("peak_c") => {
            let distance = (a.as_f64()? - b.as_f64()?).abs();
            (distance > PEAK_TOLERANCE_C).then(|| format!("{place}: {a} instead of {b}"))
        }
        _ => (answer != expected).then(|| format!("{place}: {answer} instead of {expected}")),
    }
}

fn answer(pile: &Pile, judgement: &Judgement) -> Value {
    let counts = judgement.counts;
    let incidents = judgement.overheating.iter().map(|incident| {
        json!({
            "kind": "overheating",
            "opened": incident.opened.0,
            "closed": millis(incident.closed),
            "peak_c": incident.peak.0,
            "spot": incident.spot.as_str(),
        })
    });
    json!({
        "pile": pile.id.as_str(),
        "verdicts": judgement.verdicts.iter().map(verdict).collect::<Vec<_>>(),
        "readings": {
            "counting": counts.counting,
            "conflict": counts.conflict,
            "fault": counts.fault,
            "unplaced": counts.unplaced,
            "warming_up": counts.warming_up,
            "held": counts.held,
        },
        "incidents": incidents.collect::<Vec<_>>(),
    })
}

fn verdict(verdict: &Verdict) -> Value {
    let breaks = verdict
        .breaks
        .iter()
        .map(|found| json!({"at": found.at.0, "spot": found.spot.as_str(), "reason": reason(found.reason)}));
    json!({
        "standard": verdict.standard.as_str(),
        "status": status(verdict.status),
        "at": millis(verdict.at),
        "held_up_by": verdict.held_up_by.as_ref().map(SpotName::as_str),
        "cautions": verdict.cautions.iter().map(caution).collect::<Vec<_>>(),
        "spots": verdict.spots.iter().map(spot).collect::<Vec<_>>(),
        "breaks": breaks.collect::<Vec<_>>(),
        "required": verdict.required.map(|required| json!({"time": required.time.0, "turns": required.turns})),
    })
}

fn spot(spot: &SpotVerdict) -> Value {
    let run = |run: Run| json!({"start": run.start.0, "end": run.end.0, "counted_ms": run.counted.0, "turns": run.turns});
    let given_up =
        spot.given_up.as_ref().map(|given_up| json!({"at": given_up.at.0, "reason": given_up.reason}));
    json!({
        "spot": spot.spot.as_str(),
        "required": spot.required,
        "qualified_at": millis(spot.qualified_at),
        "longest_run": spot.longest_run.map(run),
        "open_run": spot.open_run.map(run),
        "given_up": given_up,
    })
}

fn millis(at: Option<At>) -> Option<i64> {
    at.map(|at| at.0)
}

fn status(status: Status) -> &'static str {
    match status {
        Status::Qualified => "qualified",
        Status::TemperatureMet => "temperature-met",
        Status::Running => "running",
        Status::NotMet => "not-met",
        Status::NotRequired => "not-required",
    }
}

fn reason(reason: BreakReason) -> &'static str {
    match reason {
        BreakReason::TooCold => "too-cold",
        BreakReason::TooHot => "too-hot",
        BreakReason::NoEvidence => "no-evidence",
        BreakReason::Turned => "turned",
        BreakReason::MaterialAdded => "material-added",
    }
}

fn caution(caution: &Caution) -> String {
    match caution {
        Caution::UnitUnconfirmed(spot) => format!("unit-unconfirmed:{spot}"),
        Caution::TurnsCloseTogether => "turns-close-together".to_owned(),
        Caution::CuringNotRecorded => "curing-not-recorded".to_owned(),
    }
}
