use std::collections::BTreeMap;

use heapward_rules::finding::{Kind, Level};
use heapward_rules::units::At;
use heapward_rules::verdict::Status;
use proptest::prelude::*;

use super::chart::Series;
use super::snapshot::{AirDay, House, PileDay, ProbeDay, SpotDay, VerdictDay, WaterDay};
use super::week::Week;
use super::*;
use crate::model::incident::{Incident, Stage};
use crate::telling::fixture::{at, site};
use crate::telling::topic::{Topic, level_word};
use crate::telling::worker::ChannelState;

fn spot(name: &str, f: (f64, f64, f64), counted: i64, qualified: bool) -> SpotDay {
    let c = |f: f64| (f - 32.0) / 1.8;
    SpotDay {
        name: name.to_owned(),
        range_c: Some((c(f.0), c(f.1), c(f.2))),
        counted: Some(Span::hours(counted)),
        qualified,
        given_up: false,
    }
}

/// A week of half-hourly temperatures that rise, hold, and miss some hours.
#[expect(clippy::cast_precision_loss, reason = "steps of a test curve")]
fn series(name: &str, top: f64, lag: i64) -> Series {
    let start = at("5 15:00");
    let points = (0..320).filter(|step| !(180..200).contains(step)).map(|step| {
        let hours = step as f64 / 2.0 - lag as f64;
        let rise = 18.0 + (top - 18.0) / (1.0 + (-(hours - 36.0) / 7.0).exp());
        (start + Span::minutes(30 * step), rise + (step as f64 / 3.0).sin() * 0.8)
    });
    Series { name: name.to_owned(), points: points.collect() }
}

fn pile(id: &str) -> PileDay {
    PileDay {
        id: id.to_owned(),
        built: at("5 15:00"),
        curing_since: None,
        verdicts: vec![VerdictDay {
            standard: "us-organic".to_owned(),
            verified: true,
            status: Status::Running,
            at: None,
            held_up_by: Some("outer-south".to_owned()),
            cautions: vec![],
        }],
        spots: vec![
            spot("core-north", (140.2, 150.4, 158.1), 72, true),
            spot("outer-south", (128.4, 133.0, 137.2), 41, false),
            SpotDay { name: "base".to_owned(), ..SpotDay::default() },
        ],
        water: WaterDay { moisture: Some(52.3), last_watered: Some(at("11 17:30")) },
        air: AirDay { on_share: Some(0.131), last_changed: Some(at("8 09:00")) },
        chart: vec![series("core-north", 68.0, 0), series("outer-south", 57.5, 14), series("base", 52.0, 24)],
    }
}

fn incident(kind: Kind, level: Level, opened: &str, closed: Option<&str>) -> Incident {
    Incident {
        id: format!("2026-03/{opened}"),
        pile: Some("2026-03".to_owned()),
        kind: Topic::Pile(kind).word().to_owned(),
        level: level_word(level).to_owned(),
        spot: Some("outer-south".to_owned()),
        read_spot: None,
        probe: None,
        opened_ms: at(opened).0,
        closed_ms: closed.map(|closed| at(closed).0),
        stage: Stage::Noted,
        figures: BTreeMap::new(),
        tellings: vec![],
        muted_until_ms: None,
    }
}

fn snapshot(piles: Vec<PileDay>) -> Snapshot {
    let failing = ChannelState { failing_since: Some(at("11 22:00")), ..ChannelState::default() };
    Snapshot {
        now: at("12 06:30"),
        since: at("11 06:30"),
        site: site(),
        piles,
        probes: vec![
            ProbeDay {
                id: "k1".to_owned(),
                heard: Some(at("12 06:29")),
                battery_percent: Some(81.0),
                is_silent: false,
            },
            ProbeDay {
                id: "k2".to_owned(),
                heard: Some(at("12 06:29")),
                battery_percent: Some(22.0),
                is_silent: false,
            },
            ProbeDay {
                id: "k3".to_owned(),
                heard: Some(at("12 01:10")),
                battery_percent: None,
                is_silent: true,
            },
        ],
        incidents: vec![
            incident(Kind::RunAtRisk, Level::Act, "12 04:40", None),
            incident(Kind::Overheating, Level::Act, "11 22:10", Some("12 02:00")),
            incident(Kind::Qualified, Level::Note, "9 22:10", None),
        ],
        harvests: Vec::new(),
        house: House {
            free_mb: Some(12_345),
            clock_trusted: true,
            last_copy: Some(at("12 02:00")),
            sealed: Some((42, "4d".repeat(32))),
            record: Some((118, "9f".repeat(32))),
            required: Some(Span::hours(72)),
            channels: [("phone".to_owned(), failing)].into(),
            week: Week { texts: 5, things: 3, acted_on: 2 },
            refused: 0,
        },
    }
}

