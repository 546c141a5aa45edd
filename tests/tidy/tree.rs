//! Files of the tree: their length, letters and words.

use std::path::Path;
use std::process::Command;

use heapward_tests::repository;

/// Lines of one source file; tests excepted.
const LINES_MAX: usize = 500;

/// Words that the repository must not hold, in two halves so that this file doesn't: marks of unfinished work, tests
/// that don't run, and places of somebody's machine.
const BANNED: [(&str, &str, &str); 11] = [
    ("TO", "DO", "finish it, or leave it out"),
    ("FIX", "ME", "finish it, or leave it out"),
    ("unimple", "mented!", "finish it, or leave it out"),
    ("#[ig", "nore", "a test runs or is deleted"),
    ("pytest.mark.", "skip", "a test runs or is deleted"),
    ("/wo", "rk/", "nothing may reach outside the repository"),
    ("/tmp/", "wt", "nothing may reach outside the repository"),
    ("../sha", "red", "nothing may reach outside the repository"),
    ("trans", "cript", "the source of a need is never cited"),
    ("You", "Tube", "the source of a need is never cited"),
    ("vid", "eo", "the source of a need is never cited"),
];

/// Letters outside ASCII that may stand in sources: units, formulas, and what people really type.
const LETTERS: &str = "°±²³µ½×·÷–—’“”…éüöäñÉß≤≥→←√π℃℉Σ";
/// Sources about letters, and about lines that are drawn on a terminal.
const LETTER_FILES: [&str; 2] = ["telling/gsm.rs", "telling/terminal.rs"];

fn files() -> Vec<String> {
    let output = Command::new("git")
        .args(["ls-files", "--cached", "--others", "--exclude-standard"])
        .current_dir(repository())
        .output()
        .unwrap_or_else(|error| panic!("git can't be started ({error}): apt-get install git"));
    assert!(output.status.success(), "git ls-files failed: run the tests in a clone");
    let names = String::from_utf8(output.stdout).unwrap();
    let files: Vec<String> = names.lines().map(str::to_owned).filter(|name| exists(name)).collect();
    assert!(files.len() > 50, "only {} files were found", files.len());
    files
}

fn exists(name: &str) -> bool {
    repository().join(name).is_file()
}

/// The text of a file; none for a picture, a font or another file that is no text.
fn text(name: &str) -> Option<String> {
    String::from_utf8(std::fs::read(repository().join(name)).unwrap()).ok()
}

fn ends_in(name: &str, endings: &[&str]) -> bool {
    Path::new(name).extension().is_some_and(|ending| endings.iter().any(|one| ending == *one))
}

fn is_test(name: &str) -> bool {
    name.starts_with("tests/") || name.contains("/tests/") || name.ends_with("/tests.rs")
}

fn is_data(name: &str) -> bool {
    name.starts_with("tests/data/") || name == "Cargo.lock" || name == "LICENSE"
}

#[track_caller]
fn none(what: &str, found: &[String]) {
    assert!(found.is_empty(), "{what}:\n{}", found.join("\n"));
}

#[test]
fn a_source_file_fits_in_a_head() {
    let long = |name: &String| {
        let lines = text(name)?.lines().count();
        (lines > LINES_MAX).then(|| format!("{name}: {lines} lines; split it by its nouns"))
    };
    let sources = files().into_iter().filter(|name| ends_in(name, &["rs"]) && !is_test(name));
    none("files of more than 500 lines", &sources.filter_map(|name| long(&name)).collect::<Vec<_>>());
}

#[test]
fn no_file_holds_a_banned_word() {
    let mut found = Vec::new();
    for name in files().iter().filter(|name| !is_data(name)) {
        let text = text(name).unwrap_or_default();
        for (number, line) in text.lines().enumerate() {
            for (first, second, instead) in BANNED {
                if line.contains(&format!("{first}{second}")) {
                    found.push(format!("{name}:{}: `{first}{second}`: {instead}", number + 1));
                }
            }
        }
    }
    none("banned words", &found);
}

#[test]
fn sources_are_ascii_but_for_a_few_letters() {
    let mut found = Vec::new();
    let sources = |name: &&String| {
        ends_in(name, &["rs", "toml", "sh", "md", "css"]) && !is_data(name) && !is_test(name)
    };
    let about_letters = |name: &str| LETTER_FILES.iter().any(|file| name.ends_with(file));
    for name in files().iter().filter(sources).filter(|name| !about_letters(name)) {
        for (number, line) in text(name).unwrap_or_default().lines().enumerate() {
            if let Some(letter) = line.chars().find(|c| !c.is_ascii() && !LETTERS.contains(*c)) {
                let code = u32::from(letter);
                found
                    .push(format!("{name}:{}: `{letter}` (U+{code:04X}): write it as an escape", number + 1));
            }
        }
    }
    none("letters outside ASCII", &found);
}

#[test]
fn lines_end_without_blanks_and_files_with_a_line() {
    let mut found = Vec::new();
    // A `.txt` is the body of a message to the letter.
    for name in files().iter().filter(|name| !is_data(name) && !ends_in(name, &["txt"])) {
        let Some(text) = text(name) else { continue };
        if !text.is_empty() && !text.ends_with('\n') {
            found.push(format!("{name}: has no line end at its end"));
        }
        let trailing = |(number, line): (usize, &str)| {
            line.ends_with([' ', '\t', '\r']).then(|| format!("{name}:{}: ends in a blank", number + 1))
        };
        found.extend(text.lines().enumerate().filter_map(trailing));
    }
    none("stray blanks", &found);
}

#[test]
fn the_rules_name_no_clock_and_no_world() {
    let worldly = [
        "std::time",
        "std::fs",
        "std::net",
        "std::thread",
        "std::env",
        "HashMap",
        "HashSet",
        "async ",
        "rand::",
    ];
    let mut found = Vec::new();
    for name in files().iter().filter(|name| name.starts_with("rules/src/")) {
        for (number, line) in text(name).unwrap_or_default().lines().enumerate() {
            let code = line.split("//").next().unwrap_or_default();
            found.extend(
                worldly
                    .iter()
                    .filter(|word| code.contains(**word))
                    .map(|word| format!("{name}:{}: {word}", number + 1)),
            );
        }
    }
    none("the rules are pure", &found);
}

#[test]
fn every_folder_of_modules_says_what_it_is() {
    let is_root = |name: &String| {
        let inner = name.strip_suffix(".rs").map(|stem| repository().join(stem).is_dir());
        ends_in(name, &["rs"]) && !is_test(name) && (name.ends_with("/mod.rs") || inner == Some(true))
    };
    let silent = |name: &String| !text(name).is_some_and(|text| text.starts_with("//!"));
    none(
        "files without a first line `//!`",
        &files().into_iter().filter(is_root).filter(silent).collect::<Vec<_>>(),
    );
}

#[test]
fn the_readme_names_the_two_commands() {
    let readme = text("README.md").unwrap();
    assert!(readme.contains("cargo run --release -- demo"), "README.md does not show the demo");
    assert!(readme.contains("tests/run"), "README.md does not show how to test");
    let screen: Vec<&str> = readme.lines().take(40).collect();
    assert!(screen.join("\n").contains("tests/run"), "the two commands are not on the first screen");
}

#[test]
fn what_the_checking_machine_runs_is_what_anybody_runs() {
    let run = text(".ci/run").unwrap();
    assert!(run.contains("exec bash tests/run"), "{run}");
}
