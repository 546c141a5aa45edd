//! `heapward mix` against the published worked examples and the rows of the handbooks' table.

use std::fmt::Write as _;
use std::path::Path;

use heapward_tests::daemon::heapward;
use heapward_tests::repository;
use serde_json::Value;

/// The published checks of a topic.
fn checks(topic: &str) -> Vec<Value> {
    let text = std::fs::read_to_string(repository().join("tests/data/checks.json")).unwrap();
    let all: Vec<Value> = serde_json::from_str(&text).unwrap();
    let found: Vec<Value> = all.into_iter().filter(|check| check["topic"] == topic).collect();
    assert!(!found.is_empty(), "no checks of {topic}");
    found
}

#[track_caller]
fn mix(args: &[&str]) -> Value {
    let output = heapward(&[&["mix", "--json"], args].concat());
    assert!(output.status.success(), "{args:?}: {}", String::from_utf8_lossy(&output.stderr));
    serde_json::from_slice(&output.stdout).unwrap()
}

#[track_caller]
fn refused(args: &[&str]) -> String {
    let output = heapward(&[&["mix"], args].concat());
    assert_eq!(output.status.code(), Some(64), "{args:?}: {}", String::from_utf8_lossy(&output.stdout));
    String::from_utf8(output.stderr).unwrap()
}

#[track_caller]
fn near(found: &Value, wanted: f64, relative: f64, what: &str) {
    let found = found.as_f64().unwrap();
    assert!((found - wanted).abs() <= relative * wanted.abs(), "{what}: {found}, not {wanted}");
}

/// A table of one's own with the materials of a check: `a`, `b`, `c`...
fn own_table(dir: &Path, materials: &[&Value]) -> String {
    let mut text = String::new();
    for (name, material) in ('a'..).zip(materials) {
        let nitrogen = material["n_pct"].as_f64().unwrap();
        let carbon =
            material["c_pct"].as_f64().unwrap_or_else(|| material["cn"].as_f64().unwrap() * nitrogen);
        let moisture = ["moisture_pct", "moisture"].iter().find_map(|key| material[*key].as_f64()).unwrap();
        let _ = writeln!(
            text,
            "[[feedstock]]\nid = \"{name}\"\nname = \"{name}\"\nclass = \"plant\"\nnitrogen = {nitrogen:?}\n\
             carbon = {carbon:?}\nmoisture = {moisture:?}"
        );
    }
    let file = dir.join("own.toml");
    std::fs::write(&file, text).unwrap();
    file.to_str().unwrap().to_owned()
}

fn is_water(material: &Value) -> bool {
    material["moisture_pct"].as_f64() == Some(100.0)
}

#[test]
fn every_row_of_the_table_is_there_with_its_figures() {
    let rows = mix(&["--list"]);
    let rows = rows.as_array().unwrap();
    let checks: Vec<Value> =
        checks("feedstock_table").into_iter().filter(|check| check["inputs"]["name"].is_string()).collect();
    assert_eq!((rows.len(), checks.len()), (48, 48));
    for check in checks {
        let name = &check["inputs"]["name"];
        let row = rows.iter().find(|row| row["name"] == *name).unwrap_or_else(|| panic!("{name} is missing"));
        let wanted = &check["expected"];
        assert_eq!(row["class"], wanted["class"], "{name}");
        // The pile of one feedstock alone is that feedstock.
        let made = mix(&[&format!("{}=100lb", row["feedstock"].as_str().unwrap())]);
        for (found, key) in [
            (&made["recipe"]["cn"]["typical"], "cn"),
            (&made["recipe"]["moisture"]["typical"], "moisture_pct"),
            (&row["nitrogen"]["typical"], "n_pct_dry"),
        ] {
            near(found, wanted[key].as_f64().unwrap(), 1e-9, &format!("{name} {key}"));
        }
        match wanted["bulk_density_lb_yd3"].as_f64() {
            Some(density) => near(&row["bulk_density"]["typical"], density, 1e-9, "bulk density"),
            None => assert!(row["bulk_density"].is_null(), "{name}"),
        }
    }
}

#[test]
fn mixes_come_to_what_the_worked_examples_say() {
    let dir = tempfile::tempdir().unwrap();
    for check in checks("mix_forward") {
        let items: Vec<&Value> = check["inputs"]["items"].as_array().unwrap().iter().collect();
        let table =
            own_table(dir.path(), &items.iter().copied().filter(|i| !is_water(i)).collect::<Vec<_>>());
        let mut args = vec!["--feedstocks".to_owned(), table];
        for (name, item) in ('a'..).zip(&items) {
            let name = if is_water(item) { "water".to_owned() } else { name.to_string() };
            args.push(format!("{name}={}lb", item["mass"]));
        }
        let made = mix(&args.iter().map(String::as_str).collect::<Vec<_>>());
        let wanted = &check["expected"];
        let id = check["id"].as_str().unwrap();
        near(&made["wet_lb"], wanted["total"].as_f64().unwrap(), 1e-3, id);
        near(&made["recipe"]["cn"]["typical"], wanted["cn"].as_f64().unwrap(), 1e-3, id);
        near(&made["recipe"]["moisture"]["typical"], wanted["moisture_pct"].as_f64().unwrap(), 1e-3, id);
        near(&made["nitrogen_lb"]["typical"], wanted["n_kg_or_lb"].as_f64().unwrap(), 1e-3, id);
    }
}

