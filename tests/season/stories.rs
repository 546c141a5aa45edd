//! What a grower needs most, told as stories with simulated time and readings, from the reading to the text.
//!
//! A pile with three spots, built at noon; a reading of each every five minutes.

use heapward::model::entry::{Event, NewEntry};
use heapward::model::pile::{PileRecord, PlacementRecord, SettingsRecord, SpotRecord};
use heapward::model::reading::{DatedBy, DatedReading};
use heapward_rules::ids::ProbeId;
use heapward_rules::reading::{Quantity, Unit};
use heapward_rules::units::{At, Span};
use heapward_rules::verdict::{Status, Verdict};

use super::house::House;
use super::tape::{Item, Step};

/// Monday 20 April 2026, 12:00 in New York.
const BUILT: At = At(1_776_700_800_000);
const SPOTS: [(&str, &str, &str); 3] =
    [("core", "core", "k1"), ("middle", "middle", "k2"), ("outer-north", "outer", "k3")];
const OUTER: usize = 2;
const EVERY_MINUTES: i64 = 5;

/// What was told and judged in the end.
struct Story {
    verdict: Verdict,
    incidents: Vec<String>,
    texts: Vec<String>,
}

fn pile() -> PileRecord {
    let spot = |(name, zone, _): (&str, &str, &str)| SpotRecord {
        name: name.to_owned(),
        zone: zone.to_owned(),
        depth_in: None,
        watched_only: false,
    };
    let placement = |(name, _, probe): (&str, &str, &str)| PlacementRecord {
        probe: probe.to_owned(),
        spot: name.to_owned(),
        from_ms: BUILT.0,
        until_ms: None,
        every_ms: EVERY_MINUTES * 60_000,
        offset_c: 0.0,
    };
    PileRecord {
        id: "2026-03".to_owned(),
        bay: None,
        method: "aerated-static".to_owned(),
        material: "manure".to_owned(),
        built_ms: BUILT.0,
        initial_cn: Some(30.0),
        standards: vec!["us-organic".to_owned()],
        spots: SPOTS.into_iter().map(spot).collect(),
        placements: SPOTS.into_iter().map(placement).collect(),
        settings: SettingsRecord::default(),
        recipe: None,
    }
}

/// Plays some hours: what each spot has in degrees F at a minute, if its probe says anything, and what is entered.
async fn told(hours: i64, fahrenheit: impl Fn(usize, i64) -> Option<f64>, entered: &[(i64, Event)]) -> Story {
    let dir = tempfile::tempdir().unwrap();
    let house = House::open(dir.path(), BUILT);
    house.take(&Step { at: BUILT, item: Item::Start(Box::new(pile())) }).await;
    let mut entered = entered.iter().peekable();
    for minute in (EVERY_MINUTES..=hours * 60).step_by(5) {
        let at = BUILT + Span::minutes(minute);
        while let Some((_, event)) = entered.next_if(|(due, _)| *due <= minute) {
            let entry = NewEntry {
                pile: Some("2026-03".to_owned()),
                at_ms: at.0,
                entered_ms: at.0,
                by: "OM".to_owned(),
                note: String::new(),
                corrects: None,
                event: event.clone(),
            };
            house.take(&Step { at, item: Item::Enter(entry) }).await;
        }
        let reading = |(spot, (_, _, probe)): (usize, &(&str, &str, &str))| {
            Some(DatedReading {
                probe: ProbeId::new(*probe),
                quantity: Quantity::Temperature,
                unit: Unit::Celsius,
                at,
                value: (fahrenheit(spot, minute)? - 32.0) / 1.8,
                dated_by: DatedBy::Payload,
            })
        };
        let readings: Vec<DatedReading> = SPOTS.iter().enumerate().filter_map(reading).collect();
        house.take(&Step { at, item: Item::Readings(readings) }).await;
    }
    let (outcome, texts) = (house.outcome().await, house.texts().await);
    house.stop().await;
    let verdict = outcome.judgements["2026-03"].verdicts[0].clone();
    Story { verdict, incidents: outcome.incidents, texts }
}

/// Degrees at a minute: straight between the points, level before and after.
fn curve(points: &[(i64, f64)], minute: i64) -> f64 {
    let next = points.partition_point(|(at, _)| *at <= minute);
    let (first, last) = (points[0], points[points.len() - 1]);
    if next == 0 || next == points.len() {
        return if next == 0 { first.1 } else { last.1 };
    }
    let ((from, f), (to, g)) = (points[next - 1], points[next]);
    #[expect(clippy::cast_precision_loss, reason = "minutes of a week")]
    let share = (minute - from) as f64 / (to - from) as f64;
    f + (g - f) * share
}

