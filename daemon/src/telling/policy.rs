//! When an incident is told, to whom and how often: the life of an incident, without clock and without I/O.
//!
//! Untold incidents stay `noted` until their moment has come (it has lasted long enough, the mute is over, the rest
//! of a late batch is in); quiet hours are kept by the due time of the messages. Told ones are reminded of until a
//! person has seen them, and their end is told once. Two calls with the same arguments give the same messages with
//! the same ids.

mod around;
mod life;

use heapward_rules::finding::{Change, Kind, Level};
use heapward_rules::units::{At, Span};

pub use self::around::unreached;
use self::around::{first_step, is_hidden, is_same_thing, is_week_before, mute_of, ready_at};
use self::life::{
    follow, knows_second, last_at, moment_of, open, quiet_telling, steps_of, take_figures, told_level, worsen,
};
use super::address::{AddressBook, Audience, Shape, message_id};
use super::hours::next_time;
use super::moment::{Moment, When};
use super::step::Step;
use super::topic::{Matter, Topic, Trouble, level_word, parse_level};
use super::wording::Site;
use crate::config::TellingConfig;
use crate::limits;
use crate::model::incident::{Incident, Stage, Telling};
use crate::model::message::{Delivery, OutboxMessage};
use crate::summary::Summary;

/// Decides what is told.
#[derive(Clone, Debug)]
pub struct Teller {
    site: Site,
    book: AddressBook,
    remind_after: Span,
}

/// What surrounds a decision.
#[derive(Clone, Copy, Debug)]
pub struct Scene<'a> {
    pub now: At,
    /// Every open incident, of all piles, and those that ended within [`limits::INCIDENTS_RECENT`].
    pub recent: &'a [Incident],
    pub mutes: &'a [Mute],
    /// Ids of grave incidents of which nobody could be told for a while: [`unreached`].
    pub unreached: &'a [String],
}

/// Silence about a pile until an instant; it always ends by itself. Danger is told all the same.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Mute {
    pub pile: String,
    pub until: At,
    /// In the words of who asked for it: `watering now`.
    pub reason: String,
}

/// To be written in one transaction: the incident as it is now, and what is to be sent about it.
#[derive(Clone, Debug, PartialEq)]
pub struct Told {
    pub incident: Incident,
    pub messages: Vec<OutboxMessage>,
}

// === impl Teller ===

impl Teller {
    pub fn new(site: Site, telling: &TellingConfig) -> Teller {
        Teller { site, book: AddressBook::new(telling), remind_after: telling.remind_after }
    }

    pub fn site(&self) -> &Site {
        &self.site
    }

    pub fn book(&self) -> &AddressBook {
        &self.book
    }

    /// Takes in a finding or a trouble. `None` for the end of something that never began, and for a repetition.
    pub fn take(&self, matter: &Matter, scene: Scene<'_>) -> Option<Told> {
        let id = matter.incident_id();
        let known = scene.recent.iter().find(|incident| incident.id == id);
        match (matter.change, known) {
            (Change::Opened, Some(_)) | (Change::Closed, None) => None,
            (Change::Closed, Some(incident)) if incident.closed_ms.is_some() => None,
            (Change::Closed, Some(incident)) => Some(self.close(incident.clone(), matter, scene)),
            (Change::Worsened, Some(incident)) => {
                let mut incident = incident.clone();
                worsen(&mut incident, matter);
                Some(self.look(incident, scene))
            }
            (Change::Opened | Change::Worsened, None) => {
                let mut incident = open(matter, id);
                incident.muted_until_ms = mute_of(&incident, scene).map(|until| until.0);
                if scene.now - matter.at > limits::LATE_FINDING {
                    incident.tellings.push(quiet_telling(Step::Noted, scene.now));
                }
                Some(self.look(incident, scene))
            }
        }
    }

    /// What has become due by the passing of time: first tellings that waited, reminders, the second person.
    pub fn due(&self, scene: Scene<'_>) -> Vec<Told> {
        self.due_where(scene, |_| true)
    }

    /// The same for the daemon's own troubles alone.
    pub fn due_of_farm(&self, scene: Scene<'_>) -> Vec<Told> {
        self.due_where(scene, |incident| matches!(Topic::parse(&incident.kind), Some(Topic::Farm(_))))
    }

