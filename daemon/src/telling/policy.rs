//! When an incident is told, to whom and how often: the life of an incident, without clock and without I/O.
//!
//! Untold incidents stay `noted` until their moment has come (it has lasted long enough, the mute is over, the rest
//! of a late batch is in); quiet hours are kept by the due time of the messages. Told ones are reminded of until a
//! person has seen them, and their end is told once. Two calls with the same arguments give the same messages with
//! the same ids.

use heapward_rules::finding::{Change, Kind, Level};
use heapward_rules::units::{At, Span};

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
}

/// Silence about a pile until an instant; it always ends by itself. Danger is told all the same.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Mute {
    pub pile: String,
    pub until: At,
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
        let mut recent = scene.recent.to_vec();
        let mut told = Vec::new();
        for index in 0..recent.len() {
            let Some(before) = recent.get(index).filter(|incident| incident.closed_ms.is_none()) else {
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
            let settled = last_at(incident, |step| step == Step::Noted)
                .is_none_or(|noted| noted + limits::LATE_SETTLE <= scene.now);
            return (settled && self.is_steady(incident, is_danger, scene)).then_some(Step::Worsened(level));
        }
        if topic == Topic::Farm(Trouble::HarvestTooSoon) {
            return is_week_before(incident, scene.now).then_some(Step::WeekBefore);
        }
        let (at, step) = self.next_reminder(incident, &moment)?;
        let is_quiet = moment.when < When::Now && self.book.quiet().contains(scene.now, self.site.zone);
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
        Some((last + limits::REMIND_AGAIN, next))
    }

    fn close(&self, mut incident: Incident, matter: &Matter, scene: Scene<'_>) -> Told {
        incident.closed_ms = Some(matter.at.0);
        incident.stage = Stage::Over;
        incident.figures.extend(matter.figures.clone());
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

// === the incident ===

fn open(matter: &Matter, id: String) -> Incident {
    let mut incident = Incident {
        id,
        pile: matter.pile.clone(),
        kind: matter.topic.word().to_owned(),
        level: level_word(matter.level).to_owned(),
        spot: matter.spot.clone(),
        probe: matter.probe.clone(),
        opened_ms: matter.opened.0,
        closed_ms: None,
        stage: Stage::Noted,
        figures: matter.figures.clone(),
        tellings: vec![],
        muted_until_ms: None,
    };
    stamp(&mut incident, "decided_ms", matter.at);
    incident
}

/// A worse level or figure of a known incident. One that had ended goes on: late readings have changed its end.
fn worsen(incident: &mut Incident, matter: &Matter) {
    incident.figures.extend(matter.figures.clone());
    stamp(incident, "decided_ms", matter.at);
    if matter.level > parse_level(&incident.level) {
        level_word(matter.level).clone_into(&mut incident.level);
        stamp(incident, "level_ms", matter.at);
    }
    if incident.closed_ms.take().is_some() {
        incident.stage = if told_level(incident).is_some() { Stage::Told } else { Stage::Noted };
    }
}

#[expect(clippy::cast_precision_loss, reason = "instants of a farm are below 2^52 ms")]
fn stamp(incident: &mut Incident, figure: &str, at: At) {
    incident.figures.insert(figure.to_owned(), at.0 as f64);
}

fn quiet_telling(step: Step, at: At) -> Telling {
    Telling { at_ms: at.0, step: step.word(), level: String::new(), messages: vec![] }
}

fn steps_of(incident: &Incident) -> impl Iterator<Item = (Step, At)> + '_ {
    incident.tellings.iter().filter_map(|t| Step::parse(&t.step).map(|step| (step, At(t.at_ms))))
}

fn last_at(incident: &Incident, is_it: impl Fn(Step) -> bool) -> Option<At> {
    steps_of(incident).filter(|(step, _)| is_it(*step)).map(|(_, at)| at).max()
}

/// The worst level at which it was told; `None` if it was not.
fn told_level(incident: &Incident) -> Option<Level> {
    let told = incident.tellings.iter().filter(|telling| !telling.messages.is_empty());
    told.map(|telling| parse_level(&telling.level)).max()
}

fn knows_second(incident: &Incident) -> bool {
    steps_of(incident).any(|(step, _)| step == Step::SecondPerson)
        || incident.tellings.iter().any(|telling| telling.level == level_word(Level::Danger))
}

