//! What the document says is what the judge says; and it prints.

use std::path::Path;

use heapward::exchange::judgement_json::JudgementJson;
use heapward::exchange::pile_toml;
use heapward::model::time::{local, parse_rfc3339};
use heapward::standards;
use heapward_rules::judge::Judge;
use heapward_rules::units::{At, Span};
use heapward_rules::verdict::{Judgement, Status};
use heapward_tests::daemon::heapward;

use crate::farm::{Farm, ZONE, by_hand};
use crate::tools::{pages_as_text, pages_of, pieces_of, text_of};

/// What the judge says of the pile's readings as they were made, without store and record.
fn judged(farm: &Farm, folder: &Path) -> (Judge, Judgement) {
    let text = std::fs::read_to_string(folder.join("pile.toml")).unwrap();
    let (pile, standards) =
        pile_toml::read("pile.toml", text.as_bytes(), &standards::built_in().unwrap()).unwrap();
    let readings: Vec<_> = farm.readings.iter().cloned().chain(by_hand()).collect();
    let judge = Judge::of_set(pile, standards, &[], &readings);
    let judgement = judge.judgement();
    (judge, judgement)
}

fn exactly(at: At) -> String {
    local(at, ZONE).format("%Y-%m-%d %H:%M:%S %:z").to_string()
}

fn to_the_second(at: At) -> String {
    local(at, ZONE).format("%Y-%m-%d %H:%M:%S").to_string()
}

fn counted(span: Span) -> String {
    let seconds = span.0 / 1_000;
    match (seconds / 3_600, seconds / 60 % 60, seconds % 60) {
        (h, 0, 0) => format!("{h} h"),
        (h, m, 0) => format!("{h} h {m:02} min"),
        (h, m, s) => format!("{h} h {m:02} min {s:02} s"),
    }
}

#[test]
fn every_fact_on_paper_is_the_judges() {
    let farm = Farm::new();
    let folder = farm.record("record");
    let (judge, judgement) = judged(&farm, &folder);
    assert!(judgement.verdicts.iter().all(|verdict| verdict.status == Status::Qualified));
    assert!(judgement.counts.fault > 0 && judgement.counts.conflict > 0, "{:?}", judgement.counts);

    // The files that anybody can judge again give the same answer to the millisecond.
    let expected = serde_json::to_value(JudgementJson::new(&judge.pile().id, &judgement)).unwrap();
    let written = std::fs::read_to_string(folder.join("verdict.json")).unwrap();
    assert_eq!(serde_json::from_str::<serde_json::Value>(&written).unwrap(), expected);
    let file = |name: &str| folder.join(name).display().to_string();
    let again =
        heapward(&["judge", &file("pile.toml"), &file("readings.csv"), "--log", &file("log.csv"), "--json"]);
    assert!(again.status.success(), "{}", String::from_utf8_lossy(&again.stderr));
    assert_eq!(serde_json::from_slice::<serde_json::Value>(&again.stdout).unwrap(), expected);

    for paper in ["record-a4.pdf", "record-letter.pdf"] {
        check_facts(&pieces_of(&folder.join(paper)), &judgement);
        let text = text_of(&folder.join(paper));
        for said in FACTS {
            assert!(text.contains(said), "{paper} does not say `{said}`:\n{text}");
        }
    }
    let html = std::fs::read_to_string(folder.join("record.html")).unwrap();
    // An element of the drawing that is not ended holds all that follow, and a browser draws none of them.
    for element in ["line", "polyline", "text", "circle", "rect"] {
        let (begun, ended) = (format!("<{element} "), format!("</{element}>"));
        let count = html.matches(&begun).count();
        assert!(count > 0 && count == html.matches(&ended).count(), "{element}: {count} are begun");
    }
    for spot in judgement.verdicts.iter().flat_map(|verdict| &verdict.spots) {
        assert!(html.contains(&exactly(spot.qualified_at.unwrap())), "{spot:?}");
    }
}

/// Single facts of the invented pile.
const FACTS: [&str; 24] = [
    "Compost record of pile 2026-03",
    "Quillback Farm",
    "aerated static",
    "with manure",
    "7 CFR 205.203(c)(2)",
    "131 F and 170 F",
    "Horse manure with bedding",
    "Tansy Ford stables",
    "initial C:N 29.5:1, moisture 57 %, by table values, range 25 to 35",
    "core, 24 in",
    "Corrected by no. 11.",
    "Covered, 6 inches deep.",
    "Watered with 40 gallons (150 litres).",
    "143.5 \u{b0}F",
    "ice slush",
    "Probe silent",
    "two values for one instant",
    "core-south: no counting reading from 2026-05-12",
    "Moved to curing on 2026-05-13 23:00 (OM).",
    "tomatoes",
    "guard 0 \u{b0}C",
    "OM: 11 entries",
    "Reviewed by (name, in print)",
    "That a probe was in the pile",
];