/// A live probe never says the same all day.
fn ripple(minute: i64) -> f64 {
    #[expect(clippy::cast_precision_loss, reason = "tenths of a degree")]
    let tenths = (minute / EVERY_MINUTES * 7 % 6) as f64;
    tenths / 10.0
}

/// A good pile: 131 F from minute 300 on, 140 F at last.
fn good(minute: i64) -> f64 {
    curve(&[(0, 70.0), (200, 115.0), (300, 131.0), (600, 137.0), (1_200, 140.0)], minute) + ripple(minute)
}

impl Story {
    fn texts_of(&self, kind: &str) -> Vec<&String> {
        self.texts.iter().filter(|text| text.starts_with(&format!("2026-03 {kind} "))).collect()
    }

    fn incidents_of(&self, kind: &str) -> usize {
        self.incidents.iter().filter(|one| one.contains(&format!(" {kind} "))).count()
    }
}

/// Proof: 72 h in each spot, to the five minutes; fresh material afterwards begins anew.
#[tokio::test(flavor = "multi_thread")]
async fn three_days_are_proven_in_each_spot_or_it_is_said_how_much_is_missing() {
    // The outer spot is in the range from minute 300 on, and cold again after its last reading there.
    let until = |last: i64| {
        move |spot: usize, minute: i64| {
            Some(if spot == OUTER && minute > last { 120.0 } else { good(minute) })
        }
    };
    let story = told(80, until(300 + 72 * 60), &[]).await;
    assert_eq!(story.verdict.status, Status::Qualified);
    assert_eq!(story.verdict.at, Some(BUILT + Span::minutes(300 + 72 * 60)));
    let run = story.verdict.spots[OUTER].longest_run.unwrap();
    assert_eq!((run.start, run.counted), (BUILT + Span::minutes(300), Span::hours(72)));

    let story = told(80, until(295 + 72 * 60), &[]).await;
    assert_ne!(story.verdict.status, Status::Qualified);
    assert_eq!(
        story.verdict.held_up_by.as_ref().map(heapward_rules::ids::SpotName::as_str),
        Some("outer-north")
    );
    let run = story.verdict.spots[OUTER].longest_run.unwrap();
    assert_eq!(run.counted, Span::hours(72) - Span::minutes(5), "five minutes are missing");

    let fresh = Event::MaterialAdded { what: "two buckets of bedding".to_owned() };
    let story = told(90, |_, minute| Some(good(minute)), &[(80 * 60, fresh)]).await;
    assert_ne!(story.verdict.status, Status::Qualified, "fresh material makes it untreated again");
}

/// Save the run: one text before it breaks, none where little is lost, one incident for a value that dances.
#[tokio::test(flavor = "multi_thread")]
async fn a_run_that_is_about_to_break_is_told_once_while_it_can_be_saved() {
    // 41 h are counted when the fall begins: 1 F an hour from 138 F, saved at 132 F.
    let begins = 300 + 41 * 60;
    let falling = move |begins: i64, saved: bool| {
        move |spot: usize, minute: i64| {
            let (end, hours) = if saved { (132.0, 6) } else { (126.0, 12) };
            let bottom = begins + hours * 60;
            let back = if saved { 140.0 } else { end };
            let warm = [(0, 70.0), (200, 115.0), (300, 131.0), (begins.min(600), 138.0)];
            let fall = [(begins, 138.0), (bottom, end), (bottom + 20, back)];
            let f = curve(&[&warm[..], &fall[..]].concat(), minute) + ripple(minute);
            Some(if spot == OUTER { f } else { good(minute) })
        }
    };
    let story = told(60, falling(begins, true), &[]).await;
    let texts = story.texts_of("run-at-risk");
    let steps: Vec<&str> = texts.iter().map(|text| text.split([' ', ',']).nth(2).unwrap()).collect();
    assert_eq!(steps, ["opened", "all-clear"], "{:#?}", story.texts);
    assert!(texts[0].contains("outer-north") && texts[0].contains("of 72 h"), "{}", texts[0]);
    assert_eq!(story.incidents_of("run-at-risk"), 1, "{:#?}", story.incidents);
    assert!(
        story.incidents.iter().any(|one| one.contains("run-at-risk") && !one.ends_with("open")),
        "it is over"
    );

    let story = told(24, falling(300 + 3 * 60, false), &[]).await;
    assert_eq!(
        story.texts_of("run-at-risk"),
        Vec::<&String>::new(),
        "three hours are no loss to wake anybody for"
    );

    let dancing = |spot: usize, minute: i64| {
        let dance = [131.4, 130.9, 131.2][usize::try_from(minute / EVERY_MINUTES % 3).unwrap()];
        let falling = curve(&[(begins, 138.0), (begins + 180, 131.4)], minute);
        let f = if minute > begins + 180 { dance } else { falling };
        Some(if spot == OUTER && minute > begins { f } else { good(minute) })
    };
    let story = told(56, dancing, &[]).await;
    assert_eq!(story.incidents_of("run-at-risk"), 1, "{:#?}", story.incidents);
}

