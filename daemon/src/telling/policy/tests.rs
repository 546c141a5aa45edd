//! Scripts in, tellings out. Quillback Farm: Odile Marsh has a telephone and a mail address, Bram Okafor is the
//! second person. Quiet hours 21:00 to 06:30, reminders after 2 h.

mod moments;

use heapward_rules::finding::Kind;
use proptest::prelude::*;

use super::*;
use crate::model::time::local;
use crate::telling::fixture::{ZONE, at, clock, site, telling};
use crate::telling::topic::Trouble;

/// A recorder in small: incidents and messages, and the passing of time minute by minute.
struct Farm {
    teller: Teller,
    now: At,
    incidents: Vec<Incident>,
    mutes: Vec<Mute>,
    messages: Vec<OutboxMessage>,
}

impl Farm {
    fn at(now: &str) -> Farm {
        Farm::with(&telling(), now)
    }

    fn with(telling: &TellingConfig, now: &str) -> Farm {
        let teller = Teller::new(site(), telling);
        Farm { teller, now: at(now), incidents: vec![], mutes: vec![], messages: vec![] }
    }

    fn keep(&mut self, told: Told) {
        self.incidents.retain(|incident| incident.id != told.incident.id);
        self.incidents.push(told.incident);
        self.messages.extend(told.messages);
    }

    fn take(&mut self, matter: &Matter) {
        let scene = Scene { now: self.now, recent: &self.incidents, mutes: &self.mutes };
        if let Some(told) = self.teller.take(matter, scene) {
            self.keep(told);
        }
    }

    /// Lets time pass with a tick each minute.
    fn until(&mut self, then: &str) {
        while self.now < at(then) {
            self.now = self.now + Span::minutes(1);
            let scene = Scene { now: self.now, recent: &self.incidents, mutes: &self.mutes };
            for told in self.teller.due(scene) {
                self.keep(told);
            }
        }
    }

    /// What went to a contact's channel, in order of its due time: `12 14:20 overheating opened`.
    fn told(&self, contact: &str, channel: &str) -> Vec<String> {
        let mut list = Vec::new();
        for message in self.messages.iter().filter(|m| m.contact == contact && m.channel == channel) {
            let Delivery::Waiting { due_ms } = message.delivery else { panic!("policy sends nothing") };
            let incident = self.incidents.iter().find(|i| Some(&i.id) == message.incident.as_ref()).unwrap();
            let step = incident.tellings.iter().find(|t| t.messages.contains(&message.id)).unwrap();
            list.push((due_ms, format!("{} {} {}", show(due_ms), incident.kind, step.step)));
        }
        list.sort();
        list.into_iter().map(|(_, text)| text).collect()
    }

    #[track_caller]
    fn check(&self, wanted: &[&str]) {
        assert_eq!(self.told("odile", "phone"), wanted);
        assert_eq!(self.told("odile", "mail"), wanted);
    }
}

fn mute(until: At) -> Mute {
    Mute { pile: "2026-03".to_owned(), until, reason: "watering now".to_owned() }
}

fn show(ms: i64) -> String {
    local(At(ms), ZONE).format("%-d %H:%M").to_string()
}

fn finding(kind: Kind, level: Level, change: Change, when: &str, opened: &str) -> Matter {
    Matter {
        topic: Topic::Pile(kind),
        level,
        change,
        at: at(when),
        opened: at(opened),
        pile: Some("2026-03".to_owned()),
        spot: Some("core-north".to_owned()),
        probe: None,
        figures: std::collections::BTreeMap::new(),
    }
}

#[expect(clippy::cast_precision_loss, reason = "spans of a test")]
fn counted(matter: Matter, hours: i64) -> Matter {
    matter.with("counted_ms", Span::hours(hours).0 as f64)
}

fn opened(kind: Kind, level: Level, when: &str) -> Matter {
    finding(kind, level, Change::Opened, when, when)
}

fn closed(kind: Kind, level: Level, opened: &str, when: &str) -> Matter {
    finding(kind, level, Change::Closed, when, opened)
}