#[test]
fn twelve_lines_in_their_order() {
    let summary = compose(&snapshot(vec![pile("2026-03")]));
    assert_eq!(
        summary.subject,
        "Quillback Farm, Tue 12 May: 2026-03 outer-south: Add cover there, cut blower on-time b.."
    );
    let wanted = "\
2026-03, day 7: us-organic running, outer-south lags with 41 of 72 h.
Today: 2026-03 outer-south: Add cover there, cut blower on-time by 1/3.
2026-03 spots: core-north 140/150/158 (done), outer-south 128/133/137 (41 h), base no reading. Min/mean/max of 24 h, F.
Water: 2026-03 moisture reading 52, watered Mon 17:30.
Air: 2026-03 blower on 13 % of the day, timer changed Fri 09:00.
Probes: 2 of 3 heard; silent: k3 since 01:10; low batteries: k2 22 %.
Since yesterday: 2026-03 outer-south run at risk since 04:40; 2026-03 outer-south above 160 F Mon 22:10-02:00, over.
Machine: card 12.3 GB free, clock set, last backup 02:00, texts in 7 days: 5 about 3 things, acted on 2, phone FAILS since Mon 22:00.
Record: HEAD 42:4d4d4d4d4d4d4d4d4d4d4d4d4d4d4d4d4d4d4d4d4d4d4d4d4d4d4d4d4d4d4d4d (keep this mail); 118 entries, SHA-256 \
9f9f9f9f9f9f9f9f9f9f9f9f9f9f9f9f9f9f9f9f9f9f9f9f9f9f9f9f9f9f9f9f.
Question: Did you hear the blower run and stop? Enter it.

Heapward at Quillback Farm, Tuesday 12 May 2026, 06:30 EDT";
    assert_eq!(summary.text, wanted);
    assert_eq!(
        summary.one_line,
        "Heapward: 2026-03 41 of 72 h. Today: 2026-03 outer-south: Add cover there, cut blower on-time by 1/3."
    );
}

#[test]
fn a_verdict_by_figures_from_memory_says_so() {
    let mut one = pile("2026-03");
    one.verdicts[0].standard = "canada-ccme".to_owned();
    one.verdicts[0].verified = false;
    let summary = compose(&snapshot(vec![one]));
    let line = "2026-03, day 7: canada-ccme running, outer-south lags with 41 of 72 h (the rule's figures are from \
                memory: check them).";
    assert_eq!(summary.text.lines().next(), Some(line));
    assert!(summary.one_line.contains("2026-03 41 of 72 h (rule from memory)."), "{}", summary.one_line);
}

#[test]
fn however_many_piles_it_stays_at_twelve_lines() {
    for count in 0..12 {
        let bare = |n| PileDay { chart: vec![], ..pile(&format!("2026-{n:02}")) };
        let piles = (1..=count).map(bare).collect();
        let summary = compose(&snapshot(piles));
        let lines: Vec<&str> = summary.text.lines().take_while(|line| !line.is_empty()).collect();
        assert!(lines.len() <= 12, "{count}: {lines:#?}");
        for n in 1..=count {
            assert!(
                lines.iter().any(|line| line.contains(&format!("2026-{n:02}, day 7"))),
                "{count}: {lines:#?}"
            );
        }
        assert!(summary.one_line.chars().count() <= 160 && gsm::is_basic(&summary.one_line));
    }
}

/// Written to the folder named by `HEAPWARD_SUMMARY_TO`, to be looked at in a browser.
#[test]
fn the_html_shows_its_charts_and_loads_nothing_from_outside() {
    let summary = compose(&snapshot(vec![pile("2026-03"), pile("2026-04")]));
    assert!(summary.html.contains("src=\"cid:chart-1\"") && summary.html.contains("src=\"cid:chart-2\""));
    assert!(!summary.html.contains("http"), "{}", summary.html);
    assert!(summary.html.len() < 20_000);
    let png = STANDARD.decode(&summary.images[0].1).unwrap();
    assert!(png.starts_with(b"\x89PNG") && png.len() < 40_000, "{}", png.len());
    if let Some(folder) = std::env::var_os("HEAPWARD_SUMMARY_TO").map(std::path::PathBuf::from) {
        let mut html = summary.html;
        for (id, png) in &summary.images {
            html = html.replace(&format!("cid:{id}"), &format!("data:image/png;base64,{png}"));
        }
        std::fs::write(folder.join("summary.html"), html).unwrap();
        std::fs::write(folder.join("chart.png"), png).unwrap();
    }
}

/// It has no text of its own: here is where it is read in time.
#[test]
fn a_forecast_of_overheating_is_the_days_job() {
    let mut ahead = snapshot(vec![pile("2026-03")]);
    ahead.incidents = vec![incident(Kind::OverheatingAhead, Level::Act, "12 04:40", None)];
    let summary = compose(&ahead);
    let job = "Today: 2026-03 outer-south: Run the air longer or more often today; check moisture first.";
    assert!(summary.text.contains(job), "{}", summary.text);
    assert!(summary.text.contains("2026-03 outer-south heading for 160 F since 04:40"), "{}", summary.text);
}

#[test]
fn quiet_days_say_so() {
    let mut quiet = snapshot(vec![]);
    quiet.incidents.clear();
    quiet.house = House { clock_trusted: false, ..House::default() };
    let text = compose(&quiet).text;
    for wanted in [
        "Piles: none at the moment.",
        "Today: nothing to do; a look, a sniff, an ear for the blower.",
        "Since yesterday: nothing.",
        "Machine: CLOCK NOT SET, no backup yet, no texts in 7 days.",
        "Record: no day sealed yet; no entry yet.",
    ] {
        assert!(text.contains(wanted), "{wanted} in {text}");
    }
}

proptest! {
    #[test]
    fn no_name_breaks_out(name in any::<String>(), now in any::<i64>()) {
        let mut pile = pile(&name);
        pile.spots[0].name.clone_from(&name);
        pile.verdicts[0].cautions.push(name.clone());
        // Drawing is tested elsewhere, and slow without optimisation.
        pile.chart.clear();
        let mut snapshot = snapshot(vec![pile]);
        snapshot.site.farm.clone_from(&name);
        snapshot.probes[2].id.clone_from(&name);
        snapshot.now = At(now);
        let summary = compose(&snapshot);
        prop_assert!(!summary.subject.chars().any(char::is_control));
        prop_assert!(summary.text.lines().count() <= 14);
        prop_assert!(gsm::is_basic(&summary.one_line));
        prop_assert!(!summary.html.contains("<script"));
    }
}
