//! Every sentence in a table (`texts.txt`), and what must hold for all of them whatever the names.
//!
//! After a wanted change: `HEAPWARD_WRITE_TABLES=1 cargo nextest run -p heapward wording`, then read the difference.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use heapward_rules::finding::Level;
use heapward_rules::units::{Celsius, Span};
use proptest::prelude::*;

use super::*;
use crate::model::incident::Stage;
use crate::model::time::parse_rfc3339;
use crate::telling::moment::{Moment, When};
use crate::telling::topic::level_word;

const LEVELS: [Level; 4] = [Level::Note, Level::Act, Level::Urgent, Level::Danger];

fn at(text: &str) -> At {
    parse_rfc3339(text).unwrap()
}

fn site(shows: DisplayUnit) -> Site {
    Site {
        farm: "Quillback Farm".to_owned(),
        zone: chrono_tz::America::New_York,
        shows,
        page: Some("http://barn.quillback.example/".to_owned()),
    }
}

/// Figures as the rules would set them for the topic.
#[expect(clippy::cast_precision_loss, reason = "instants of a test")]
fn figures(topic: Topic, level: Level) -> BTreeMap<String, f64> {
    let c = |f: f64| Celsius::from_f(f).0;
    let ms = |text: &str| at(text).0 as f64;
    let hours = |n: i64| Span::hours(n).0 as f64;
    let run = [("counted_ms", hours(41)), ("required_ms", hours(72))];
    let list: Vec<(&str, f64)> = match topic {
        Topic::Pile(Kind::Overheating) => {
            let f = [161.8, 163.4, 172.2, 186.1][level as usize];
            vec![("temperature_c", c(f)), ("worst_c", c(f + 1.0))]
        }
        Topic::Pile(Kind::OverheatingAhead) => vec![
            ("temperature_c", c(152.0)),
            ("slope_c_per_h", 1.1),
            ("expected_at_ms", ms("2026-05-12T21:40:00-04:00")),
        ],
        Topic::Pile(Kind::RunAtRisk) => {
            [vec![("temperature_c", c(132.4)), ("slope_c_per_h", -0.6)], run.to_vec()].concat()
        }
        Topic::Pile(Kind::SlowToHeat) => vec![
            ("temperature_c", c(104.0)),
            ("since_ms", ms("2026-05-09T10:20:00-04:00")),
            ("decided_ms", ms("2026-05-12T14:20:00-04:00")),
        ],
        Topic::Pile(Kind::Drying) => vec![
            ("moisture_percent", 43.6),
            ("water_litres", 230.0),
            ("expected_at_ms", ms("2026-05-14T08:00:00-04:00")),
        ],
        Topic::Pile(Kind::ProbeSilent | Kind::AllSilent) => {
            vec![("since_ms", ms("2026-05-12T02:10:00-04:00"))]
        }
        Topic::Pile(Kind::BatteryLow) => vec![("battery_percent", 11.0)],
        Topic::Pile(Kind::BlowerOff) => vec![("since_ms", ms("2026-05-12T12:05:00-04:00"))],
        Topic::Pile(Kind::BlowerStuckOn) => vec![("slope_c_per_h", -0.5)],
        Topic::Pile(Kind::Qualified) => vec![("required_ms", hours(72))],
        Topic::Farm(Trouble::DiskLow) => vec![("free_mb", 212.0)],
        Topic::Farm(Trouble::HarvestTooSoon) => vec![
            ("harvest_ms", ms("2026-07-20T12:00:00-04:00")),
            ("earliest_ms", ms("2026-09-09T12:00:00-04:00")),
        ],
        _ => vec![("temperature_c", c(118.0))],
    };
    list.into_iter().map(|(name, value)| (name.to_owned(), value)).collect()
}

