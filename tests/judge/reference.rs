//! The judge against a second one, written in Python from the text of the design alone (`tests/reference`).
//!
//! A generator writes random cases with the answers of the reference judge; each must come out of
//! `heapward judge` to the millisecond. `HEAPWARD_SEEDS` is the number of cases, `HEAPWARD_SEED` the first seed:
//! `HEAPWARD_SEED=1000 HEAPWARD_SEEDS=10000 cargo test -p heapward-tests --test judge reference`.

use std::path::{Path, PathBuf};
use std::process::Command;

use super::cases::check;

/// Some 10 s of work for one core, two thirds of it Python's.
const SEEDS: u64 = 600;
const FIRST_SEED: u64 = 1;

#[test]
fn random_cases_come_out_as_the_reference_says() {
    let (first, seeds) = (number("HEAPWARD_SEED", FIRST_SEED), number("HEAPWARD_SEEDS", SEEDS));
    let folder = tempfile::tempdir().unwrap();
    generate(folder.path(), first, seeds);
    let case = |seed: u64| folder.path().join(seed.to_string());
    let differences: Vec<(PathBuf, String)> = (first..first + seeds)
        .filter_map(|seed| check(&case(seed)).err().map(|difference| (case(seed), difference)))
        .collect();
    if differences.is_empty() {
        return;
    }
    let kept = folder.keep();
    let lines: Vec<String> =
        differences.iter().map(|(case, difference)| format!("{}: {difference}", case.display())).collect();
    panic!("{} of {seeds} cases differ (kept in {}):\n{}", lines.len(), kept.display(), lines.join("\n"));
}

/// The cases as the tests of `rules/` read them.
#[test]
fn the_fixture_of_the_rules_holds_the_cases_as_they_are() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("data/judge_cases.json");
    let fixture = std::fs::read_to_string(&path).unwrap();
    assert!(
        python("judge_fixture.py", &[]) == fixture,
        "{} is out of date: run tests/reference/judge_fixture.py > tests/data/judge_cases.json",
        path.display()
    );
}

/// Lets the generator write the cases, all in one process.
fn generate(folder: &Path, first: u64, seeds: u64) {
    let folder = folder.display().to_string();
    python("judge_cases.py", &[folder, first.to_string(), seeds.to_string()]);
}

/// Runs a program of the reference; what it prints.
fn python(program: &str, arguments: &[String]) -> String {
    let program = Path::new(env!("CARGO_MANIFEST_DIR")).join("reference").join(program);
    // -B: no compiled files beside the sources.
    let output = Command::new("python3").arg("-B").arg(&program).args(arguments).output();
    let output = output.unwrap_or_else(|error| {
        panic!("the reference judge needs python3, 3.11 or newer ({error}): apt-get install python3")
    });
    let message = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{} failed: {message}", program.display());
    String::from_utf8(output.stdout).unwrap()
}

fn number(variable: &str, default: u64) -> u64 {
    match std::env::var(variable) {
        Ok(text) => text.parse().unwrap_or_else(|_| panic!("{variable}={text}: write a number")),
        Err(_) => default,
    }
}