/// Fire: real heat wakes, a sensor that starts again does not.
#[tokio::test(flavor = "multi_thread")]
async fn real_heat_wakes_at_each_step_and_a_fault_value_never() {
    // 150 F at 19:00 of the second day, 186 F at 03:00.
    let ramp = |spot: usize, minute: i64| {
        Some(if spot == 0 {
            curve(&[(0, 70.0), (600, 150.0), (31 * 60, 150.0), (39 * 60, 186.0)], minute)
        } else {
            good(minute)
        })
    };
    let story = told(40, ramp, &[]).await;
    let texts = story.texts_of("overheating");
    let of_step = |step: &str| texts.iter().find(|text| text.contains(&format!("overheating {step}, ")));
    let hot = of_step("worsened-urgent").expect("170 F");
    assert!(hot.contains("Tue 21 Apr 23:"), "it comes by night: {hot}");
    // 185 F is crossed at 02:47: 02:50 is the first reading above it, and 02:55 confirms it.
    let danger = of_step("worsened-danger").expect("185 F");
    assert!(danger.contains("Wed 22 Apr 02:5"), "{danger}");
    for word in ["FIRE RISK", "Smoke", "call the fire service", "Never open it alone", "hose"] {
        assert!(danger.contains(word), "{word}: {danger}");
    }
    // The first step is for the next two hours and breaks no night.
    assert!(of_step("opened").expect("160 F").contains("Wed 22 Apr 06:30"), "{texts:#?}");

    let lone =
        |spot: usize, minute: i64| Some(if spot == 0 && minute == 30 * 60 { 185.0 } else { good(minute) });
    assert_eq!(told(34, lone, &[]).await.texts, Vec::<String>::new(), "a lone 85.0 C is no fire");
    // Real: 84.5, 85.0 and 85.6 C in turn, on the way from below.
    let real = |spot: usize, minute: i64| {
        let hot = [184.1, 185.0, 186.08][usize::try_from(minute / EVERY_MINUTES % 3).unwrap()];
        let f = curve(&[(0, 70.0), (600, 150.0), (24 * 60, 150.0), (30 * 60, 184.0)], minute);
        Some(if spot == 0 { if minute > 30 * 60 { hot } else { f } } else { good(minute) })
    };
    let story = told(32, real, &[]).await;
    assert!(
        story.texts_of("overheating").iter().any(|text| text.contains("FIRE RISK")),
        "{:#?}",
        story.texts
    );
}

/// Silence: one probe in an open run after two hours, all of them as one.
#[tokio::test(flavor = "multi_thread")]
async fn silence_is_told_by_its_cause_and_says_what_keeps_the_proof() {
    // 14:00 of the second day.
    let silent = |spots: &'static [usize]| {
        move |spot: usize, minute: i64| (!spots.contains(&spot) || minute < 26 * 60).then(|| good(minute))
    };
    let story = told(31, silent(&[OUTER]), &[]).await;
    let texts = story.texts_of("probe-silent");
    assert_eq!(texts.iter().filter(|text| text.contains(" opened, ")).count(), 1, "{:#?}", story.texts);
    assert!(
        texts[0].contains("Tue 21 Apr 15:5") || texts[0].contains("Tue 21 Apr 16:"),
        "after two hours: {}",
        texts[0]
    );
    assert!(texts[0].contains("hand"), "{}", texts[0]);
    let story = told(31, silent(&[0, 1, OUTER]), &[]).await;
    assert_eq!(story.incidents_of("all-silent"), 1, "{:#?}", story.incidents);
    assert_eq!(
        story.texts_of("probe-silent"),
        Vec::<&String>::new(),
        "one cause, not three: {:#?}",
        story.texts
    );
}
