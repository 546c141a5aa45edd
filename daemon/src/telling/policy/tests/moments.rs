//! The moments T1 to T15 by day and by night: who is told when, and in which words (`moments.txt`).
//!
//! After a wanted change: `HEAPWARD_WRITE_TABLES=1 cargo nextest run -p heapward moments`, then read the difference.

use std::fmt::Write as _;

use heapward_rules::units::Celsius;

use super::*;

/// What happens from an instant on.
type Script = fn(At) -> Vec<Matter>;

/// By day, and in the quiet hours from 21:00 to 06:30.
const BEGINS: [&str; 2] = ["12 14:20", "12 22:20"];

const MOMENTS: [(&str, Script); 24] = [
    ("T1 a run at risk, 41 of 72 h counted: held in quiet hours", |at| vec![risk(at, 41)]),
    ("T1 a run at risk, 48 of 72 h counted: breaks them", |at| vec![risk(at, 48)]),
    ("T1 a run at risk, 3 of 72 h counted: summary", |at| vec![risk(at, 3)]),
    ("T2 a run broken that nobody was told of: summary", |at| vec![risk(at, 3), end(&risk(at, 3), 130.2)]),
    ("T2 a run broken after T1: one closing line, held", |at| vec![risk(at, 48), end(&risk(at, 48), 130.2)]),
    ("T3 every spot has its 72 h: half past seven", |at| {
        vec![about(Kind::Qualified, Level::Note, at).with("required_ms", hours(72))]
    }),
    ("T4 four days and no spot hot: once, held", |at| {
        let matter = about(Kind::SlowToHeat, Level::Act, at).with("temperature_c", c(104.0));
        vec![Matter { spot: None, ..matter.with("since_ms", ms(at - Span::hours(76))) }]
    }),
    ("T5 the core is done, one spot will not get there: once, held", |at| {
        let mut matter = about(Kind::SpotShort, Level::Act, at).with("temperature_c", c(118.0));
        matter.spot = Some("outer-south".to_owned());
        vec![matter]
    }),
    ("T6 above 160 F: held", |at| vec![heat(at, Level::Act, 163.4)]),
    ("T7 above 170 F: breaks them", |at| vec![heat(at, Level::Urgent, 172.2)]),
    ("T8 above 185 F: always, to everybody", |at| vec![heat(at, Level::Danger, 186.1)]),
    ("T9 blower silent while a run is open: after two hours, breaks them", |at| {
        vec![blower(at, Level::Urgent)]
    }),
    ("T9 blower silent otherwise: after two hours, held", |at| vec![blower(at, Level::Act)]),
    ("T10 drying: held", |at| {
        let matter = about(Kind::Drying, Level::Act, at).with("moisture_percent", 43.6);
        vec![Matter { spot: None, ..matter.with("water_litres", 230.0) }]
    }),
    ("T11 a probe silent in an open run: after two hours, held", |at| vec![silent(at, Level::Act)]),
    ("T12 a probe silent outside of a run: summary", |at| vec![silent(at, Level::Note)]),
    ("T13 everything silent: one for all, held", |at| {
        let all = about(Kind::AllSilent, Level::Act, at).with("since_ms", ms(at));
        vec![Matter { pile: None, spot: None, ..all }, silent(at, Level::Act)]
    }),
    ("T14 the pile can be moved: once, held", |at| {
        vec![Matter { spot: None, ..about(Kind::ReadyToMove, Level::Note, at) }]
    }),
    ("T15 a harvest too soon: held", |at| {
        let matter = Matter::of_farm(Trouble::HarvestTooSoon, Level::Act, Change::Opened, at, at)
            .with("harvest_ms", ms(at + Span::days(70)))
            .with("earliest_ms", ms(at + Span::days(120)));
        vec![Matter { pile: Some("2026-03".to_owned()), spot: Some("north-4".to_owned()), ..matter }]
    }),
    ("- cured: summary", |at| vec![about(Kind::Cured, Level::Note, at)]),
    ("- heats up again: summary", |at| vec![about(Kind::Reheating, Level::Act, at)]),
    ("- a battery half empty: summary", |at| {
        vec![about(Kind::BatteryLow, Level::Note, at).with("battery_percent", 22.0)]
    }),
    ("- will be above 160 F, and is not yet: summary", |at| {
        vec![about(Kind::OverheatingAhead, Level::Note, at).with("temperature_c", c(152.0))]
    }),
    ("- 161 for a moment, 159, 161: over before anybody set out, no all-clear", |at| {
        let heat = heat(at, Level::Act, 161.2);
        let over = end(&heat, 154.0);
        vec![heat, Matter { at: at + Span::minutes(9), ..over }]
    }),
];

