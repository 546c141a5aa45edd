//! From the heat to the bed, as the grower types it: curing, a test of maturity, use, and the dates of raw manure.

use std::process::Output;

use heapward_rules::units::Span;
use heapward_tests::daemon::{Daemon, heapward, now};
use heapward_tests::process::free_port;
use heapward_tests::repository;
use serde_json::Value;

fn checks(topic: &str) -> Vec<Value> {
    let text = std::fs::read_to_string(repository().join("tests/data/checks.json")).unwrap();
    let all: Vec<Value> = serde_json::from_str(&text).unwrap();
    let found: Vec<Value> = all.into_iter().filter(|check| check["topic"] == topic).collect();
    assert!(!found.is_empty(), "no checks of {topic}");
    found
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8(bytes.to_vec()).unwrap()
}

#[track_caller]
fn said(args: &[&str]) -> String {
    let output = heapward(args);
    assert!(output.status.success(), "{args:?}: {}", text(&output.stderr));
    text(&output.stdout)
}

#[test]
fn dates_of_harvest_are_those_of_the_rule_and_of_the_calendar() {
    for check in checks("raw_manure_dates") {
        let wanted = &check["expected"];
        let (args, soil, no_soil) = match check["inputs"]["incorporated"].as_str() {
            Some(day) => (["--worked-in", day], "harvest_from_soil_contact", "harvest_from_no_contact"),
            None => (
                ["--planned", check["inputs"]["planned_harvest"].as_str().unwrap()],
                "latest_incorporation_soil_contact",
                "latest_incorporation_no_contact",
            ),
        };
        let out = said(&[&["harvest"][..], &args].concat());
        for (key, words) in [(soil, "where the edible part touches the soil"), (no_soil, "where it does not")]
        {
            let line = format!("{} {words}", wanted[key].as_str().unwrap());
            assert!(out.contains(&line), "{}: {out}", check["id"]);
        }
    }
    // chrono is another's calendar: leap days, a century that is none, ends of years.
    for start in ["2024-02-26", "2027-10-29", "2028-02-26", "2099-10-28", "2100-02-26"] {
        let first: chrono::NaiveDate = start.parse().unwrap();
        for offset in 0..6 {
            let worked_in = first + chrono::Days::new(offset);
            let out = said(&["harvest", "--worked-in", &worked_in.to_string()]);
            for days in [120, 90] {
                let date = worked_in + chrono::Days::new(days);
                assert!(out.contains(&format!("  {date} ")), "{worked_in}: {out}");
            }
        }
    }
    let early = heapward(&["harvest", "--worked-in", "2026-05-01", "--planned", "2026-08-28"]);
    assert_eq!(early.status.code(), Some(1));
    assert!(text(&early.stderr).contains("too early where the edible part touches the soil"));
    assert_eq!(heapward(&["harvest", "--worked-in", "2026-02-29"]).status.code(), Some(64));
}

#[test]
fn water_is_what_the_mass_balance_says() {
    for check in checks("water_to_add") {
        let (inputs, wanted) = (&check["inputs"], &check["expected"]);
        let weight = format!("{}lb", inputs["wet_mass_lb"]);
        let (from, to) = (inputs["from_pct"].to_string(), inputs["to_pct"].to_string());
        let output = heapward(&["water", "--weight", &weight, "--from", &from, "--to", &to]);
        let out = text(&output.stdout);
        if wanted["error"] == true {
            assert_eq!(output.status.code(), Some(64), "{}", check["id"]);
        } else if let Some(lost) = wanted["water_lost_lb"].as_f64() {
            let line = format!(
                "{lost:.0} lb of water have to go ({:.0} lb are left)",
                wanted["mass_after_lb"].as_f64().unwrap()
            );
            assert!(out.contains(&line), "{}: {out}", check["id"]);
        } else if wanted["action"].is_string() {
            assert!(out.contains("222 lb of water have to go") && out.contains("something dry"), "{out}");
        } else {
            let (lb, gallons) = (wanted["water_lb"].as_f64().unwrap(), wanted["us_gal"].as_f64().unwrap());
            let numbers: Vec<f64> = out.split(' ').filter_map(|word| word.parse().ok()).collect();
            assert!((numbers[0] - lb).abs() <= 0.05 + lb * 1e-3, "{}: {out}", check["id"]);
            assert!((numbers[1] - gallons).abs() <= 0.005 + gallons * 1e-3, "{}: {out}", check["id"]);
        }
    }
}

/// A farm with a pile of ten days whose thermometer was read once: 100 F.
struct Farm {
    daemon: Daemon,
    _dir: tempfile::TempDir,
}