    fn due_where(&self, scene: Scene<'_>, is_asked: impl Fn(&Incident) -> bool) -> Vec<Told> {
        let mut recent = scene.recent.to_vec();
        let mut told = Vec::new();
        for index in 0..recent.len() {
            let Some(before) =
                recent.get(index).filter(|incident| incident.closed_ms.is_none() && is_asked(incident))
            else {
                continue;
            };
            let now_told = self.look(before.clone(), Scene { recent: &recent, ..scene });
            if now_told.messages.is_empty() {
                continue;
            }
            if let Some(place) = recent.get_mut(index) {
                place.clone_from(&now_told.incident);
            }
            told.push(now_told);
        }
        told
    }

    /// The incident with its figures as they are now; `None` if they are what it says already, or it is over.
    pub fn follow(&self, incident: &Incident, present: &Matter) -> Option<Incident> {
        let mut now = incident.clone();
        follow(&mut now, present);
        (now != *incident && incident.closed_ms.is_none()).then_some(now)
    }

    /// A person has seen it: silent until it gets worse or half a day has gone.
    pub fn seen(&self, incident: &Incident, now: At) -> Incident {
        let mut incident = incident.clone();
        if incident.closed_ms.is_none() {
            incident.stage = Stage::Seen;
            incident.tellings.push(quiet_telling(Step::Seen, now));
        }
        incident
    }

    /// The messages of a daily summary; `day` is the local day that it is for.
    pub fn summary(&self, summary: &Summary, day: chrono::NaiveDate, now: At) -> Vec<OutboxMessage> {
        let day = day.to_string();
        let readers = self.book.summary_readers();
        readers
            .map(|(contact, channel, shape)| OutboxMessage {
                id: message_id(&["summary", &day, channel, contact]),
                channel: channel.to_owned(),
                contact: contact.to_owned(),
                incident: None,
                level: level_word(Level::Note).to_owned(),
                created_ms: now.0,
                about_ms: now.0,
                subject: summary.subject.clone(),
                text: if shape == Shape::Letter { summary.text.clone() } else { summary.one_line.clone() },
                html: (shape == Shape::Letter).then(|| summary.html.clone()),
                images: if shape == Shape::Letter { summary.images.clone() } else { vec![] },
                tries: 0,
                delivery: Delivery::Waiting { due_ms: now.0 },
            })
            .collect()
    }

    /// The next step of an open incident, if its time has come.
    fn look(&self, incident: Incident, scene: Scene<'_>) -> Told {
        match self.next_step(&incident, scene) {
            Some(step) => self.tell(incident, step, scene),
            None => Told { incident, messages: vec![] },
        }
    }

    fn next_step(&self, incident: &Incident, scene: Scene<'_>) -> Option<Step> {
        let topic = Topic::parse(&incident.kind)?;
        let level = parse_level(&incident.level);
        let moment = moment_of(incident, topic);
        let is_danger = moment.when == When::Everybody;
        if !is_danger && (is_hidden(incident, topic, scene) || mute_of(incident, scene).is_some()) {
            return None;
        }
        let Some(told_level) = told_level(incident) else {
            let is_ready = ready_at(incident, &moment, scene) <= scene.now;
            return (is_ready && self.is_steady(incident, is_danger, scene))
                .then(|| first_step(incident, scene));
        };
        if level > told_level {
            return self.is_steady(incident, is_danger, scene).then_some(Step::Worsened(level));
        }
        if topic == Topic::Farm(Trouble::HarvestTooSoon) {
            return is_week_before(incident, scene.now).then_some(Step::WeekBefore);
        }
        let is_quiet = moment.when < When::Now && self.book.quiet().contains(scene.now, self.site.zone);
        if scene.unreached.contains(&incident.id)
            && self.book.has_second()
            && !knows_second(incident)
            && !is_quiet
        {
            return Some(Step::SecondPerson);
        }
        // A run on its way back asks for nothing: its end is told.
        let climbs = incident.figures.get("slope_c_per_h").is_some_and(|slope| *slope > 0.0);
        if topic == Topic::Pile(Kind::RunAtRisk) && climbs {
            return None;
        }
        let (at, step) = self.next_reminder(incident, &moment)?;
        (at <= scene.now && !is_quiet).then_some(step)
    }