fn c(f: f64) -> f64 {
    Celsius::from_f(f).0
}

#[expect(clippy::cast_precision_loss, reason = "instants of a test")]
fn ms(at: At) -> f64 {
    at.0 as f64
}

fn hours(hours: i64) -> f64 {
    ms(At(Span::hours(hours).0))
}

fn about(kind: Kind, level: Level, at: At) -> Matter {
    Matter { at, opened: at, ..opened(kind, level, "1 00:00") }
}

fn risk(at: At, counted: i64) -> Matter {
    let risk = about(Kind::RunAtRisk, Level::Act, at).with("temperature_c", c(132.4));
    risk.with("slope_c_per_h", -0.6).with("counted_ms", hours(counted)).with("required_ms", hours(72))
}

fn heat(at: At, level: Level, f: f64) -> Matter {
    about(Kind::Overheating, level, at).with("temperature_c", c(f)).with("worst_c", c(f + 0.4))
}

fn blower(at: At, level: Level) -> Matter {
    let blower = about(Kind::BlowerOff, level, at).with("since_ms", ms(at));
    Matter { spot: None, ..blower }
}

fn silent(at: At, level: Level) -> Matter {
    let silent = about(Kind::ProbeSilent, level, at).with("since_ms", ms(at));
    Matter { probe: Some("k1".to_owned()), ..silent }
}

/// Its end an hour and a half later, at a temperature.
fn end(matter: &Matter, f: f64) -> Matter {
    let at = matter.at + Span::minutes(90);
    Matter { change: Change::Closed, at, ..matter.clone() }.with("temperature_c", c(f))
}

/// Everything but reminders that goes to telephones within twelve hours and the morning after.
fn told(begins: &str, script: Script) -> String {
    let mut farm = Farm::at(begins);
    for matter in script(farm.now) {
        while farm.now < matter.at {
            let next = farm.now + Span::minutes(1);
            farm.until(&local(next, ZONE).format("%-d %H:%M").to_string());
        }
        farm.take(&matter);
    }
    farm.until("13 08:00");
    let is_first = |message: &&OutboxMessage| {
        let step = farm.incidents.iter().flat_map(|incident| &incident.tellings);
        let step = step.clone().find(|telling| telling.messages.contains(&message.id));
        message.channel == "phone"
            && step.is_some_and(|telling| {
                !telling.step.starts_with("reminder") && telling.step != "second-person"
            })
    };
    let mut lines: Vec<(i64, String)> = Vec::new();
    for message in farm.messages.iter().filter(is_first) {
        let Delivery::Waiting { due_ms } = message.delivery else { panic!("policy sends nothing") };
        let length = message.text.chars().count();
        assert!(length <= 160 && crate::telling::gsm::is_basic(&message.text), "{}", message.text);
        lines.push((due_ms, format!("{} {}: {}", show(due_ms), message.contact, message.text)));
    }
    lines.sort();
    if lines.is_empty() {
        return "nobody".to_owned();
    }
    lines.into_iter().map(|(_, line)| line).collect::<Vec<_>>().join("\n               ")
}

#[test]
fn every_moment_has_its_hour_and_its_words() {
    let mut table = String::new();
    for (name, script) in MOMENTS {
        writeln!(table, "{name}").unwrap();
        for begins in BEGINS {
            writeln!(table, "    {begins} > {}", told(begins, script)).unwrap();
        }
        table.push('\n');
    }
    if std::env::var_os("HEAPWARD_WRITE_TABLES").is_some() {
        let path = format!("{}/src/telling/policy/tests/moments.txt", env!("CARGO_MANIFEST_DIR"));
        std::fs::write(path, &table).unwrap();
        return;
    }
    for (is, was) in table.lines().zip(include_str!("moments.txt").lines()) {
        assert_eq!(is, was);
    }
    assert_eq!(table.lines().count(), include_str!("moments.txt").lines().count());
    // None of the fifteen is missing.
    for number in 1..=15 {
        let title = format!("T{number} ");
        assert!(MOMENTS.iter().any(|(name, _)| name.starts_with(&title)), "{title}");
    }
}