fn incident(topic: Topic, level: Level, names: [&str; 3]) -> Incident {
    let is_farm = topic == Topic::Pile(Kind::AllSilent)
        || (matches!(topic, Topic::Farm(_)) && topic != Topic::Farm(Trouble::HarvestTooSoon));
    let is_of_the_pile = matches!(
        topic,
        Topic::Pile(
            Kind::SlowToHeat
                | Kind::Stalled
                | Kind::BlowerOff
                | Kind::BlowerStuckOn
                | Kind::Qualified
                | Kind::ReadyToMove
                | Kind::Cured
        )
    );
    let has_spot = !(is_farm || is_of_the_pile) || topic == Topic::Farm(Trouble::ChannelFailing);
    let has_probe = matches!(
        topic,
        Topic::Pile(
            Kind::ProbeSilent
                | Kind::ProbeStuck
                | Kind::ProbeFaulty
                | Kind::ProbePulledOut
                | Kind::ProbeMoved
                | Kind::WrongUnit
                | Kind::BatteryLow
        )
    );
    Incident {
        id: "test".to_owned(),
        pile: (!is_farm).then(|| names[0].to_owned()),
        kind: topic.word().to_owned(),
        level: level_word(level).to_owned(),
        spot: has_spot.then(|| names[1].to_owned()),
        read_spot: None,
        probe: has_probe.then(|| names[2].to_owned()),
        opened_ms: at("2026-05-12T14:20:00-04:00").0,
        closed_ms: None,
        stage: Stage::Noted,
        figures: figures(topic, level),
        tellings: vec![],
        muted_until_ms: None,
    }
}

/// The same two hours later, as the rules see it then.
#[expect(clippy::cast_precision_loss, reason = "instants of a test")]
fn two_hours_later(incident: &Incident) -> Incident {
    let mut incident = incident.clone();
    let now = at("2026-05-12T16:20:00-04:00");
    let (moves, slope) = match incident.kind.as_str() {
        "overheating" => (1.5, None),
        "run-at-risk" => (-0.4, Some(-0.2)),
        _ => return incident,
    };
    let was = incident.figures["temperature_c"];
    let figures = [("now_c", was + moves), ("now_ms", now.0 as f64)];
    incident.figures.extend(figures.map(|(name, value)| (name.to_owned(), value)));
    if let Some(slope) = slope {
        incident.figures.insert("slope_c_per_h".to_owned(), slope);
        incident.figures.insert("counted_ms".to_owned(), Span::hours(43).0 as f64);
    } else {
        incident.figures.insert("worst_c".to_owned(), was + 2.5);
        incident.read_spot = incident.spot.as_ref().map(|_| "outer-south".to_owned());
    }
    incident
}

fn place(topic: Topic) -> &'static str {
    match topic {
        Topic::Farm(Trouble::ChannelFailing) => "odile-phone",
        Topic::Farm(Trouble::HarvestTooSoon) => "north-4",
        _ => "core-north",
    }
}

/// Whether the rules and the daemon know the topic at such a level.
fn can_be(topic: Topic, level: Level) -> bool {
    match topic {
        Topic::Pile(Kind::Overheating) => true,
        Topic::Pile(Kind::RunAtRisk | Kind::BlowerOff)
        | Topic::Farm(Trouble::StoreFailing | Trouble::DiskLow) => level <= Level::Urgent,
        _ => level <= Level::Act,
    }
}

/// Every text that can go out, once: a level or step in which it reads the same has no line of its own. Of what is for
/// the summary alone, the sentence whose second half is the day's job.
fn table(shows: DisplayUnit) -> String {
    let mut table = String::new();
    let now = at("2026-05-12T14:30:00-04:00");
    for topic in Topic::all() {
        let mut seen = std::collections::BTreeSet::new();
        let is_told =
            |level: &Level| can_be(topic, *level) && Moment::of(topic, *level, None).when > When::Summary;
        let told: Vec<Level> = LEVELS.into_iter().filter(is_told).collect();
        let levels = if told.is_empty() { vec![Level::Note] } else { told };
        for level in levels {
            let moment = Moment::of(topic, level, None);
            let incident = incident(topic, level, ["2026-03", place(topic), "k1"]);
            let later = two_hours_later(&incident);
            let closed = Incident { closed_ms: Some(at("2026-05-12T16:05:00-04:00").0), ..incident.clone() };
            let then = at("2026-05-12T16:20:00-04:00");
            let steps = [
                (&incident, Step::Opened, now, true),
                (&incident, Step::Worsened(level), now, true),
                (&later, Step::Reminder(1), then, moment.reminds),
                (&later, Step::SecondPerson, then, moment.reminds && level == Level::Urgent),
                (&incident, Step::WeekBefore, now, topic == Topic::Farm(Trouble::HarvestTooSoon)),
                (&incident, Step::Unstable, now, moment.when > When::Summary && level < Level::Danger),
                (&closed, Step::AllClear, at("2026-05-12T16:06:00-04:00"), moment.all_clear),
            ];
            for (incident, step, now, _) in steps.into_iter().filter(|(.., can_be)| *can_be) {
                let words = words(incident, step, &site(shows), now).unwrap();
                let (word, length) = (step.word(), words.text.chars().count());
                if seen.insert(words.text.clone()) {
                    let level = level_word(level);
                    writeln!(table, "{} {level} {word}: [{length}] {}", topic.word(), words.text).unwrap();
                }
            }
        }
        let incident = incident(topic, Level::Act, ["2026-03", place(topic), "k1"]);
        let words = words(&incident, Step::Opened, &site(shows), now).unwrap();
        writeln!(table, "{} subject: {}", topic.word(), words.subject).unwrap();
        writeln!(table, "{} line: {}\n", topic.word(), line(&incident, &site(shows), now)).unwrap();
    }
    table
}

