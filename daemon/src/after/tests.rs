//! Piles from the heat to the bed.

use chrono_tz::America::New_York;
use heapward_rules::finding::{Change, Figures, Finding, Kind, Level};
use heapward_rules::ids::StandardId;
use heapward_rules::recipe::dates::Date;
use heapward_rules::units::{At, Span};
use heapward_rules::verdict::{Counts, Judgement, Status, Verdict};

use super::seasons::{Piled, seasons};
use super::{After, Stage, uses};
use crate::model::entry::{Entry, Event, NewEntry};
use crate::model::pile::PileRecord;
use crate::model::time::parse_rfc3339;

/// 1 May 2026, 11:00 in New York.
const BUILT: At = At(1_777_647_600_000);

fn day(n: i64) -> At {
    BUILT + Span::days(n)
}

fn pile(material: &str) -> PileRecord {
    PileRecord {
        id: "2026-03".to_owned(),
        bay: Some("2".to_owned()),
        method: "aerated-static".to_owned(),
        material: material.to_owned(),
        built_ms: BUILT.0,
        initial_cn: Some(30.0),
        recipe: None,
        standards: vec!["us-organic".to_owned()],
        spots: Vec::new(),
        placements: Vec::new(),
        settings: crate::model::pile::SettingsRecord::default(),
    }
}

fn log(events: Vec<(At, Event)>) -> Vec<Entry> {
    let entry =
        |(seq, (at, event)): (u64, (At, Event))| Entry { seq, prev: String::new(), entry: new(at, event) };
    (1..).zip(events).map(entry).collect()
}

fn new(at: At, event: Event) -> NewEntry {
    NewEntry {
        pile: Some("2026-03".to_owned()),
        at_ms: at.0,
        entered_ms: at.0,
        by: "OM".to_owned(),
        note: String::new(),
        corrects: None,
        event,
    }
}

fn judged(status: Status, at: Option<At>) -> Judgement {
    let verdict = Verdict {
        standard: StandardId::new("us-organic"),
        verified: true,
        status,
        at,
        held_up_by: None,
        cautions: Vec::new(),
        required: None,
        spots: Vec::new(),
        breaks: Vec::new(),
    };
    Judgement { verdicts: vec![verdict], counts: Counts::default(), overheating: Vec::new() }
}

fn used(touches_soil: Option<bool>, harvest: Option<&str>) -> Event {
    Event::Used {
        bed: "north-4".to_owned(),
        cubic_yards: Some(1.5),
        crop: Some("lettuce".to_owned()),
        touches_soil,
        harvest: harvest.map(str::to_owned),
    }
}

fn tested(test: &str, figure: Option<f64>, passed: Option<bool>) -> Event {
    Event::MaturityTested { test: test.to_owned(), figure, passed }
}

fn fresh() -> Event {
    Event::MaterialAdded { what: "a load of bedding".to_owned() }
}

#[test]
fn a_pile_goes_from_its_bay_to_the_bed() {
    let cured = |at| Finding {
        kind: Kind::Cured,
        level: Level::Note,
        change: Change::Opened,
        at,
        opened: at,
        spot: None,
        probe: None,
        figures: Figures::default(),
    };
    let move_at = (day(30), Event::MovedToCuring);
    let cases = [
        (vec![], vec![], Stage::Active { since: BUILT }),
        (vec![move_at.clone()], vec![], Stage::Curing { since: day(30) }),
        (vec![move_at.clone()], vec![cured(day(65))], Stage::Ready { since: day(65) }),
        (
            vec![move_at.clone(), (day(50), tested("self-heating", Some(6.0), None))],
            vec![],
            Stage::Curing { since: day(30) },
        ),
        (
            vec![move_at.clone(), (day(51), tested("self-heating", Some(10.0), None))],
            vec![],
            Stage::Ready { since: day(51) },
        ),
        (
            vec![move_at.clone(), (day(60), tested("self-heating", Some(10.1), None))],
            vec![],
            Stage::Curing { since: day(30) },
        ),
        (
            vec![move_at.clone(), (day(60), tested("pot", None, Some(true)))],
            vec![],
            Stage::Ready { since: day(60) },
        ),
        (
            vec![move_at.clone(), (day(60), tested("pot", None, Some(false)))],
            vec![],
            Stage::Curing { since: day(30) },
        ),
        (
            vec![move_at.clone(), (day(60), tested("oxygen", Some(400.0), None))],
            vec![],
            Stage::Ready { since: day(60) },
        ),
        (
            vec![move_at.clone(), (day(60), tested("carbon-dioxide", Some(4.1), None))],
            vec![],
            Stage::Curing { since: day(30) },
        ),
        (vec![move_at.clone(), (day(70), used(None, None))], vec![], Stage::Used { since: day(70) }),
        (vec![move_at, (day(40), fresh())], vec![], Stage::Active { since: day(40) }),
    ];
    for (events, open, wanted) in cases {
        let after =
            After::of(&pile("manure"), &log(events.clone()), &judged(Status::NotMet, None), &open, New_York);
        assert_eq!(after.stage, wanted, "{events:?}");
    }
}

