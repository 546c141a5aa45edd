//! Commands that need no running daemon: what they print, where, and their exit codes.

use heapward::model::time::local;
use heapward_rules::units::Span;
use heapward_tests::daemon::{config_text, heapward, now};
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

#[test]
fn a_daemon_that_is_not_there_is_said_to_be_so() {
    check(&["pile", "--at", "http://127.0.0.1:9", "list"], 1, "", "is `heapward run` at work?");
    check(&["pile", "--at", "nonsense", "list"], 1, "", "is no address");
    check(&["pile", "--at", "http://127.0.0.1:9", "turned", "2026-03"], 1, "", "needs a pass");
}

/// Two zones that never have the same day.
#[test]
fn a_season_without_a_beginning_begins_on_the_farms_day() {
    let dir = tempfile::tempdir().unwrap();
    let (plan, config) = (dir.path().join("plan.toml"), dir.path().join("heapward.toml"));
    let by = local(now() + Span::days(3), chrono_tz::Tz::UTC).format("%Y-%m-%d");
    let bed = format!("[[bed]]\nname = \"north-4\"\narea_ft2 = 400\ndepth_in = 1\nby = \"{by}\"\n");
    std::fs::write(&plan, format!("[bays]\ncount = 1\npile_yd3 = 8\n{bed}")).unwrap();
    let season = |config: &str| {
        let output = heapward(&["season", plan.to_str().unwrap(), "--config", config]);
        texts(&output).0
    };
    for zone in [chrono_tz::Tz::Pacific__Kiritimati, chrono_tz::Tz::Etc__GMTPlus12] {
        let text = config_text(dir.path(), 9, "[endpoint]\nlisten = \"127.0.0.1:9\"");
        let with_zone = |line: &str| {
            if line.starts_with("timezone") {
                format!("timezone = \"{zone}\"\n")
            } else {
                format!("{line}\n")
            }
        };
        let text = text.lines().map(with_zone);
        std::fs::write(&config, text.collect::<String>()).unwrap();
        let said = season(config.to_str().unwrap());
        let today = local(now(), zone).format("%Y-%m-%d");
        assert!(said.contains(&format!("or start before {today}.")), "{zone}:\n{said}");
        assert!(!said.contains("UTC"), "{said}");
    }
    let said = season("/nowhere.toml");
    let today = local(now(), chrono_tz::Tz::UTC).format("%Y-%m-%d");
    assert!(said.contains(&format!("Begins {today}, today in UTC: no configuration")), "{said}");
}