type Row = (Kind, Level, Option<i64>, &'static str, &'static [&'static str]);

const MOMENTS: &[Row] = {
    use Kind as K;
    use Level as L;
    &[
        // T1: breaks the quiet hours only for two days' worth; below half a day it is not told.
        (
            K::RunAtRisk,
            L::Act,
            Some(41),
            "12 14:20",
            &["12 14:20 run-at-risk opened", "12 16:20 run-at-risk reminder-1"],
        ),
        (K::RunAtRisk, L::Act, Some(41), "12 22:20", &["13 06:30 run-at-risk opened"]),
        (
            K::RunAtRisk,
            L::Act,
            Some(48),
            "12 22:20",
            &["12 22:20 run-at-risk opened", "13 00:20 run-at-risk reminder-1"],
        ),
        (K::RunAtRisk, L::Act, Some(3), "12 14:20", &[]),
        // T3: at half past seven.
        (K::Qualified, L::Note, None, "12 14:20", &["13 07:30 qualified opened"]),
        (K::Qualified, L::Act, None, "12 03:20", &["12 07:30 qualified opened"]),
        // T4, T5: once, by day, without reminders.
        (K::SlowToHeat, L::Act, None, "12 14:20", &["12 14:20 slow-to-heat opened"]),
        (K::SpotShort, L::Act, None, "12 23:59", &["13 06:30 spot-short opened"]),
        (K::Stalled, L::Act, None, "12 14:20", &["12 14:20 stalled opened"]),
        // T6: held; T7: breaks; T8: breaks and is repeated soon.
        (K::Overheating, L::Act, None, "12 22:20", &["13 06:30 overheating opened"]),
        (
            K::Overheating,
            L::Urgent,
            None,
            "12 22:20",
            &["12 22:20 overheating opened", "13 00:20 overheating reminder-1"],
        ),
        (
            K::Overheating,
            L::Danger,
            None,
            "13 00:20",
            &[
                "13 00:20 overheating opened",
                "13 00:35 overheating reminder-1",
                "13 01:05 overheating reminder-2",
            ],
        ),
        // T9: after two hours.
        (K::BlowerOff, L::Urgent, None, "12 22:20", &["13 00:20 blower-off opened"]),
        (K::BlowerOff, L::Act, None, "12 22:20", &["13 06:30 blower-off opened"]),
        // T10.
        (K::Drying, L::Act, None, "12 14:20", &["12 14:20 drying opened"]),
        // T11 after two hours, T12 never.
        (K::ProbeSilent, L::Act, None, "12 14:20", &["12 16:20 probe-silent opened"]),
        (K::ProbeSilent, L::Note, None, "12 14:20", &[]),
        // T13.
        (
            K::AllSilent,
            L::Act,
            None,
            "12 14:20",
            &["12 14:35 all-silent opened", "12 16:35 all-silent reminder-1"],
        ),
        // T14, and what changes nothing.
        (K::ReadyToMove, L::Note, None, "12 14:20", &["12 14:20 ready-to-move opened"]),
        (K::Cured, L::Note, None, "12 14:20", &[]),
        (K::Reheating, L::Act, None, "12 14:20", &[]),
        (K::BatteryLow, L::Note, None, "12 14:20", &[]),
    ]
};

/// One opening and a day of waiting for every row: kind, level, hours counted, when, and the tellings.
#[test]
fn the_moments_and_their_quiet_hours() {
    for (kind, level, hours, when, wanted) in MOMENTS {
        let mut farm = Farm::at(when);
        let matter = opened(*kind, *level, when);
        farm.take(&hours.map_or(matter.clone(), |hours| counted(matter, hours)));
        let until = at(when) + Span::minutes(150);
        while farm.now < until && farm.told("odile", "phone").len() < wanted.len() {
            let next = farm.now + Span::minutes(1);
            farm.until(&local(next, ZONE).format("%-d %H:%M").to_string());
        }
        assert_eq!(farm.told("odile", "phone"), *wanted, "{kind:?} {level:?} {when}");
        assert_eq!(farm.told("odile", "mail"), *wanted, "{kind:?} {level:?} {when}");
    }
}

#[test]
fn a_ramp_to_fire_is_told_at_each_level_and_to_the_second_person() {
    let mut farm = Farm::at("12 22:00");
    farm.take(&opened(Kind::Overheating, Level::Act, "12 22:00"));
    farm.until("13 01:00");
    farm.take(&finding(Kind::Overheating, Level::Urgent, Change::Worsened, "13 01:00", "12 22:00"));
    farm.until("13 02:50");
    farm.take(&finding(Kind::Overheating, Level::Danger, Change::Worsened, "13 02:50", "12 22:00"));
    farm.until("13 02:55");
    farm.check(&[
        "13 01:00 overheating worsened-urgent",
        "13 02:50 overheating worsened-danger",
        "13 06:30 overheating opened",
    ]);
    assert_eq!(farm.told("bram", "phone"), ["13 02:50 overheating worsened-danger"]);
}

#[test]
fn reminders_then_the_second_person_then_twice_a_day() {
    let mut farm = Farm::at("12 07:00");
    farm.take(&opened(Kind::Overheating, Level::Urgent, "12 07:00"));
    farm.until("13 02:00");
    farm.check(&[
        "12 07:00 overheating opened",
        "12 09:00 overheating reminder-1",
        "12 11:00 overheating reminder-2",
        "13 01:00 overheating reminder-3",
    ]);
    assert_eq!(
        farm.told("bram", "phone"),
        ["12 13:00 overheating second-person", "13 01:00 overheating reminder-3"]
    );
}

#[test]
fn what_was_seen_is_silent_until_worse_or_half_a_day() {
    let mut farm = Farm::at("12 07:00");
    farm.take(&opened(Kind::Overheating, Level::Act, "12 07:00"));
    farm.until("12 07:10");
    let seen = farm.teller.seen(&farm.incidents[0], farm.now);
    assert_eq!(seen.stage, Stage::Seen);
    farm.keep(Told { incident: seen, messages: vec![] });
    farm.until("12 12:00");
    farm.check(&["12 07:00 overheating opened"]);
    farm.take(&finding(Kind::Overheating, Level::Urgent, Change::Worsened, "12 12:00", "12 07:00"));
    farm.check(&["12 07:00 overheating opened", "12 12:00 overheating worsened-urgent"]);
    let seen = farm.teller.seen(&farm.incidents[0], farm.now);
    farm.keep(Told { incident: seen, messages: vec![] });
    farm.until("13 00:05");
    farm.check(&[
        "12 07:00 overheating opened",
        "12 12:00 overheating worsened-urgent",
        "13 00:00 overheating reminder-1",
    ]);
}

#[test]
fn an_all_clear_only_if_it_was_told_and_lasted() {
    // Told and over.
    let mut farm = Farm::at("12 14:00");
    farm.take(&opened(Kind::Overheating, Level::Act, "12 14:00"));
    farm.until("12 15:00");
    farm.take(&closed(Kind::Overheating, Level::Act, "12 14:00", "12 15:00"));
    farm.take(&closed(Kind::Overheating, Level::Act, "12 14:00", "12 15:00"));
    farm.check(&["12 14:00 overheating opened", "12 15:00 overheating all-clear"]);
    assert_eq!(farm.incidents[0].stage, Stage::Over);

    // Over within ten minutes.
    let mut farm = Farm::at("12 14:00");
    farm.take(&opened(Kind::Overheating, Level::Act, "12 14:00"));
    farm.until("12 14:09");
    farm.take(&closed(Kind::Overheating, Level::Act, "12 14:00", "12 14:09"));
    farm.check(&["12 14:00 overheating opened"]);

    // Never told: the probe is back before its two hours.
    let mut farm = Farm::at("12 14:00");
    farm.take(&opened(Kind::ProbeSilent, Level::Act, "12 14:00"));
    farm.until("12 15:30");
    farm.take(&closed(Kind::ProbeSilent, Level::Act, "12 14:00", "12 15:30"));
    farm.until("12 20:00");
    farm.check(&[]);

    // The all-clear respects the quiet hours.
    let mut farm = Farm::at("12 20:00");
    farm.take(&opened(Kind::Overheating, Level::Urgent, "12 20:00"));
    farm.until("12 21:30");
    farm.take(&closed(Kind::Overheating, Level::Urgent, "12 20:00", "12 21:30"));
    farm.check(&["12 20:00 overheating opened", "13 06:30 overheating all-clear"]);
}

#[test]
fn a_silent_gateway_hides_its_probes() {
    let mut farm = Farm::at("12 12:00");
    for spot in ["core-north", "base", "outer-south"] {
        let mut silent = opened(Kind::ProbeSilent, Level::Act, "12 12:00");
        silent.spot = Some(spot.to_owned());
        farm.take(&silent);
    }
    let mut all = opened(Kind::AllSilent, Level::Act, "12 12:00");
    (all.pile, all.spot) = (None, None);
    farm.take(&all);
    farm.until("12 15:00");
    farm.check(&["12 12:15 all-silent opened", "12 14:15 all-silent reminder-1"]);
    let mut all = closed(Kind::AllSilent, Level::Act, "12 12:00", "12 15:00");
    (all.pile, all.spot) = (None, None);
    farm.take(&all);
    for spot in ["core-north", "base"] {
        let mut silent = closed(Kind::ProbeSilent, Level::Act, "12 12:00", "12 15:00");
        silent.spot = Some(spot.to_owned());
        farm.take(&silent);
    }
    farm.until("12 15:05");
    // The one that did not come back is told now.
    farm.check(&[
        "12 12:15 all-silent opened",
        "12 14:15 all-silent reminder-1",
        "12 15:00 all-silent all-clear",
        "12 15:01 probe-silent opened",
    ]);
}

#[test]
fn what_comes_and_goes_is_told_as_such_once() {
    let mut farm = Farm::at("12 08:00");
    for hour in 8..14 {
        let (from, to) = (format!("12 {hour:02}:00"), format!("12 {hour:02}:30"));
        farm.until(&from);
        farm.take(&opened(Kind::Overheating, Level::Act, &from));
        farm.until(&to);
        farm.take(&closed(Kind::Overheating, Level::Act, &from, &to));
    }
    let wanted = [
        "12 08:00 overheating opened",
        "12 08:30 overheating all-clear",
        "12 09:00 overheating opened",
        "12 09:30 overheating all-clear",
        "12 10:00 overheating unstable",
    ];
    farm.check(&wanted);
    // Danger is never muted.
    farm.until("12 14:00");
    farm.take(&opened(Kind::Overheating, Level::Danger, "12 14:00"));
    assert_eq!(farm.told("bram", "phone"), ["12 14:00 overheating opened"]);
    // The next morning all is as before.
    farm.until("12 14:10");
    farm.take(&closed(Kind::Overheating, Level::Danger, "12 14:00", "12 14:10"));
    farm.until("13 09:00");
    farm.take(&opened(Kind::Overheating, Level::Act, "13 09:00"));
    assert!(farm.told("odile", "phone").contains(&"13 09:00 overheating opened".to_owned()));
}

#[test]
fn a_mute_ends_by_itself_and_never_covers_danger() {
    let mut farm = Farm::at("12 08:00");
    farm.mutes.push(mute(at("12 10:00")));
    farm.take(&opened(Kind::Overheating, Level::Urgent, "12 08:00"));
    farm.take(&opened(Kind::BlowerStuckOn, Level::Act, "12 08:00"));
    farm.until("12 09:00");
    farm.check(&[]);
    farm.take(&finding(Kind::Overheating, Level::Danger, Change::Worsened, "12 09:00", "12 08:00"));
    farm.check(&["12 09:00 overheating opened"]);
    farm.until("12 10:00");
    assert!(farm.told("odile", "phone").contains(&"12 10:00 blower-stuck-on opened".to_owned()));
}

#[test]
fn a_late_batch_tells_only_what_still_lasts() {
    let mut farm = Farm::at("12 15:00");
    farm.take(&opened(Kind::Overheating, Level::Act, "12 09:00"));
    farm.take(&closed(Kind::Overheating, Level::Act, "12 09:00", "12 11:00"));
    farm.take(&opened(Kind::FellOutEarly, Level::Act, "12 10:00"));
    farm.until("12 15:10");
    farm.check(&["12 15:01 fell-out-early opened"]);
}

#[test]
fn drying_is_told_at_most_every_three_days() {
    let mut farm = Farm::at("12 09:00");
    farm.take(&opened(Kind::Drying, Level::Act, "12 09:00"));
    farm.until("13 09:00");
    farm.take(&closed(Kind::Drying, Level::Act, "12 09:00", "13 09:00"));
    farm.until("14 09:00");
    farm.take(&opened(Kind::Drying, Level::Act, "14 09:00"));
    farm.until("16 09:00");
    farm.check(&["12 09:00 drying opened", "15 09:00 drying opened"]);
}

#[test]
fn an_amended_verdict_is_told_to_those_who_planned_on_it() {
    let mut farm = Farm::at("12 04:00");
    farm.take(&opened(Kind::Qualified, Level::Note, "12 04:00"));
    farm.until("12 16:00");
    farm.take(&closed(Kind::Qualified, Level::Note, "12 04:00", "12 16:00"));
    farm.check(&["12 07:30 qualified opened", "12 16:00 qualified all-clear"]);
    let last = &farm.messages.last().unwrap().text;
    assert!(last.starts_with("Pile 2026-03: NOT qualified after all"), "{last}");
}

#[test]
#[expect(clippy::cast_precision_loss, reason = "instants of a test")]
fn a_harvest_too_soon_is_told_when_entered_and_a_week_before() {
    let mut farm = Farm::at("1 10:00");
    let mut matter = Matter::of_farm(Trouble::HarvestTooSoon, Level::Act, Change::Opened, farm.now, farm.now)
        .with("harvest_ms", at("20 12:00").0 as f64)
        .with("earliest_ms", at("31 12:00").0 as f64);
    matter.pile = Some("2026-03".to_owned());
    matter.spot = Some("north-4".to_owned());
    farm.take(&matter);
    farm.until("21 12:00");
    farm.check(&["1 10:00 harvest-too-soon opened", "13 12:00 harvest-too-soon week-before"]);
}

#[test]
fn contacts_have_levels_and_hours_of_their_own() {
    let mut telling = telling();
    telling.contacts[0].from_level = Level::Urgent;
    telling.contacts[0].quiet = Some((clock("13:00"), clock("15:00")));
    telling.contacts[1].second = false;
    telling.contacts[1].quiet = Some((clock("00:00"), clock("00:00")));
    let mut farm = Farm::with(&telling, "12 23:00");
    farm.take(&opened(Kind::Overheating, Level::Act, "12 23:00"));
    assert_eq!(farm.told("bram", "phone"), ["12 23:00 overheating opened"]);
    farm.check(&[]);
    farm.until("13 13:30");
    farm.take(&finding(Kind::Overheating, Level::Urgent, Change::Worsened, "13 13:30", "12 23:00"));
    farm.until("13 14:00");
    farm.take(&closed(Kind::Overheating, Level::Urgent, "12 23:00", "13 14:00"));
    farm.check(&["13 13:30 overheating worsened-urgent", "13 15:00 overheating all-clear"]);
}

#[test]
fn the_same_findings_again_give_nothing_new() {
    let mut farm = Farm::at("12 14:00");
    farm.take(&opened(Kind::Overheating, Level::Act, "12 14:00"));
    let (incidents, messages) = (farm.incidents.clone(), farm.messages.clone());
    farm.take(&opened(Kind::Overheating, Level::Act, "12 14:00"));
    assert_eq!(farm.incidents, incidents);
    assert_eq!(farm.messages, messages);
    let mut again = Farm::at("12 14:00");
    again.take(&opened(Kind::Overheating, Level::Act, "12 14:00"));
    assert_eq!(again.messages, messages);
}

/// A pile from its building to its move, as the rules would tell it: what happened, and what went to the telephone.
struct Season {
    happened: &'static [(Kind, Level, Change, &'static str, &'static str)],
    texts: &'static [&'static str],
}

/// Everything that a good pile brings forth by itself is for the summary, except two texts.
const GOOD: Season = Season {
    happened: &[
        (Kind::BatteryLow, Level::Note, Change::Opened, "2 09:00", "2 09:00"),
        (Kind::ProbeSilent, Level::Note, Change::Opened, "2 18:00", "2 18:00"),
        (Kind::ProbeSilent, Level::Note, Change::Closed, "2 18:40", "2 18:00"),
        (Kind::OverheatingAhead, Level::Note, Change::Opened, "4 12:00", "4 12:00"),
        (Kind::OverheatingAhead, Level::Note, Change::Closed, "4 20:00", "4 12:00"),
        // A dip with three hours counted costs nothing worth a text.
        (Kind::RunAtRisk, Level::Note, Change::Opened, "3 04:00", "3 04:00"),
        (Kind::RunAtRisk, Level::Note, Change::Closed, "3 09:00", "3 04:00"),
        (Kind::Qualified, Level::Note, Change::Opened, "7 02:10", "7 02:10"),
        (Kind::Drying, Level::Note, Change::Opened, "9 10:00", "9 10:00"),
        (Kind::Drying, Level::Note, Change::Closed, "11 10:00", "9 10:00"),
        (Kind::ReadyToMove, Level::Note, Change::Opened, "28 22:30", "28 22:30"),
        (Kind::ReadyToMove, Level::Note, Change::Closed, "29 15:00", "28 22:30"),
        (Kind::Reheating, Level::Note, Change::Opened, "30 15:00", "30 15:00"),
    ],
    texts: &["7 07:30 qualified opened", "29 06:30 ready-to-move opened"],
};

/// A bad one gets the right text at the right time.
const BAD: Season = Season {
    happened: &[
        (Kind::SlowToHeat, Level::Act, Change::Opened, "4 15:00", "4 15:00"),
        (Kind::SlowToHeat, Level::Act, Change::Closed, "5 19:00", "4 15:00"),
        (Kind::Overheating, Level::Act, Change::Opened, "7 23:10", "7 23:10"),
        (Kind::Overheating, Level::Urgent, Change::Worsened, "8 02:30", "7 23:10"),
        (Kind::Overheating, Level::Urgent, Change::Closed, "8 03:50", "7 23:10"),
        (Kind::RunAtRisk, Level::Act, Change::Opened, "9 10:00", "9 10:00"),
        (Kind::RunAtRisk, Level::Act, Change::Closed, "9 11:30", "9 10:00"),
        (Kind::BlowerOff, Level::Urgent, Change::Opened, "10 01:00", "10 01:00"),
        (Kind::BlowerOff, Level::Urgent, Change::Closed, "10 04:00", "10 01:00"),
        (Kind::SpotShort, Level::Act, Change::Opened, "11 21:30", "11 21:30"),
        (Kind::Drying, Level::Act, Change::Opened, "13 12:00", "13 12:00"),
    ],
    texts: &[
        "4 15:00 slow-to-heat opened",
        "8 02:30 overheating worsened-urgent",
        "8 06:30 overheating all-clear",
        "8 06:30 overheating opened",
        "9 10:00 run-at-risk opened",
        "9 11:30 run-at-risk all-clear",
        "10 03:00 blower-off opened",
        "10 06:30 blower-off all-clear",
        "12 06:30 spot-short opened",
        "13 12:00 drying opened",
    ],
};

#[test]
fn a_good_pile_costs_two_texts_and_a_bad_one_the_right_ones() {
    for season in [GOOD, BAD] {
        let mut farm = Farm::at("1 15:00");
        let mut happened = season.happened.to_vec();
        happened.sort_by_key(|(_, _, _, when, _)| at(when));
        for (kind, level, change, when, opened) in happened {
            farm.until(when);
            farm.take(&finding(kind, level, change, when, opened));
        }
        farm.until("31 12:00");
        assert_eq!(farm.told("odile", "phone"), season.texts);
        assert_eq!(farm.told("bram", "phone"), Vec::<String>::new());
    }
}

/// What can happen on a farm, for the property below.
#[derive(Clone, Debug)]
enum Happening {
    Opens(usize, usize, Level),
    Worsens(usize, Level),
    Ends(usize),
    Passes(i64),
    Muted(i64),
    Seen(usize),
}

fn happening() -> impl Strategy<Value = Happening> {
    let level = || prop::sample::select(vec![Level::Note, Level::Act, Level::Urgent, Level::Danger]);
    prop_oneof![
        3 => (0..KINDS.len(), 0..3_usize, level()).prop_map(|(kind, spot, level)| Happening::Opens(kind, spot, level)),
        2 => (any::<prop::sample::Index>(), level()).prop_map(|(at, level)| Happening::Worsens(at.index(64), level)),
        3 => any::<prop::sample::Index>().prop_map(|at| Happening::Ends(at.index(64))),
        6 => (1..400_i64).prop_map(Happening::Passes),
        1 => (1..300_i64).prop_map(Happening::Muted),
        1 => any::<prop::sample::Index>().prop_map(|at| Happening::Seen(at.index(64))),
    ]
}

const KINDS: [Kind; 7] = [
    Kind::Overheating,
    Kind::RunAtRisk,
    Kind::ProbeSilent,
    Kind::BlowerOff,
    Kind::Drying,
    Kind::Qualified,
    Kind::AllSilent,
];

impl Farm {
    fn open_one(&self, index: usize) -> Option<Incident> {
        let open: Vec<&Incident> = self.incidents.iter().filter(|i| i.closed_ms.is_none()).collect();
        if open.is_empty() { None } else { Some(open[index % open.len()].clone()) }
    }

    fn happens(&mut self, happening: &Happening) {
        match happening {
            Happening::Opens(kind, spot, level) => {
                let now = self.now;
                let mut matter = opened(KINDS[*kind], *level, "1 00:00");
                (matter.at, matter.opened) = (now, now);
                matter.spot = Some(format!("spot-{spot}"));
                self.take(&matter);
            }
            Happening::Worsens(index, level) => {
                if let Some(matter) = self.open_one(*index).and_then(|i| Matter::closing(&i, self.now)) {
                    let level = (*level).max(matter.level);
                    self.take(&Matter { change: Change::Worsened, level, ..matter });
                }
            }
            Happening::Ends(index) => {
                if let Some(matter) = self.open_one(*index).and_then(|i| Matter::closing(&i, self.now)) {
                    self.take(&matter);
                }
            }
            Happening::Passes(minutes) => {
                for _ in 0..*minutes {
                    self.now = self.now + Span::minutes(1);
                    let scene = Scene { now: self.now, recent: &self.incidents, mutes: &self.mutes };
                    for told in self.teller.due(scene) {
                        self.keep(told);
                    }
                }
            }
            Happening::Muted(minutes) => {
                self.mutes.push(mute(self.now + Span::minutes(*minutes)));
            }
            Happening::Seen(index) => {
                if let Some(incident) = self.open_one(*index) {
                    let seen = self.teller.seen(&incident, self.now);
                    self.keep(Told { incident: seen, messages: vec![] });
                }
            }
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]
    /// Whatever happens: no message twice, none in quiet hours that may wait, an all-clear only to who was told and
    /// once, danger at once and to everybody, and no more reminders than the pauses allow.
    #[test]
    fn nobody_is_troubled_without_need(script in prop::collection::vec(happening(), 1..40)) {
        let mut farm = Farm::at("12 06:00");
        for happening in &script {
            farm.happens(happening);
        }
        let mut ids: Vec<&str> = farm.messages.iter().map(|message| message.id.as_str()).collect();
        ids.sort_unstable();
        let count = ids.len();
        ids.dedup();
        prop_assert_eq!(ids.len(), count, "a message was written twice");
        let quiet = farm.teller.book().quiet();
        for incident in &farm.incidents {
            let told: Vec<&Telling> = incident.tellings.iter().filter(|t| !t.messages.is_empty()).collect();
            let steps: Vec<&str> = told.iter().map(|telling| telling.step.as_str()).collect();
            let topic = Topic::parse(&incident.kind).unwrap();
            for telling in &told {
                let level = parse_level(&telling.level);
                let may_wait = Moment::of(topic, level, None).when < When::Now || telling.step == "all-clear";
                let at = At(telling.at_ms);
                prop_assert!(!(may_wait && quiet.contains(at, ZONE)), "{} {}", incident.id, telling.step);
            }
            let clears = steps.iter().filter(|step| **step == "all-clear").count();
            prop_assert!(clears <= 1 && (clears == 0 || steps.len() > 1), "{steps:?}");
            if parse_level(&incident.level) == Level::Danger && topic == Topic::Pile(Kind::Overheating) {
                let contacts = farm.messages.iter().filter(|m| m.incident.as_ref() == Some(&incident.id));
                let bram = contacts.filter(|m| m.contact == "bram").count();
                prop_assert!(bram >= 1, "{} was not told to everybody", incident.id);
            }
            let open_for = farm.now - At(incident.opened_ms);
            let reminders = steps.iter().filter(|step| step.starts_with("reminder")).count();
            let most = usize::try_from(open_for.0 / Span::minutes(15).0).unwrap() + 1;
            prop_assert!(reminders <= most.min(10 + most / 8), "{reminders} in {open_for}");
        }
    }
}