impl Farm {
    fn new() -> Farm {
        let dir = tempfile::tempdir().unwrap();
        let port = free_port();
        let probe =
            "[[probe]]\nid = \"k1\"\ntopic = \"heap/k1\"\nevery = \"1m\"\nvalue = \"\"\nunit = \"F\"\n";
        let daemon =
            Daemon::start(dir.path(), &format!("[endpoint]\nlisten = \"127.0.0.1:{port}\"\n{probe}"));
        Farm { daemon, _dir: dir }
    }

    fn pile(&self, args: &[&str]) -> Output {
        let config = self.daemon.config().to_str().unwrap();
        heapward(&[&["pile", "--config", config][..], args].concat())
    }

    #[track_caller]
    fn good(&self, args: &[&str]) -> String {
        let output = self.pile(args);
        assert!(output.status.success(), "{args:?}: {}", text(&output.stderr));
        text(&output.stdout)
    }

    #[track_caller]
    fn refused(&self, args: &[&str]) -> String {
        let output = self.pile(args);
        assert!(!output.status.success(), "{args:?}: {}", text(&output.stdout));
        text(&output.stderr)
    }
}

fn days_ago(days: i64) -> String {
    heapward::model::time::rfc3339(now() - Span::days(days))
}

#[test]
fn a_pile_with_its_mix_goes_to_curing_and_onto_a_bed() {
    let farm = Farm::new();
    let built = days_ago(60);
    let new = ["new", "2026-03", "--built", &built, "--spot", "core:core:24", "--bay", "2"];
    let mix = ["--mix", "horse-manure=2yd3 Ford stable, 3 May", "--mix", "leaves=4yd3"];
    let out = farm.good(&[&new[..], &mix].concat());
    assert!(out.contains("of manure material") && out.contains("Ford stable, 3 May"), "{out}");
    assert!(out.contains("C:N 36.4:1 by the recipe"), "{out}");
    farm.good(&["place", "2026-03", "k1", "core", "--from", &built]);
    farm.good(&["reading", "2026-03", "core", "100 F", "--when", &days_ago(59)]);

    let advice = farm.good(&["advise", "2026-03"]);
    assert!(advice.contains("squeeze a handful"), "{advice}");
    farm.good(&["enter", "2026-03", "check", "squeeze=dry"]);
    let advice = farm.good(&["advise", "2026-03"]);
    assert!(advice.contains("A handful crumbles: add about") && advice.contains("gallons ("), "{advice}");

    farm.good(&["curing", "2026-03", "--when", &days_ago(30)]);
    let pile = farm.daemon.site.get("/v1/piles/2026-03");
    assert_eq!(pile["stage"], "curing");
    assert!(!pile["placements"][0]["until"].is_null(), "the probe is free: {pile}");
    assert!(farm.refused(&["tested", "2026-03", "self-heating", "warm"]).contains("is no result"));
    farm.good(&["tested", "2026-03", "self-heating", "24"]);
    assert_eq!(farm.daemon.site.get("/v1/piles/2026-03")["stage"], "curing");
    farm.good(&["tested", "2026-03", "self-heating", "6.5"]);
    assert_eq!(farm.daemon.site.get("/v1/piles/2026-03")["stage"], "ready");

    // It never got hot: raw manure, however ripe.
    let soon = days_ago(-40)[..10].to_owned();
    let early = ["used", "2026-03", "--bed", "north-4", "--crop", "lettuce", "--harvest", &soon];
    let said = farm.refused(&early);
    assert!(said.contains("is raw manure") && said.contains("120 days after"), "{said}");
    let out = farm.good(&["used", "2026-03", "--bed", "north-4", "--crop", "lettuce", "--yd3", "1.5"]);
    assert!(out.contains("RAW MANURE on north-4"), "{out}");
    let out = farm.good(&["show", "2026-03"]);
    assert!(out.contains("used since"), "{out}");
}

#[test]
fn fresh_material_on_counted_hours_needs_a_yes() {
    let farm = Farm::new();
    let built = days_ago(5);
    farm.good(&["new", "2026-04", "--built", &built, "--spot", "core:core"]);
    farm.good(&["added", "2026-04", "leaves"]);
    farm.good(&["new", "2026-05", "--built", &built, "--spot", "core:core"]);
    for (days, value) in [(4, "140 F"), (3, "141 F")] {
        farm.good(&["reading", "2026-05", "core", value, "--when", &days_ago(days)]);
    }
    let said = farm.refused(&["added", "2026-05", "a load of bedding"]);
    assert!(said.contains("24 h, no longer counts; add --yes"), "{said}");
    farm.good(&["added", "2026-05", "a load of bedding", "--yes"]);
}
