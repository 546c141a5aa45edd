//! Scripts in, tellings out. Quillback Farm: Odile Marsh has a telephone and a mail address, Bram Okafor is the
//! second person. Quiet hours 21:00 to 06:30, reminders after 2 h.

mod moments;
mod properties;
mod quiet_hours;
mod reminders;
mod seasons;

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
        let scene = Scene { now: self.now, recent: &self.incidents, mutes: &self.mutes, unreached: &[] };
        if let Some(told) = self.teller.take(matter, scene) {
            self.keep(told);
        }
    }

    /// Lets time pass with a tick each minute.
    fn until(&mut self, then: &str) {
        while self.now < at(then) {
            self.now = self.now + Span::minutes(1);
            let scene = Scene { now: self.now, recent: &self.incidents, mutes: &self.mutes, unreached: &[] };
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
            // A held mail waits a little longer, for the summary that takes it along.
            let waits = channel == "mail" && show(due_ms).ends_with(" 06:35");
            let due_ms = if waits { due_ms - limits::SUMMARY_GRACE.0 } else { due_ms };
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
        read_spot: None,
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