fn check_table(name: &str, written: &str, table: &str) {
    if std::env::var_os("HEAPWARD_WRITE_TABLES").is_some() {
        let path = format!("{}/src/telling/wording/{name}", env!("CARGO_MANIFEST_DIR"));
        std::fs::write(path, table).unwrap();
        return;
    }
    for (is, was) in table.lines().zip(written.lines()) {
        assert_eq!(is, was);
    }
    assert_eq!(table.lines().count(), written.lines().count());
}

#[test]
fn the_sentences_are_those_of_the_table() {
    check_table("texts.txt", include_str!("texts.txt"), &table(DisplayUnit::Fahrenheit));
}

#[test]
fn the_sentences_in_celsius_are_those_of_their_table() {
    check_table("texts_celsius.txt", include_str!("texts_celsius.txt"), &table(DisplayUnit::Celsius));
}

#[test]
fn a_mail_about_fire_has_every_caution() {
    let incident = incident(Topic::Pile(Kind::Overheating), Level::Danger, ["2026-03", "core-north", "k1"]);
    let site = site(DisplayUnit::Fahrenheit);
    let words = words(&incident, Step::Opened, &site, at("2026-05-12T14:21:00-04:00")).unwrap();
    assert_eq!(words.subject, "Quillback Farm: FIRE RISK, pile 2026-03, core-north above 180 F");
    check_table("fire_mail.txt", include_str!("fire_mail.txt"), &words.body);
}

#[test]
fn a_run_that_broke_is_not_called_saved() {
    let mut incident = incident(Topic::Pile(Kind::RunAtRisk), Level::Act, ["2026-03", "outer-south", "k1"]);
    incident.closed_ms = Some(at("2026-05-12T16:05:00-04:00").0);
    let site = site(DisplayUnit::Fahrenheit);
    let now = at("2026-05-12T16:06:00-04:00");
    for (f, wanted) in [
        (
            130.9,
            "Pile 2026-03: outer-south 130.9 F at 16:05, 41 of 72 h counted: the run is broken. Nothing to do \
             now; the count restarts at 131 F.",
        ),
        (
            137.0,
            "Pile 2026-03: outer-south 137 F at 16:05, 41 of 72 h counted: no longer at risk, the run goes on. \
             Leave the blower as it is for a day.",
        ),
    ] {
        incident.figures.insert("temperature_c".to_owned(), Celsius::from_f(f).0);
        assert_eq!(words(&incident, Step::AllClear, &site, now).unwrap().text, wanted);
    }
}

#[test]
fn a_verdict_by_figures_from_memory_says_so() {
    let site = site(DisplayUnit::Fahrenheit);
    for (kind, level) in [(Kind::Qualified, Level::Note), (Kind::ReadyToMove, Level::Note)] {
        let mut incident = incident(Topic::Pile(kind), level, ["2026-03", "", ""]);
        let said = |incident: &Incident| {
            words(incident, Step::Opened, &site, at("2026-05-12T14:30:00-04:00")).unwrap().text
        };
        let verified = said(&incident);
        assert!(!verified.contains("from memory"), "{verified}");
        incident.figures.insert("from_memory".to_owned(), 1.0);
        let from_memory = said(&incident);
        let words = "qualified (rule from memory)";
        assert!(from_memory.contains(words) && from_memory.len() <= 160, "{from_memory}");
    }
    let mut at_risk = incident(Topic::Pile(Kind::RunAtRisk), Level::Act, ["2026-03", "outer-south", "k1"]);
    at_risk.figures.insert("from_memory".to_owned(), 1.0);
    let text = words(&at_risk, Step::Opened, &site, at("2026-05-12T14:30:00-04:00")).unwrap().text;
    assert!(text.contains("41 of 72 h counted (rule from memory).") && text.len() <= 160, "{text}");
    let mut incident = incident(Topic::Pile(Kind::Qualified), Level::Note, ["2026-03", "", ""]);
    incident.closed_ms = Some(at("2026-05-12T16:05:00-04:00").0);
    incident.figures.insert("from_memory".to_owned(), 1.0);
    let over = words(&incident, Step::AllClear, &site, at("2026-05-12T16:06:00-04:00")).unwrap().text;
    assert_eq!(
        over,
        "Pile 2026-03: NOT qualified after all (rule from memory): later records changed the verdict. \
         Don't water, move or spread it before you have seen its page."
    );
}

