//! Commands that need no running daemon: what they print, where, and their exit codes.

use heapward::model::time::local;
use heapward_tests::daemon::{heapward, now};
use heapward_tests::repository;

fn texts(output: &std::process::Output) -> (String, String) {
    (
        String::from_utf8_lossy(&output.stdout).into_owned(),
        String::from_utf8_lossy(&output.stderr).into_owned(),
    )
}

#[track_caller]
fn check(args: &[&str], code: i32, in_out: &str, in_err: &str) {
    let output = heapward(args);
    let (out, err) = texts(&output);
    assert_eq!(output.status.code(), Some(code), "{args:?}\n{out}\n{err}");
    assert!(out.contains(in_out), "{args:?}: standard output lacks `{in_out}`:\n{out}");
    assert!(err.contains(in_err), "{args:?}: standard error lacks `{in_err}`:\n{err}");
    assert_eq!(out.is_empty(), in_out.is_empty(), "{args:?}: standard output:\n{out}");
    assert_eq!(err.is_empty(), in_err.is_empty(), "{args:?}: standard error:\n{err}");
}

#[test]
fn help_goes_to_standard_output_and_mistakes_to_standard_error() {
    check(&["--help"], 0, "Exit codes: 0 good; 1 failed; 2 input", "");
    check(&["--version"], 0, env!("CARGO_PKG_VERSION"), "");
    check(&[], 64, "", "Usage: heapward <COMMAND>");
    check(&["chek"], 64, "", "a similar subcommand exists: 'check'");
}

#[test]
fn a_good_configuration_is_told_in_words_and_a_bad_one_by_its_lines() {
    let minimal = repository().join("config/minimal.toml");
    check(&["check", "--config", minimal.to_str().unwrap()], 0, "the next day begins", "");
    let dir = tempfile::tempdir().unwrap();
    let bad = dir.path().join("bad.toml");
    std::fs::write(&bad, "[farm]\nname = 1\ntimezone = \"Mars\"\n").unwrap();
    let bad = bad.to_str().unwrap();
    check(
        &["check", "--config", bad],
        64,
        "",
        "bad.toml:2: farm.name: is a number; write a text in quotes\n",
    );
    check(&["check", "--config", bad], 64, "", "3 mistakes; nothing was started or changed");
    check(&["check", "--config", "/nowhere.toml"], 64, "", "/nowhere.toml:1: cannot be read");
}

#[test]
fn judging_has_its_own_code_for_unreadable_rows() {
    let case = repository().join("tests/data/cases/014-unreadable-row");
    let file = |name: &str| case.join(name).to_str().unwrap().to_owned();
    check(&["judge", &file("pile.toml"), &file("readings.csv")], 2, "", "readings.csv:17: ");
    let good = repository().join("tests/data/cases/001-qualified");
    let file = |name: &str| good.join(name).to_str().unwrap().to_owned();
    check(&["judge", &file("pile.toml"), &file("readings.csv")], 0, "us-organic", "");
}

/// The calendars of these two places are never on the same day, so one of them is not on that of Greenwich.
#[test]
fn a_season_begins_today_at_the_farm() {
    let dir = tempfile::tempdir().unwrap();
    let file = |name: &str, text: &str| {
        let path = dir.path().join(name);
        std::fs::write(&path, text).unwrap();
        path.display().to_string()
    };
    let bed = "name = \"north-4\"\narea_ft2 = 1296\ndepth_in = 1\nby = \"2020-05-01\"\n";
    let plan = file("plan.toml", &format!("[bays]\ncount = 1\npile_yd3 = 8\n[[bed]]\n{bed}"));
    let begun = |args: &[&str]| {
        let output = heapward(&[&["season", plan.as_str()], args].concat());
        let (out, err) = texts(&output);
        assert!(output.status.success(), "{args:?}: {err}");
        let words = out.split_once("or start before ").unwrap_or_else(|| panic!("{args:?}: {out}")).1;
        words[..10].parse::<chrono::NaiveDate>().unwrap()
    };
    let there = |place: &str| {
        let text = std::fs::read_to_string(repository().join("config/minimal.toml")).unwrap();
        let line = text.lines().find(|line| line.starts_with("timezone")).unwrap().to_owned();
        let config = file("heapward.toml", &text.replace(&line, &format!("timezone = \"{place}\"")));
        let before = now();
        let found = begun(&["--config", &config]);
        let zone: chrono_tz::Tz = place.parse().unwrap();
        let days = [before, now()].map(|at| local(at, zone).date_naive());
        assert!(days.contains(&found), "{place}: {found}, not {days:?}");
        found
    };
    let (ahead, behind) = (there("Pacific/Kiritimati"), there("Pacific/Pago_Pago"));
    assert!(ahead > behind, "{ahead} {behind}");
    // Without a configuration, or with a day of one's own, none is needed.
    begun(&["--config", "/nowhere.toml"]);
    let found = begun(&["--config", "/nowhere.toml", "--from", "2026-03-01"]);
    assert_eq!(found.to_string(), "2026-03-01");
}

#[test]
fn a_daemon_that_is_not_there_is_said_to_be_so() {
    check(&["pile", "--at", "http://127.0.0.1:9", "list"], 1, "", "is `heapward run` at work?");
    check(&["pile", "--at", "nonsense", "list"], 1, "", "is no address");
    check(&["pile", "--at", "http://127.0.0.1:9", "turned", "2026-03"], 1, "", "needs a pass");
}