fn check_facts(text: &str, judgement: &Judgement) {
    let has = |fact: &str| assert!(text.contains(fact), "`{fact}` is missing:\n{text}");
    for verdict in &judgement.verdicts {
        has(&exactly(verdict.at.unwrap()));
        has(verdict.held_up_by.as_ref().unwrap().as_str());
        for spot in &verdict.spots {
            let run = spot.longest_run.unwrap();
            for fact in [
                to_the_second(run.start),
                to_the_second(run.end),
                counted(run.counted),
                exactly(spot.qualified_at.unwrap()),
            ] {
                has(&fact);
            }
        }
        for one in &verdict.breaks {
            has(&format!("{}: a run ended at {}", one.spot, exactly(one.at)));
        }
    }
    let counts = judgement.counts;
    has(&format!(
        "Of the temperature readings {} count; {} are in conflict",
        counts.counting, counts.conflict
    ));
    has(&format!("{} are faults", counts.fault));
    has(&format!("{} while a probe warmed up", counts.warming_up));
}

#[test]
fn it_prints_on_both_papers_within_its_margins() {
    // One probe alone, a usual pile, and a large one; with `HEAPWARD_PICTURES=DIR` the papers are kept, to be looked at.
    for (spots, pages_max) in [(1, 3), (4, 3), (5, 3), (10, 4)] {
        let farm = Farm::with_spots(spots);
        let folder = farm.record("record");
        if let Some(kept) = std::env::var_os("HEAPWARD_PICTURES").map(std::path::PathBuf::from) {
            for paper in ["a4", "letter"] {
                let pdf = format!("record-{paper}.pdf");
                std::fs::copy(folder.join(&pdf), kept.join(format!("{spots}-spots-{pdf}"))).unwrap();
            }
        }
        prints(&folder, spots, pages_max);
    }
}

fn prints(folder: &Path, spots: usize, pages_max: usize) {
    for (paper, inches) in [("record-a4.pdf", (8.27, 11.69)), ("record-letter.pdf", (8.5, 11.0))] {
        let pages = pages_of(&folder.join(paper), 50);
        assert!((2..=pages_max).contains(&pages.len()), "{paper}, {spots} spots: {} pages", pages.len());
        // A chart, its heading and the words that explain it stand on one page.
        let text = pages_as_text(&folder.join(paper));
        let charted = text.iter().find(|page| page.contains("Temperatures")).unwrap();
        for words in ["One strip for each spot", "black if the spot qualified by it"] {
            assert!(charted.contains(words), "{paper}, {spots} spots: `{words}` stands apart:\n{charted}");
        }
        for page in &pages {
            let near = |pixels: usize, inches: f64| {
                (f64::from(u32::try_from(pixels).unwrap()) - inches * 50.0).abs() <= 1.0
            };
            assert!(
                near(page.width, inches.0) && near(page.height, inches.1),
                "{paper}: {} x {}",
                page.width,
                page.height
            );
            let [left, top, right, bottom] = page.printed().unwrap();
            let inside = left >= 30 && top >= 25 && right + 30 <= page.width && bottom + 15 <= page.height;
            assert!(inside, "{paper}: printed from ({left}, {top}) to ({right}, {bottom})");
        }
    }
}

#[test]
fn the_same_data_give_the_same_bytes_and_old_folders_are_left_alone() {
    let farm = Farm::new();
    let (one, other) = (farm.record("one"), farm.record("other"));
    let mut names: Vec<_> = std::fs::read_dir(&one).unwrap().map(|file| file.unwrap().file_name()).collect();
    names.sort();
    assert!(names.len() >= 9, "{names:?}");
    for name in names.iter().filter(|name| one.join(name).is_file()) {
        assert!(
            std::fs::read(one.join(name)).unwrap() == std::fs::read(other.join(name)).unwrap(),
            "{name:?}"
        );
    }
    let config = farm.config().display().to_string();
    let refused = heapward(&["record", "2026-03", "--out", &one.display().to_string(), "--config", &config]);
    assert_eq!(refused.status.code(), Some(1));
    assert!(String::from_utf8_lossy(&refused.stderr).contains("is not empty"));
    let unknown = heapward(&[
        "record",
        "2027-01",
        "--out",
        &farm.dir.path().join("x").display().to_string(),
        "--config",
        &config,
    ]);
    assert!(String::from_utf8_lossy(&unknown.stderr).contains("there is no pile 2027-01"));
}

#[test]
fn every_hour_of_the_table_is_an_hour_of_the_readings() {
    let farm = Farm::new();
    let folder = farm.record("record");
    let hours = std::fs::read_to_string(folder.join("hours.csv")).unwrap();
    let mut lines = hours.lines();
    assert_eq!(lines.next(), Some("hour,spot,lowest_c,mean_c,highest_c,readings"));
    let mut counted = 0;
    for line in lines {
        let fields: Vec<&str> = line.split(',').collect();
        let [low, mean, high] = [2, 3, 4].map(|n| fields[n].parse::<f64>().unwrap());
        assert!(parse_rfc3339(fields[0]).is_some() && low <= mean && mean <= high, "{line}");
        counted += fields[5].parse::<u64>().unwrap();
    }
    let (_, judgement) = judged(&farm, &folder);
    assert_eq!(counted, judgement.counts.counting);
}
