//! Local days of the site, and calendar dates, against Python's `zoneinfo` and `datetime`.

use chrono_tz::Tz;
use heapward::model::time::{from_local, local, local_day, offset_seconds};
use heapward_rules::recipe::dates::{Date, earliest_harvest, keep_organic_until};
use heapward_rules::units::At;
use serde_json::{Value, json};

use super::dice::Dice;
use super::python;

/// Farms of half the world; days without midnight, half hours, and an island that moves by half an hour.
const ZONES: [&str; 12] = [
    "America/New_York",
    "America/Chicago",
    "America/Phoenix",
    "America/Los_Angeles",
    "America/Halifax",
    "America/Santiago",
    "America/Havana",
    "Europe/Berlin",
    "Europe/London",
    "Asia/Kolkata",
    "Australia/Lord_Howe",
    "Pacific/Auckland",
];
/// 2005 to 2030.
const FROM_MS: f64 = 1_104_537_600_000.0;
const TO_MS: f64 = 1_893_456_000_000.0;

#[expect(clippy::cast_possible_truncation, reason = "a whole number of milliseconds")]
fn instants(dice: &mut Dice) -> Vec<(&'static str, i64)> {
    let random = (0..900).map(|n| (ZONES[n % ZONES.len()], dice.between(FROM_MS, TO_MS) as i64));
    let mut all: Vec<(&str, i64)> = random.collect();
    // Every hour around the changes of two years in two zones.
    for (zone, change) in [
        ("America/New_York", 1_772_953_200_000),
        ("America/New_York", 1_793_512_800_000),
        ("America/Santiago", 1_788_667_200_000),
        ("America/Havana", 1_772_946_000_000),
    ] {
        all.extend((-36..=36).map(|hour: i64| (zone, change + hour * 3_600_000 + 1_234)));
    }
    all
}

#[test]
fn local_days_and_offsets_are_those_of_zoneinfo() {
    let all = instants(&mut Dice::new(31));
    let answer = python::ask("dates.py", &json!({ "instants": all }));
    let answers = answer["instants"].as_array().expect("one answer an instant");
    assert_eq!(answers.len(), all.len());
    for ((zone, ms), theirs) in all.iter().zip(answers) {
        let tz: Tz = zone.parse().expect("a zone");
        let (start, end) = local_day(At(*ms), tz);
        let naive = local(At(*ms), tz).naive_local();
        let ours = json!([
            offset_seconds(At(*ms), tz),
            naive.format("%Y-%m-%dT%H:%M:%S").to_string(),
            start.0,
            end.0,
            from_local(naive, tz).map(|at| at.0),
        ]);
        assert_eq!(&ours, theirs, "{zone} {ms}");
    }
}

#[test]
fn calendar_dates_are_those_of_datetime() {
    let mut dice = Dice::new(29);
    let numbers: Vec<i64> = (0..1_500)
        .map(|n| if n < 800 { 18_000 + n } else { i64::try_from(dice.below(120_000)).unwrap() })
        .collect();
    let answer = python::ask("dates.py", &json!({ "numbers": numbers }));
    let text = |date: Option<Date>| date.map(|date| date.to_string());
    for (number, theirs) in numbers.iter().zip(answer["numbers"].as_array().expect("dates")) {
        let date = Date::from_number(*number).expect("a date");
        let ours = json!([
            date.to_string(),
            text(earliest_harvest(date, true)),
            text(earliest_harvest(date, false)),
            text(keep_organic_until(date)),
        ]);
        assert_eq!(&ours, theirs, "{number}");
        assert_eq!(Date::parse(theirs[0].as_str().expect("a text")).map(Date::number), Some(*number));
    }
    assert!(answer["numbers"].as_array().map(Vec::len) == Some(numbers.len()), "{:?}", Value::Null);
}