    /// Whether it has not been declared unstable lately. Danger is always told.
    fn is_steady(&self, incident: &Incident, is_danger: bool, scene: Scene<'_>) -> bool {
        is_danger
            || scene
                .recent
                .iter()
                .chain([incident])
                .filter(|other| is_same_thing(other, incident))
                .filter_map(|other| last_at(other, |step| step == Step::Unstable))
                .all(|told| next_time(told, self.book.quiet().until, self.site.zone) <= scene.now)
    }

    fn next_reminder(&self, incident: &Incident, moment: &Moment) -> Option<(At, Step)> {
        if !moment.reminds || last_at(incident, |step| step == Step::Unstable).is_some() {
            return None;
        }
        let steps: Vec<(Step, At)> = steps_of(incident).collect();
        let (_, last) = *steps.iter().rev().find(|(step, _)| *step != Step::Noted)?;
        let is_reminder = |step: &Step| matches!(step, Step::Reminder(_));
        let so_far = steps.iter().filter(|(step, _)| is_reminder(step)).count();
        let next = Step::Reminder(u32::try_from(so_far).unwrap_or(u32::MAX).saturating_add(1));
        if incident.stage == Stage::Seen {
            return Some((last + limits::REMIND_AGAIN, next));
        }
        let afresh = steps.iter().rposition(|(step, _)| matches!(step, Step::Opened | Step::Worsened(_)));
        let since_then = steps.iter().skip(afresh.unwrap_or(0));
        let unanswered = since_then.filter(|(step, _)| is_reminder(step)).count();
        let unanswered = u32::try_from(unanswered).unwrap_or(u32::MAX);
        let level = parse_level(&incident.level);
        if level == Level::Danger {
            return Some((last + danger_pause(unanswered, self.remind_after), next));
        }
        if unanswered < limits::REMINDERS_MAX {
            return Some((last + self.remind_after, next));
        }
        if level >= Level::Urgent && self.book.has_second() && !knows_second(incident) {
            return Some((last + self.remind_after, Step::SecondPerson));
        }
        if unanswered >= limits::REMINDERS_IN_ALL {
            return None;
        }
        Some((last + limits::REMIND_AGAIN, next))
    }

    fn close(&self, mut incident: Incident, matter: &Matter, scene: Scene<'_>) -> Told {
        incident.closed_ms = Some(matter.at.0);
        incident.stage = Stage::Over;
        take_figures(&mut incident, matter);
        let Some(topic) = Topic::parse(&incident.kind) else { return Told { incident, messages: vec![] } };
        let lasted = matter.at - At(incident.opened_ms);
        let is_unstable = last_at(&incident, |step| step == Step::Unstable).is_some();
        let was_told = told_level(&incident).is_some();
        if was_told
            && !is_unstable
            && moment_of(&incident, topic).all_clear
            && lasted >= limits::ALL_CLEAR_LEAST
        {
            return self.tell(incident, Step::AllClear, scene);
        }
        Told { incident, messages: vec![] }
    }

    fn tell(&self, mut incident: Incident, step: Step, scene: Scene<'_>) -> Told {
        let Some(topic) = Topic::parse(&incident.kind) else { return Told { incident, messages: vec![] } };
        let level = parse_level(&incident.level);
        let moment = moment_of(&incident, topic);
        let when = if step == Step::AllClear { When::Waking } else { moment.when };
        let second = level == Level::Danger || step == Step::SecondPerson || knows_second(&incident);
        let audience = Audience { rank: moment.rank(level), first: step != Step::SecondPerson, second };
        let messages = self.book.messages(&incident, step, when, audience, &self.site, scene.now);
        let due = |message: &OutboxMessage| match message.delivery {
            Delivery::Waiting { due_ms } => due_ms,
            _ => scene.now.0,
        };
        if let Some(at_ms) = messages.iter().map(due).min() {
            incident.tellings.push(Telling {
                at_ms,
                step: step.word(),
                level: level_word(level).to_owned(),
                messages: messages.iter().map(|message| message.id.clone()).collect(),
            });
            incident.stage = match step {
                Step::AllClear => Stage::Over,
                Step::Reminder(_) | Step::SecondPerson | Step::WeekBefore => Stage::Reminded,
                _ => Stage::Told,
            };
        }
        Told { incident, messages }
    }
}

fn danger_pause(unanswered: u32, remind_after: Span) -> Span {
    match unanswered {
        0 => limits::DANGER_REMIND_FIRST,
        1..=3 => limits::DANGER_REMIND_NEXT,
        _ => remind_after,
    }
}

#[cfg(test)]
mod tests;
