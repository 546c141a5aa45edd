//! Every folder of `tests/data/cases`: a pile, its readings, its log and the answer to the millisecond.

use std::path::{Path, PathBuf};

use heapward::cli::judge::{self, JudgeArgs};
use serde_json::Value;

const COMPARED: [&str; 6] = ["status", "at", "held_up_by", "cautions", "spots", "breaks"];
const PEAK_TOLERANCE_C: f64 = 1e-5;

#[test]
fn every_case_comes_out_as_expected() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("data/cases");
    let mut cases: Vec<PathBuf> =
        std::fs::read_dir(&folder).unwrap().map(|entry| entry.unwrap().path()).collect();
    cases.sort();
    let mut judged = 0;
    let mut wrong = Vec::new();
    for case in cases.iter().filter(|case| case.is_dir()) {
        judged += 1;
        if let Err(difference) = check(case) {
            wrong.push(format!("{}: {difference}", case.file_name().unwrap().to_string_lossy()));
        }
    }
    assert!(judged >= 14, "only {judged} cases in {}", folder.display());
    assert!(wrong.is_empty(), "{} of {judged} cases differ:\n{}", wrong.len(), wrong.join("\n"));
}

/// Compares the answer to one case with its `expected.json`.
pub(crate) fn check(case: &Path) -> Result<(), String> {
    let expected: Value =
        serde_json::from_slice(&std::fs::read(case.join("expected.json")).unwrap()).unwrap();
    let args = JudgeArgs {
        pile: case.join("pile.toml"),
        readings: case.join("readings.csv"),
        log: Some(case.join("log.csv")),
        json: true,
        standards: None,
    };
    let answer = judge::run(&args);
    if expected.get("exit") == Some(&Value::from(2)) {
        return refused(&answer.map_err(|error| error.to_string()), &expected);
    }
    let answer: Value = serde_json::from_str(&answer.map_err(|error| error.to_string())?).unwrap();
    same("readings", &answer["readings"], &expected["readings"])?;
    same_incidents(&answer["incidents"], &expected["incidents"])?;
    let (verdicts, wanted) = (list(&answer["verdicts"]), list(&expected["verdicts"]));
    same("number of verdicts", &verdicts.len().into(), &wanted.len().into())?;
    for (verdict, wanted) in verdicts.iter().zip(wanted) {
        for key in COMPARED {
            same(
                &format!("{} {key}", wanted["standard"]),
                &reduced(&verdict[key], &wanted[key]),
                &wanted[key],
            )?;
        }
    }
    Ok(())
}

/// An answer without the keys that the expected one does not name.
fn reduced(answer: &Value, wanted: &Value) -> Value {
    match (answer, wanted) {
        (Value::Array(answer), Value::Array(wanted)) if answer.len() == wanted.len() => {
            answer.iter().zip(wanted).map(|(answer, wanted)| reduced(answer, wanted)).collect()
        }
        (Value::Object(answer), Value::Object(wanted)) => answer
            .iter()
            .filter(|(key, _)| wanted.contains_key(*key))
            .map(|(key, value)| (key.clone(), value.clone()))
            .collect(),
        _ => answer.clone(),
    }
}

/// The message has to name the file and the line; for a pile the key, and the line where that is certain.
fn refused(answer: &Result<String, String>, expected: &Value) -> Result<(), String> {
    let file = expected["file"].as_str().unwrap();
    let place = match &expected["line"] {
        Value::Null => format!("{file}:"),
        line => format!("{file}:{line}: "),
    };
    let key = expected["key"].as_str().unwrap_or_default();
    match answer {
        Err(message) if message.contains(&place) && message.contains(key) => Ok(()),
        Err(message) => Err(format!("expected {place} {key}, got: {message}")),
        Ok(_) => Err(format!("expected to be refused at {place} {key}, was judged")),
    }
}

fn same_incidents(answer: &Value, wanted: &Value) -> Result<(), String> {
    let (answer, wanted) = (list(answer), list(wanted));
    same("number of incidents", &answer.len().into(), &wanted.len().into())?;
    for (answer, wanted) in answer.iter().zip(wanted) {
        for key in ["kind", "opened", "closed", "spot"] {
            same(key, &answer[key], &wanted[key])?;
        }
        let difference = answer["peak_c"].as_f64().unwrap() - wanted["peak_c"].as_f64().unwrap();
        if difference.abs() > PEAK_TOLERANCE_C {
            return Err(format!("peak_c: {} instead of {}", answer["peak_c"], wanted["peak_c"]));
        }
    }
    Ok(())
}

fn same(what: &str, answer: &Value, wanted: &Value) -> Result<(), String> {
    if answer == wanted { Ok(()) } else { Err(format!("{what}: {answer} instead of {wanted}")) }
}

fn list(value: &Value) -> &[Value] {
    value.as_array().map_or(&[], Vec::as_slice)
}
