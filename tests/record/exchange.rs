//! Into and out of other tools, and twice is once.

use std::path::Path;
use std::process::{Command, Output};

use heapward::store::{Store, StoreOptions};
use heapward_tests::daemon::{binary, heapward};
use heapward_tests::repository;

use crate::farm::{Farm, ZONE};

fn run(args: &[&str]) -> Output {
    let done = heapward(args);
    assert!(done.status.success(), "{args:?}: {}", String::from_utf8_lossy(&done.stderr));
    done
}

/// A fresh store with a configuration beside it.
fn empty_site(dir: &Path) -> String {
    let config = dir.join("heapward.toml");
    let text = format!(
        "[farm]\nname = \"Quillback Farm\"\ntimezone = \"America/New_York\"\nhardware_clock = true\n\
         [store]\ndir = \"{}\"\n[endpoint]\nlisten = \"127.0.0.1:1883\"\n",
        dir.join("records").display()
    );
    std::fs::write(&config, text).unwrap();
    drop(Store::open(&StoreOptions::new(dir.join("records"), ZONE)).unwrap());
    config.display().to_string()
}

fn export(config: &str, to: &Path) {
    run(&["export", "--out", &to.display().to_string(), "--config", config]);
}

fn said(output: &Output) -> String {
    String::from_utf8_lossy(&output.stdout).into_owned()
}

#[test]
fn what_is_exported_comes_back_to_the_digit_and_twice_is_once() {
    let farm = Farm::new();
    let out = farm.dir.path().join("stick");
    export(&farm.config().display().to_string(), &out);
    let table = std::fs::read(out.join("temperatures.csv")).unwrap();
    let rows = String::from_utf8_lossy(&table).lines().count() - 1;
    assert_eq!(rows, farm.readings.len());
    assert!(out.join("piles/2026-03/record-letter.pdf").is_file());
    // An export onto an older one gives the same files.
    export(&farm.config().display().to_string(), &out);
    assert!(std::fs::read(out.join("temperatures.csv")).unwrap() == table);

    let other = tempfile::tempdir().unwrap();
    let config = empty_site(other.path());
    let file = out.join("temperatures.csv").display().to_string();
    let once = said(&run(&["import", &file, "--by", "OM", "--config", &config]));
    assert!(
        once.contains(&format!("By probes: {} new, 0 known already, 2 in conflict", rows - 2))
            || once.contains("in conflict"),
        "{once}"
    );
    let twice = said(&run(&["import", &file, "--by", "OM", "--config", &config]));
    assert!(twice.contains(&format!("By probes: 0 new, {rows} known already")), "{twice}");
    let again = other.path().join("again");
    export(&config, &again);
    assert!(
        std::fs::read(again.join("temperatures.csv")).unwrap() == table,
        "what came back is not what went out"
    );
    let log = Store::open(&StoreOptions::new(other.path().join("records"), ZONE)).unwrap().0;
    assert_eq!(log.reader().entries(None, 0, 10).unwrap().len(), 1, "one import, one entry");
}

#[test]
fn a_notebook_and_another_logger_are_taken_into_a_pile() {
    let farm = Farm::new();
    let config = farm.config().display().to_string();
    let notebook = farm.dir.path().join("notebook.csv");
    std::fs::write(&notebook, "time,source,value,unit\n2026-05-04T07:00:00-04:00,hand:toe,141.5,F\n")
        .unwrap();
    let logger = farm.dir.path().join("logger.csv");
    std::fs::write(&logger, "Logger 7\nDate;Time;Toe\n05/14/2026;10:00;43,5\n05/14/2026;10:15;43,25\n")
        .unwrap();
    let (notebook, logger) = (notebook.display().to_string(), logger.display().to_string());

    let by_hand = ["import", &notebook, "--by", "BO", "--pile", "2026-03", "--config", &config];
    let refused = heapward(&["import", &notebook, "--by", "BO", "--config", &config]);
    assert!(String::from_utf8_lossy(&refused.stderr).contains("is no spot of this pile"), "{refused:?}");
    assert!(said(&run(&by_hand)).contains("By hand: 1 new, 0 known already"));
    assert!(said(&run(&by_hand)).contains("By hand: 0 new, 1 known already"));

    let table = [
        "import",
        &logger,
        "--by",
        "BO",
        "--config",
        &config,
        "--time",
        "Date",
        "--time",
        "Time",
        "--time-format",
        "%m/%d/%Y %H:%M",
        "--column",
        "Toe=k4",
        "--unit",
        "C",
        "--delimiter",
        ";",
        "--decimal-comma",
        "--skip-lines",
        "1",
    ];
    let looked = said(&run(&[&table[..], &["--dry-run"]].concat()));
    assert!(
        looked.contains("2026-05-14T14:00:00.000Z k4 43.5 C") && looked.contains("Nothing was changed"),
        "{looked}"
    );
    assert!(said(&run(&table)).contains("By probes: 2 new, 0 known already"));
    assert!(said(&run(&table)).contains("By probes: 0 new, 2 known already"));

    let record = farm.record("record");
    // Their day was sealed before they came: until the next day is sealed nothing holds them, and that is said.
    let refused = heapward(&["verify", &record.display().to_string()]);
    let why = String::from_utf8_lossy(&refused.stderr).into_owned();
    assert_eq!(refused.status.code(), Some(1), "{why}");
    assert!(
        why.contains("readings.csv (2026-05-14): 2 readings of k4 are in no sealed day: they came after"),
        "{why}"
    );
    let html = std::fs::read_to_string(record.join("record.html")).unwrap();
    assert!(html.contains("from notebook.csv"), "the hand reading says where it was written");
    assert!(
        html.contains("Imported 2 readings of k4 from logger.csv")
            || html.contains("imported 2 readings of k4 from logger.csv")
    );
    assert!(
        std::fs::read_to_string(record.join("readings.csv"))
            .unwrap()
            .contains("2026-05-14T14:15:00.000Z,k4,43.25,C")
    );
}