#[test]
fn two_unknowns_are_solved_or_the_goal_in_the_way_is_named() {
    let dir = tempfile::tempdir().unwrap();
    for check in checks("mix_simultaneous") {
        let (inputs, wanted) = (&check["inputs"], &check["expected"]);
        let fixed = &inputs["fixed"][0];
        let materials = [fixed, &inputs["unknown_x"], &inputs["unknown_y"]];
        let dry: Vec<&Value> = materials.into_iter().filter(|material| !is_water(material)).collect();
        let table = own_table(dir.path(), &dry);
        let (x, y) = (wanted["x"].as_f64().unwrap(), wanted["y"].as_f64().unwrap());
        let mass = fixed["mass"].as_f64().unwrap();
        let is_feasible = wanted["feasible"].as_bool().unwrap();
        let whole = if is_feasible { mass + x + y } else { mass };
        let (make, cn) = (format!("{whole}lb"), inputs["goal_cn"].to_string());
        let moisture = inputs["goal_moisture"].to_string();
        let mut args = vec!["--feedstocks", &table, "--make", &make, "--cn", &cn, "--moisture", &moisture];
        args.extend(["a", "b", "c"].iter().take(dry.len()));
        if is_feasible {
            let recipe = &mix(&args)["recipe"];
            near(&recipe["parts"][0]["wet_lb"], mass, 1e-3, "fixed");
            near(&recipe["parts"][1]["wet_lb"], x, 1e-3, "x");
            near(&recipe["water_lb"], y, 1e-3, "y");
        } else {
            let said = refused(&args);
            assert!(said.contains("Moisture stands in the way"), "{}: {said}", check["id"]);
        }
    }
}

#[test]
fn second_materials_and_traps_of_the_published_pages() {
    let dir = tempfile::tempdir().unwrap();
    // Hen manure with sawdust to 30:1.
    let check = checks("mix_cn").into_iter().find(|check| check["id"] == "mix.nraes_hen_sawdust").unwrap();
    let table = own_table(dir.path(), &[&check["inputs"]["manure"], &check["inputs"]["sawdust"]]);
    let sawdust = format!("b={}lb", check["expected"]["sawdust_lb"]);
    let made = mix(&["--feedstocks", &table, "a=1lb", &sawdust]);
    near(&made["recipe"]["cn"]["typical"], 30.0, 1e-3, "hen and sawdust");
    near(
        &made["recipe"]["moisture"]["typical"],
        check["expected"]["mix_moisture_pct"].as_f64().unwrap(),
        1e-3,
        "hen and sawdust",
    );
    // Equal dry masses of 10:1 and 500:1 are no 255:1.
    let rich = serde_json::json!({ "n_pct": 6, "cn": 10, "moisture_pct": 0 });
    let lean = serde_json::json!({ "n_pct": 0.11, "cn": 500, "moisture_pct": 0 });
    let table = own_table(dir.path(), &[&rich, &lean]);
    let made = mix(&["--feedstocks", &table, "a=1lb", "b=1lb"]);
    near(&made["recipe"]["cn"]["typical"], 18.8216, 1e-4, "trap");
    let warnings = made["warnings"].to_string();
    assert!(warnings.contains("Averaging the ratios by weight would say 255:1"), "{warnings}");
    // Nitrogen and C:N of two different samples.
    let trap =
        checks("feedstock_table").into_iter().find(|check| check["id"] == "feed.trap_sawdust").unwrap();
    let table = own_table(
        dir.path(),
        &[&serde_json::json!({
            "n_pct": trap["inputs"]["n_pct"], "cn": trap["inputs"]["cn"], "moisture_pct": 39
        })],
    );
    let said = refused(&["--feedstocks", &table, "a=1lb"]);
    assert!(said.contains("own.toml:1: nitrogen x cn = 88.0 % carbon can't be"), "{said}");
}

#[test]
fn ten_percent_from_either_end_is_warned_of() {
    // Of 7 CFR 205.203(c)(2)(i): 25:1 and 40:1 belong to the range.
    let dir = tempfile::tempdir().unwrap();
    for (cn, wanted) in [
        (24.99, "is below 25:1"),
        (25.0, "within 10 % of 25:1"),
        (27.4, "within 10 % of 25:1"),
        (36.1, "within 10 % of 40:1"),
        (40.0, "within 10 % of 40:1"),
        (40.01, "is above 40:1"),
    ] {
        let material = serde_json::json!({ "n_pct": 1.2, "cn": cn, "moisture_pct": 57 });
        let table = own_table(dir.path(), &[&material]);
        let warnings = mix(&["--feedstocks", &table, "a=100lb"])["warnings"].to_string();
        assert!(warnings.contains(wanted), "{cn}: {warnings}");
    }
    let material = serde_json::json!({ "n_pct": 1.2, "cn": 32, "moisture_pct": 57 });
    let table = own_table(dir.path(), &[&material]);
    let warnings = mix(&["--feedstocks", &table, "a=100lb"])["warnings"].to_string();
    assert!(!warnings.contains("C:N"), "{warnings}");
}