#[test]
fn with_the_longest_names_what_to_do_still_fits() {
    let long = "a-very-long-name-from-a-configuration";
    for topic in Topic::all() {
        for level in LEVELS.into_iter().filter(|level| can_be(topic, *level)) {
            let incident = incident(topic, level, [long, long, long]);
            let site = site(DisplayUnit::Fahrenheit);
            let now = at("2026-05-13T14:30:00-04:00");
            let reminds = Moment::of(topic, level, None).reminds;
            let steps = [
                (Step::Opened, true),
                (Step::Reminder(1), reminds),
                (Step::SecondPerson, reminds && level == Level::Urgent),
            ];
            for (step, _) in steps.into_iter().filter(|(_, can_be)| *can_be) {
                for flag in ["-", "from_memory", "run_near_limit", "run_open", "in_core"] {
                    let mut incident = two_hours_later(&incident);
                    incident.figures.insert(flag.to_owned(), 1.0);
                    let words = words(&incident, step, &site, now).unwrap();
                    assert!(words.text.chars().count() <= 160);
                    let draft = View::new(&incident, step, &site, now).unwrap().draft();
                    assert!(!words.text.ends_with(".."), "{}: {}\n{draft:?}", topic.word(), words.text);
                }
            }
        }
    }
}

/// Since when, so that nobody has to guess how long there is. Not of the clock that isn't set: it can't know.
#[test]
fn every_text_says_since_when_or_for_how_long() {
    let long = "a-very-long-name-from-a-configuration";
    let is_time = |word: &str| {
        let word = word.trim_matches(|c: char| !c.is_ascii_digit());
        word.split_once(':').is_some_and(|(h, m)| h.len() == 2 && m.len() == 2)
    };
    for topic in Topic::all().filter(|topic| *topic != Topic::Farm(Trouble::ClockUntrusted)) {
        for level in LEVELS {
            for names in [["2026-03", place(topic), "k1"], [long, long, long]] {
                let incident = incident(topic, level, names);
                for step in [Step::Opened, Step::Reminder(1), Step::SecondPerson, Step::AllClear] {
                    if step != Step::Opened && !Moment::of(topic, level, None).reminds {
                        continue;
                    }
                    let text = words(
                        &incident,
                        step,
                        &site(DisplayUnit::Fahrenheit),
                        at("2026-05-13T14:30:00-04:00"),
                    );
                    let text = text.unwrap().text;
                    let says = text.split(' ').any(is_time)
                        || text.contains("after 76 h")
                        || text.contains(" on May 12");
                    assert!(says, "{} {level:?} {step:?}: {text}", topic.word());
                }
            }
        }
    }
}

#[test]
fn a_reminder_gives_the_newest_figure_the_worst_and_since_when() {
    let site = site(DisplayUnit::Fahrenheit);
    let said = |incident: &Incident, step| {
        words(incident, step, &site, at("2026-05-12T16:20:00-04:00")).unwrap().text
    };
    let mut hot = incident(Topic::Pile(Kind::Overheating), Level::Act, ["2026-03", "core-north", "k1"]);
    let mut later = two_hours_later(&hot);
    assert_eq!(
        said(&later, Step::Reminder(1)),
        "Reminder, pile 2026-03: outer-south 166 F, peak 168 F, hot since 14:20. Run the air longer or more often; water \
         it if it is dry. Over when below 155 F."
    );
    // It has come down, and nothing was read for two hours: neither is it called above 160 F nor the figure one of now.
    later.figures.insert("now_c".to_owned(), Celsius::from_f(157.0).0);
    let now = at("2026-05-12T18:40:00-04:00");
    assert_eq!(
        words(&later, Step::Opened, &site, now).unwrap().text,
        "Pile 2026-03: outer-south 157 F at 16:20, peak 168 F, hot since 14:20. Run the air longer or more often; water \
         it if it is dry. Over when below 155 F."
    );
    hot.level = "danger".to_owned();
    later.level = "danger".to_owned();
    assert!(said(&hot, Step::Opened).starts_with("FIRE RISK pile 2026-03: core-north 163 F at 14:20."));
    let again = said(&later, Step::Reminder(2));
    assert!(again.starts_with("STILL FIRE RISK, pile 2026-03: outer-south 157 F, since 14:20."), "{again}");
    let risk = incident(Topic::Pile(Kind::RunAtRisk), Level::Act, ["2026-03", "toe", "k1"]);
    assert_eq!(
        said(&two_hours_later(&risk), Step::Reminder(1)),
        "Reminder, pile 2026-03: toe 131.7 F at 16:20, falling 0.4 F/h, 43 of 72 h counted. Add cover there, cut blower \
         on-time by 1/3. At risk since 14:20."
    );
}