#[test]
fn raw_manure_has_its_dates_and_compost_has_none() {
    let date = |text| Date::parse(text).unwrap();
    let dates = |material: &str, judgement: &Judgement, events: Vec<(At, Event)>| {
        let uses = After::of(&pile(material), &log(events), judgement, &[], New_York).uses;
        uses.last().unwrap().not_before.map(|not_before| (not_before.soil, not_before.no_soil))
    };
    let raw = Some((date("2026-09-08"), date("2026-08-09")));
    let use_it = || vec![(day(10), used(None, None))];
    assert_eq!(dates("manure", &judged(Status::NotMet, None), use_it()), raw);
    assert_eq!(dates("manure", &judged(Status::TemperatureMet, Some(day(4))), use_it()), raw);
    assert_eq!(dates("manure", &judged(Status::Qualified, Some(day(4))), use_it()), None);
    assert_eq!(
        dates("manure", &judged(Status::Qualified, Some(day(11))), use_it()),
        raw,
        "before it qualified"
    );
    assert_eq!(dates("plant", &judged(Status::NotRequired, None), use_it()), None);
    // Fresh material: a new lot, raw again; what was taken before stays what it was.
    let met = (day(4), Event::RunQualified { standard: "us-organic".to_owned() });
    let later = vec![met.clone(), (day(5), fresh()), (day(10), used(None, None))];
    assert_eq!(dates("manure", &judged(Status::Running, None), later), raw);
    let before = vec![met, (day(10), used(None, None)), (day(12), fresh())];
    assert_eq!(dates("manure", &judged(Status::Running, None), before), None);
    let never = vec![(day(10), used(None, None)), (day(12), fresh())];
    assert_eq!(dates("manure", &judged(Status::Qualified, Some(day(20))), never), raw);
}

#[test]
fn a_harvest_that_is_too_early_is_refused_with_the_date() {
    // Worked in on 11 May: 120 days are 8 September, 90 are 9 August.
    let refused = |touches, harvest, status, at| {
        let entry = new(day(10), used(touches, Some(harvest)));
        uses::refuse_early(&entry, &pile("manure"), &[], &judged(status, at), New_York).err()
    };
    let raw = |touches, harvest| refused(touches, harvest, Status::NotMet, None);
    for (touches, harvest, wanted) in [
        (Some(true), "2026-09-07", Some("from 2026-09-08 on, 120 days after 2026-05-11")),
        (Some(true), "2026-09-08", None),
        (None, "2026-09-07", Some("from 2026-09-08 on")),
        (Some(false), "2026-08-08", Some("from 2026-08-09 on, 90 days after 2026-05-11")),
        (Some(false), "2026-08-09", None),
        (Some(false), "2026-05-10", Some("lies before the day on which it was worked in")),
        (None, "in August", Some("is no date")),
    ] {
        let said = raw(touches, harvest);
        match wanted {
            None => assert_eq!(said, None, "{harvest}"),
            Some(wanted) => {
                assert!(said.as_ref().is_some_and(|said| said.contains(wanted)), "{harvest}: {said:?}");
            }
        }
    }
    assert_eq!(refused(None, "2026-05-20", Status::Qualified, Some(day(4))), None);
}