/// Plainly told, or as a thing that comes and goes.
fn first_step(incident: &Incident, scene: Scene<'_>) -> Step {
    let is_danger = parse_level(&incident.level) == Level::Danger;
    if openings(incident, scene) >= limits::FLAPS_MAX && !is_danger { Step::Unstable } else { Step::Opened }
}

// === what surrounds it ===

#[expect(clippy::cast_possible_truncation, reason = "stored spans are whole milliseconds below 2^52")]
fn figure(incident: &Incident, name: &str) -> Option<i64> {
    incident.figures.get(name).map(|value| *value as i64)
}

fn moment_of(incident: &Incident, topic: Topic) -> Moment {
    Moment::of(topic, parse_level(&incident.level), figure(incident, "counted_ms").map(Span))
}

/// The earliest instant of its first telling.
fn ready_at(incident: &Incident, moment: &Moment, scene: Scene<'_>) -> At {
    let began = figure(incident, "since_ms").map_or(At(incident.opened_ms), At);
    let settled = if moment.settle > Span::ZERO { began + moment.settle } else { At::MIN };
    let late =
        last_at(incident, |step| step == Step::Noted).map_or(At::MIN, |noted| noted + limits::LATE_SETTLE);
    let same = scene.recent.iter().filter(|other| other.pile == incident.pile && other.kind == incident.kind);
    let last =
        same.filter_map(|other| last_at(other, |step| step != Step::Noted && step != Step::Seen)).max();
    let paused = last.filter(|_| moment.pause > Span::ZERO).map_or(At::MIN, |last| last + moment.pause);
    settled.max(late).max(paused)
}

/// The end of a mute that covers the incident now.
fn mute_of(incident: &Incident, scene: Scene<'_>) -> Option<At> {
    let of_pile = scene.mutes.iter().filter(|mute| Some(&mute.pile) == incident.pile.as_ref());
    let ends = of_pile.map(|mute| mute.until).chain(incident.muted_until_ms.map(At));
    ends.filter(|until| *until > scene.now).max()
}

/// Covered by a greater one: a gateway that is down hides its probes; several piles share one gateway.
fn is_hidden(incident: &Incident, topic: Topic, scene: Scene<'_>) -> bool {
    let mut others = scene.recent.iter().filter(|other| other.closed_ms.is_none() && other.id != incident.id);
    let is_of = |other: &Incident, topic: Topic| other.kind == topic.word();
    let all_silent = Topic::Pile(Kind::AllSilent);
    let broker = Topic::Farm(Trouble::BrokerAway);
    match topic {
        Topic::Pile(Kind::ProbeSilent | Kind::ProbeFaulty) => others.any(|other| {
            is_of(other, broker)
                || (is_of(other, all_silent)
                    && other.pile.as_ref().is_none_or(|pile| Some(pile) == incident.pile.as_ref()))
        }),
        Topic::Pile(Kind::AllSilent) => others
            .any(|other| (is_of(other, broker) || is_of(other, all_silent)) && told_level(other).is_some()),
        Topic::Farm(Trouble::BrokerAway) => {
            others.any(|other| is_of(other, all_silent) && told_level(other).is_some())
        }
        _ => false,
    }
}

fn is_same_thing(a: &Incident, b: &Incident) -> bool {
    a.kind == b.kind && a.pile == b.pile && a.spot == b.spot && a.probe == b.probe
}

/// How often the same thing has opened within the window that ends with this opening.
fn openings(incident: &Incident, scene: Scene<'_>) -> usize {
    let opened = At(incident.opened_ms);
    let is_in_window = |other: &Incident| {
        let at = At(other.opened_ms);
        at <= opened && opened - at < limits::FLAP_WINDOW
    };
    let others = scene.recent.iter().filter(|other| other.id != incident.id);
    1 + others.filter(|other| is_same_thing(other, incident) && is_in_window(other)).count()
}

fn is_week_before(incident: &Incident, now: At) -> bool {
    let Some(harvest) = figure(incident, "harvest_ms").map(At) else { return false };
    let notice = harvest - limits::HARVEST_NOTICE;
    let last = last_at(incident, |_| true).unwrap_or(At::MIN);
    notice <= now && now < harvest && last < notice
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