#[test]
fn a_text_says_how_it_is_now_and_asks_for_what_helps_now() {
    let site = site(DisplayUnit::Fahrenheit);
    let said = |incident: &Incident, step, f: f64, read: &str, slope_c_per_h: f64| {
        let mut incident = incident.clone();
        #[expect(clippy::cast_precision_loss, reason = "instants of a test")]
        let read_ms = at(read).0 as f64;
        let figures =
            [("now_c", Celsius::from_f(f).0), ("now_ms", read_ms), ("slope_c_per_h", slope_c_per_h)];
        incident.figures.extend(figures.map(|(name, value)| (name.to_owned(), value)));
        words(&incident, step, &site, at(read)).unwrap().text
    };
    // Below the limit again within minutes: not called above it.
    let hot = incident(Topic::Pile(Kind::Overheating), Level::Act, ["2026-03", "core-north", "k1"]);
    let text = said(&hot, Step::Opened, 158.0, "2026-05-12T14:25:00-04:00", 0.0);
    assert!(text.starts_with("Pile 2026-03: core-north 158 F, peak 164 F, hot since 14:20."), "{text}");
    // Below 170 F it takes air again, and nobody has to dig.
    let hotter = incident(Topic::Pile(Kind::Overheating), Level::Urgent, ["2026-03", "core-north", "k1"]);
    for (f, wanted, not) in
        [(165.0, "Run the air longer", "Two people"), (173.0, "Two people", "Run the air")]
    {
        let text = said(&hotter, Step::Reminder(1), f, "2026-05-12T16:20:00-04:00", 0.0);
        assert!(text.contains(wanted) && !text.contains(not), "{text}");
    }
    // A run that climbs again when its first text goes out needs no cover.
    let risk = incident(Topic::Pile(Kind::RunAtRisk), Level::Act, ["2026-03", "toe", "k1"]);
    let text = said(&risk, Step::Opened, 134.0, "2026-05-12T16:20:00-04:00", 0.3);
    assert!(text.contains("It climbs: leave air and cover as they are."), "{text}");
    let mut over = hot.clone();
    over.closed_ms = Some(at("2026-05-12T16:05:00-04:00").0);
    assert_eq!(
        line_now(&over, &site, at("2026-05-12T16:06:00-04:00")),
        "2026-03 core-north above 160 F 14:20-16:05, over (peak 164 F)"
    );
}

proptest! {
    #[test]
    fn no_name_breaks_a_text_a_subject_or_a_line(
        pile in any::<String>(), spot in any::<String>(), probe in any::<String>(), farm in any::<String>(),
        topic in 0_usize..28, level in 0_usize..4, closed in any::<bool>(), value in any::<f64>(),
    ) {
        let topic = Topic::all().nth(topic).unwrap();
        let mut incident = incident(topic, LEVELS[level], [&pile, &spot, &probe]);
        for name in ["temperature_c", "expected_at_ms", "since_ms", "counted_ms"] {
            incident.figures.insert(name.to_owned(), value);
        }
        let site = Site { farm, page: Some(probe.clone()), ..site(DisplayUnit::Fahrenheit) };
        let now = at("2026-05-12T14:30:00-04:00");
        if closed {
            incident.closed_ms = Some(now.0);
        }
        for step in [Step::Opened, Step::Reminder(2), Step::SecondPerson, Step::Unstable, Step::AllClear] {
            let words = words(&incident, step, &site, now).unwrap();
            prop_assert!(words.text.chars().count() <= 160);
            prop_assert!(gsm::is_basic(&words.text), "{:?}", words.text);
            for one in [words.subject.as_str(), &line(&incident, &site, now)] {
                prop_assert!(!one.chars().any(char::is_control), "{one:?}");
            }
            prop_assert!(!words.body.contains('\r'));
        }
    }
}