/// chrono is another's calendar: leap years, ends of months, days of daylight saving.
#[test]
fn dates_are_those_of_the_calendar() {
    for start in
        ["2023-11-01", "2024-02-29", "2027-10-31", "2028-02-29", "2096-02-29", "2099-12-31", "2100-02-28"]
    {
        let first: chrono::NaiveDate = start.parse().unwrap();
        for offset in 0..400 {
            let worked_in = first + chrono::Days::new(offset);
            // An hour that is the day before in UTC, and one that is the day after.
            for hour in ["00:30:00", "23:30:00"] {
                let naive = format!("{worked_in}T{hour}").parse().unwrap();
                let Some(at) = crate::model::time::from_local(naive, New_York) else { continue };
                let not_before = uses::NotBefore::after(at, New_York).unwrap();
                assert_eq!(not_before.soil.to_string(), (worked_in + chrono::Days::new(120)).to_string());
                assert_eq!(not_before.no_soil.to_string(), (worked_in + chrono::Days::new(90)).to_string());
            }
        }
    }
}

#[test]
fn it_is_reminded_of_in_the_last_week() {
    let date = |text| Date::parse(text).unwrap();
    let after = |touches, harvest| {
        let log = log(vec![(day(10), used(touches, harvest))]);
        After::of(&pile("manure"), &log, &judged(Status::NotMet, None), &[], New_York).uses.remove(0)
    };
    let one = after(Some(true), None);
    assert_eq!(one.reminder(date("2026-08-31")), None);
    assert_eq!(one.reminder(date("2026-09-01")).unwrap(), "north-4: raw manure, harvest from 2026-09-08 on");
    assert!(one.reminder(date("2026-09-08")).is_some());
    assert_eq!(one.reminder(date("2026-09-09")), None);
    // A verdict that was amended after the use: the planned harvest is too early now.
    let early = after(Some(true), Some("2026-07-01"));
    let said = early.reminder(date("2026-06-01")).unwrap();
    assert_eq!(said, "north-4: not on 2026-07-01; raw manure, harvest from 2026-09-08 on");
}

#[test]
fn seasons_are_compared() {
    let at = |text: &str| parse_rfc3339(text).unwrap();
    let built = |text: &str| PileRecord { built_ms: at(text).0, ..pile("manure") };
    let records = [
        built("2025-04-01T12:00:00Z"),
        built("2026-04-01T12:00:00Z"),
        built("2026-06-01T12:00:00Z"),
        // The last evening of the year, though it is the next one in UTC.
        built("2027-01-01T02:00:00Z"),
    ];
    let judgements = [
        judged(Status::NotMet, None),
        judged(Status::Qualified, Some(at("2026-04-06T12:00:00Z"))),
        judged(Status::Qualified, Some(at("2026-06-09T12:00:00Z"))),
        judged(Status::Running, None),
    ];
    let raw = After::of(
        &records[0],
        &log(vec![(at("2025-06-01T12:00:00Z"), used(None, None))]),
        &judgements[0],
        &[],
        New_York,
    );
    let piled = |n: usize| Piled {
        record: &records[n],
        judgement: &judgements[n],
        uses: if n == 0 { &raw.uses } else { &[] },
    };
    let seasons = seasons((0..4).map(piled), New_York);
    assert_eq!(seasons.iter().map(|season| season.year).collect::<Vec<_>>(), [2026, 2025]);
    let (now, then) = (&seasons[0], &seasons[1]);
    assert_eq!((now.piles, now.qualified, now.used_raw, now.days_to_qualify), (3, 2, 0, Some(6.5)));
    assert_eq!((then.piles, then.qualified, then.used_raw, then.days_to_qualify), (1, 0, 1, None));
    assert!((then.used_yd3 - 1.5).abs() < 1e-12);
}
