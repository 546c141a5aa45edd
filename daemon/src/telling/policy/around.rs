//! What the other incidents, mutes and the time say about telling one.

use heapward_rules::finding::{Kind, Level};
use heapward_rules::units::{At, Span};

use super::Scene;
use super::life::{figure, knows_second, last_at, told_level};
use crate::limits;
use crate::model::incident::Incident;
use crate::model::message::Delivery;
use crate::telling::moment::Moment;
use crate::telling::step::Step;
use crate::telling::topic::{Topic, Trouble, parse_level};

/// Plainly told, or as a thing that comes and goes.
pub(super) fn first_step(incident: &Incident, scene: Scene<'_>) -> Step {
    let is_danger = parse_level(&incident.level) == Level::Danger;
    if openings(incident, scene) >= limits::FLAPS_MAX && !is_danger { Step::Unstable } else { Step::Opened }
}

/// The earliest instant of its first telling.
pub(super) fn ready_at(incident: &Incident, moment: &Moment, scene: Scene<'_>) -> At {
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
pub(super) fn mute_of(incident: &Incident, scene: Scene<'_>) -> Option<At> {
    let of_pile = scene.mutes.iter().filter(|mute| Some(&mute.pile) == incident.pile.as_ref());
    let ends = of_pile.map(|mute| mute.until).chain(incident.muted_until_ms.map(At));
    ends.filter(|until| *until > scene.now).max()
}

/// Covered by a greater one: a gateway that is down hides its probes; several piles share one gateway.
pub(super) fn is_hidden(incident: &Incident, topic: Topic, scene: Scene<'_>) -> bool {
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

/// Grave incidents whose last telling has reached nobody for [`limits::UNREACHED_AFTER`]: every way to those who come
/// first is down, or refused it. `delivery` says what became of a message; a message that can't be looked up counts as
/// arrived.
pub fn unreached(recent: &[Incident], now: At, delivery: impl Fn(&str) -> Option<Delivery>) -> Vec<String> {
    let has_arrived =
        |id: &String| !matches!(delivery(id), Some(Delivery::Waiting { .. } | Delivery::Failed { .. }));
    let is_it = |incident: &&Incident| {
        let told = incident.tellings.iter().rev().find(|telling| !telling.messages.is_empty());
        incident.closed_ms.is_none()
            && parse_level(&incident.level) >= Level::Urgent
            && !knows_second(incident)
            && told.is_some_and(|telling| {
                now - At(telling.at_ms) >= limits::UNREACHED_AFTER
                    && !telling.messages.iter().any(has_arrived)
            })
    };
    recent.iter().filter(is_it).map(|incident| incident.id.clone()).collect()
}

pub(super) fn is_same_thing(a: &Incident, b: &Incident) -> bool {
    a.kind == b.kind && a.pile == b.pile && a.spot == b.spot && a.probe == b.probe
}

/// How often the same thing has opened within the window that ends with this opening.
pub(super) fn openings(incident: &Incident, scene: Scene<'_>) -> usize {
    let opened = At(incident.opened_ms);
    let is_in_window = |other: &Incident| {
        let at = At(other.opened_ms);
        at <= opened && opened - at < limits::FLAP_WINDOW
    };
    let others = scene.recent.iter().filter(|other| other.id != incident.id);
    1 + others.filter(|other| is_same_thing(other, incident) && is_in_window(other)).count()
}

pub(super) fn is_week_before(incident: &Incident, now: At) -> bool {
    let Some(harvest) = figure(incident, "harvest_ms").map(At) else { return false };
    let notice = harvest - limits::HARVEST_NOTICE;
    let last = last_at(incident, |_| true).unwrap_or(At::MIN);
    notice <= now && now < harvest && last < notice
}