#[test]
fn a_running_daemon_keeps_its_store_to_itself() {
    let farm = Farm::new();
    let _held = Store::open(&StoreOptions::new(farm.dir.path().join("records"), ZONE)).unwrap();
    let file = farm.dir.path().join("r.csv");
    std::fs::write(&file, "time,source,value,unit\n2026-05-04T07:00:00Z,k1,60,C\n").unwrap();
    let (file, config) = (file.display().to_string(), farm.config().display().to_string());
    let refused = heapward(&["import", &file, "--by", "OM", "--config", &config]);
    assert_eq!(refused.status.code(), Some(1));
    assert!(String::from_utf8_lossy(&refused.stderr).contains("systemctl stop heapward"));
    // Looking at it goes on.
    farm.record("record");
}

#[test]
fn the_seasons_so_far_stand_side_by_side() {
    let farm = Farm::new();
    let text = said(&run(&["season", "--config", &farm.config().display().to_string()]));
    let lines: Vec<Vec<&str>> = text.lines().skip(1).map(|line| line.split_whitespace().collect()).collect();
    // One pile of 2026 that qualified on its fifth day and went onto a bed; no recipe says how much was built.
    assert_eq!(lines.len(), 1, "{text}");
    assert_eq!((&lines[0][..3], &lines[0][4..]), (&["2026", "1", "1"][..], &["0", "-", "1.5"][..]), "{text}");
    let days: f64 = lines[0][3].parse().unwrap();
    assert!((4.0..5.0).contains(&days), "{text}");
}

/// The timer among the examples: systemd takes both units, it comes once a week, and its command does it.
#[test]
fn the_weekly_export_of_the_examples_is_taken_by_systemd_and_does_it() {
    let dir = tempfile::tempdir().unwrap();
    let unit = |name: &str| {
        let text = std::fs::read_to_string(repository().join("deploy/examples").join(name)).unwrap();
        let text = text.replace("/usr/bin/heapward", &binary().display().to_string());
        std::fs::write(dir.path().join(name), &text).unwrap();
        text
    };
    let (service, timer) = (unit("heapward-export.service"), unit("heapward-export.timer"));
    let analyze = |args: &[&str]| {
        let done = Command::new("systemd-analyze").args(args).current_dir(dir.path()).output();
        let done = done.unwrap_or_else(|error| panic!("systemd-analyze: {error}; apt-get install systemd"));
        let text =
            String::from_utf8_lossy(&done.stdout).into_owned() + &String::from_utf8_lossy(&done.stderr);
        assert!(done.status.success(), "{args:?}: {text}");
        text
    };
    let doubts = analyze(&["verify", "--man=no", "./heapward-export.timer", "./heapward-export.service"]);
    assert!(!doubts.contains("heapward-export"), "{doubts}");
    let value = |text: &str, key: &str| {
        text.lines().find_map(|line| line.strip_prefix(key)).unwrap_or_else(|| panic!("{key}")).to_owned()
    };
    let calendar = analyze(&["calendar", "--iterations=2", &value(&timer, "OnCalendar=")]);
    let lines = calendar.lines().map(str::trim_start);
    let elapses: Vec<&str> =
        lines.filter(|line| line.starts_with("Next elapse") || line.starts_with("Iter.")).collect();
    assert!(elapses.len() == 2 && elapses.iter().all(|line| line.contains(": Mon ")), "{calendar}");

    let farm = Farm::new();
    let out = dir.path().join("stick");
    let command = value(&service, "ExecStart=")
        .replace("/etc/heapward/heapward.toml", &farm.config().display().to_string())
        .replace("/media/heapward/export", &out.display().to_string());
    let words: Vec<&str> = command.split(' ').collect();
    let done = Command::new(words[0]).args(&words[1..]).output().unwrap();
    assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
    assert!(out.join("temperatures.csv").is_file() && out.join("piles/2026-03/record.html").is_file());
}
