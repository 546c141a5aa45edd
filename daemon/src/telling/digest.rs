//! What goes out next to one contact by one channel: the messages as they are, or one in their place.
//!
//! After quiet hours, an outage of the link or a stop of the daemon the queue is never dumped on the reader: what
//! waited becomes one message, open things first, ended ones marked as over. A message that has been overtaken by a
//! newer one of the same incident is not sent at all.

use std::collections::BTreeMap;

use heapward_rules::finding::Level;
use heapward_rules::units::At;

use super::address::{Shape, message_id};
use super::gsm;
use super::step::Step;
use super::topic::{Topic, level_word, parse_level};
use super::wording::{self, Site, words};
use crate::limits;
use crate::model::incident::Incident;
use crate::model::message::{Delivery, OutboxMessage};
use crate::summary;

/// The due messages of one channel and contact, with what is known of their incidents.
#[derive(Clone, Copy, Debug)]
pub struct Tray<'a> {
    pub due: &'a [OutboxMessage],
    /// By id.
    pub incidents: &'a BTreeMap<String, Incident>,
    /// Whether the last try by this channel failed.
    pub was_down: bool,
    /// Whether the contact gets the summary as a mail.
    pub reads_summary: bool,
    pub shape: Shape,
    pub site: &'a Site,
    pub now: At,
}

/// What to do with a tray.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Plan {
    /// Not sent: (message, what stands for it).
    pub dropped: Vec<(String, String)>,
    /// In this order.
    pub parcels: Vec<Parcel>,
}

/// One sending.
#[derive(Clone, Debug, PartialEq)]
pub struct Parcel {
    /// As it goes out: one of the tray, or a new one that stands for several.
    pub message: OutboxMessage,
    /// The messages that a new one stands for; empty if it is one of the tray.
    pub stands_for: Vec<OutboxMessage>,
}

/// A message of the tray with its incident.
#[derive(Clone, Copy)]
struct Item<'a> {
    message: &'a OutboxMessage,
    incident: &'a Incident,
    step: Step,
    /// The reader has heard nothing of the incident yet.
    unheard: bool,
}

/// What stands for messages about things that were over before they could be told.
pub const BY_SUMMARY: &str = "summary";

/// Decides what goes out of a tray.
pub fn plan(tray: Tray<'_>) -> Plan {
    let mut plan = Plan::default();
    let items = newest_of_each(tray, &mut plan);
    let mut summary = newest_summary(tray, &mut plan);
    let (fresh, waited): (Vec<Item<'_>>, Vec<Item<'_>>) =
        items.into_iter().partition(|item| !tray.was_down && is_fresh(item.message, tray.now));
    if fresh.len() > limits::TEXTS_AT_ONCE_MAX {
        plan.parcels.push(merged(tray, &[fresh, waited].concat()));
    } else {
        plan.parcels.extend(fresh.iter().map(|item| as_it_is(item.message.clone())));
        if let Some(taken) = summary.as_ref().filter(|_| takes_along(tray, &waited)) {
            let parcel = with_summary(tray, &waited, taken);
            summary = None;
            plan.parcels.push(parcel);
        } else {
            plan.parcels.extend(one_for(tray, &waited));
        }
    }
    let is_unknown =
        |m: &&OutboxMessage| m.incident.as_ref().is_some_and(|id| !tray.incidents.contains_key(id));
    plan.parcels.extend(tray.due.iter().filter(is_unknown).cloned().map(as_it_is));
    plan.parcels.extend(summary.map(as_it_is));
    plan
}

/// Of each incident its newest message, unless it is not worth one any more.
fn newest_of_each<'a>(tray: Tray<'a>, plan: &mut Plan) -> Vec<Item<'a>> {
    let mut by_incident: BTreeMap<&str, Vec<(usize, Item<'a>)>> = BTreeMap::new();
    for message in tray.due {
        let Some(incident) = message.incident.as_ref().and_then(|id| tray.incidents.get(id)) else {
            continue;
        };
        let place = incident.tellings.iter().position(|telling| telling.messages.contains(&message.id));
        let step = place.and_then(|place| incident.tellings.get(place)).and_then(|t| Step::parse(&t.step));
        let item = Item { message, incident, step: step.unwrap_or(Step::Opened), unheard: false };
        by_incident.entry(&incident.id).or_default().push((place.unwrap_or(0), item));
    }
    let mut newest: Vec<Item<'a>> = Vec::new();
    for mut items in by_incident.into_values() {
        items.sort_by_key(|(place, _)| *place);
        let first = items.first().map(|(_, item)| item.message);
        let Some((place, item)) = items.pop() else { continue };
        let unheard = !was_heard(item, tray);
        let is_past = first
            .is_some_and(|first| was_over_at_once(item.incident, first) || is_history(tray, item, first));
        let stands_for_them = if (is_past && unheard) || was_seen_since(item) {
            plan.dropped.push((item.message.id.clone(), BY_SUMMARY.to_owned()));
            BY_SUMMARY.to_owned()
        } else if let Some(newer) = sent_since(item, place) {
            plan.dropped.push((item.message.id.clone(), newer.clone()));
            newer
        } else {
            newest.push(Item { unheard, ..item });
            item.message.id.clone()
        };
        let older = items.into_iter().map(|(_, older)| older.message.id.clone());
        plan.dropped.extend(older.map(|id| (id, stands_for_them.clone())));
    }
    // The gravest goes out first: the line may fail after it.
    newest.sort_by_key(|item| {
        let level = std::cmp::Reverse(parse_level(&item.message.level));
        (level, item.message.created_ms, item.message.id.clone())
    });
    newest
}

/// Whether an earlier message of the incident has gone out to the same contact and channel.
fn was_heard(item: Item<'_>, tray: Tray<'_>) -> bool {
    let (incident, message) = (item.incident, item.message);
    incident.tellings.iter().filter(|telling| telling.at_ms <= tray.now.0).any(|telling| {
        let id = message_id(&[&incident.id, &telling.step, &message.channel, &message.contact]);
        telling.messages.contains(&id) && !tray.due.iter().any(|waiting| waiting.id == id)
    })
}

/// A late batch brought its beginning and its end together.
fn was_over_at_once(incident: &Incident, first: &OutboxMessage) -> bool {
    incident.closed_ms.is_some_and(|closed| closed <= first.created_ms)
}

/// Over, and its text is so old that the person reads of it in the summary, or on the page.
fn is_history(tray: Tray<'_>, item: Item<'_>, first: &OutboxMessage) -> bool {
    let is_old = tray.was_down && tray.now - At(first.created_ms) >= limits::MESSAGE_STALE;
    tray.shape == Shape::Text && tray.reads_summary && item.incident.closed_ms.is_some() && is_old
}

/// A person has seen it while the message waited, and it is not dangerous.
fn was_seen_since(item: Item<'_>) -> bool {
    let incident = item.incident;
    let seen = incident.tellings.iter().rev().find(|telling| telling.step == Step::Seen.word());
    incident.closed_ms.is_none()
        && parse_level(&incident.level) < Level::Danger
        && seen.is_some_and(|seen| seen.at_ms > item.message.created_ms)
}

/// A later message of the incident that has gone out to the same contact and channel already.
fn sent_since(item: Item<'_>, place: usize) -> Option<String> {
    let message = item.message;
    item.incident.tellings.iter().skip(place + 1).find_map(|telling| {
        let id = message_id(&[&item.incident.id, &telling.step, &message.channel, &message.contact]);
        let overtakes = telling.step != Step::AllClear.word() && due_ms(message) >= telling.at_ms;
        (overtakes && telling.messages.contains(&id)).then_some(id)
    })
}

/// Written for now, and it is still now.
fn is_fresh(message: &OutboxMessage, now: At) -> bool {
    due_ms(message) <= message.created_ms && now.0 - message.created_ms < limits::MESSAGE_FRESH.0
}

fn due_ms(message: &OutboxMessage) -> i64 {
    match message.delivery {
        Delivery::Waiting { due_ms } => due_ms,
        _ => message.created_ms,
    }
}

fn as_it_is(message: OutboxMessage) -> Parcel {
    Parcel { message, stands_for: vec![] }
}

/// Of what has waited: nothing, the one message if it still says what is true, else one for all.
fn one_for(tray: Tray<'_>, waited: &[Item<'_>]) -> Option<Parcel> {
    match waited {
        [] => None,
        [item] if still_true(item) => Some(as_it_is(as_it_is_now(tray, item))),
        _ => Some(merged(tray, waited)),
    }
}

/// A message that waited, in the words and figures of its sending.
fn as_it_is_now(tray: Tray<'_>, item: &Item<'_>) -> OutboxMessage {
    let mut message = item.message.clone();
    if let Some(words) = words(item.incident, item.step, tray.site, tray.now) {
        message.subject = words.subject;
        message.text = if tray.shape == Shape::Letter { words.body } else { words.text };
    }
    if tray.shape == Shape::Text && tray.now - At(message.created_ms) >= limits::MESSAGE_FRESH {
        message.text = wording::sent_late(&message.text, tray.now, tray.site.zone);
    }
    message
}

/// Whether what quiet hours held goes into the summary: not after an outage, when it may be a long list.
fn takes_along(tray: Tray<'_>, waited: &[Item<'_>]) -> bool {
    tray.shape == Shape::Letter && !tray.was_down && !waited.is_empty()
}

/// The summary with what was held before its lines. It keeps its id.
fn with_summary(tray: Tray<'_>, waited: &[Item<'_>], summary: &OutboxMessage) -> Parcel {
    let (open, over) = by_weight(waited);
    let held = what_waited(tray, "What was held overnight:", &open, &over).join("\n");
    let gravest = open.first().map_or(Level::Note, |item| parse_level(&item.incident.level));
    let message = OutboxMessage {
        level: level_word(gravest).to_owned(),
        text: format!("{held}\n\n{}", summary.text),
        html: summary.html.as_deref().map(|page| summary::page_with(page, &held)),
        ..summary.clone()
    };
    let parts = waited.iter().map(|item| item.message).chain([summary]);
    Parcel { message, stands_for: parts.cloned().collect() }
}

fn still_true(item: &Item<'_>) -> bool {
    match item.step {
        Step::AllClear => !item.unheard,
        _ => item.incident.closed_ms.is_none(),
    }
}

fn newest_summary(tray: Tray<'_>, plan: &mut Plan) -> Option<OutboxMessage> {
    let mut summaries: Vec<&OutboxMessage> = tray.due.iter().filter(|m| m.incident.is_none()).collect();
    summaries.sort_by_key(|message| message.created_ms);
    let newest = summaries.pop()?;
    plan.dropped.extend(summaries.into_iter().map(|older| (older.id.clone(), newest.id.clone())));
    Some(newest.clone())
}

/// One message for several.
fn merged(tray: Tray<'_>, items: &[Item<'_>]) -> Parcel {
    let mut ids: Vec<&str> = items.iter().map(|item| item.message.id.as_str()).collect();
    ids.sort_unstable();
    ids.insert(0, "merged");
    let (open, over) = by_weight(items);
    let level = open.first().map_or(Level::Note, |item| parse_level(&item.incident.level));
    let first = items.first().map(|item| item.message);
    let text = match tray.shape {
        Shape::Letter => letter(tray, &open, &over),
        Shape::Text => wording::sent_late(&text(tray, &open, &over), tray.now, tray.site.zone),
    };
    let message = OutboxMessage {
        id: message_id(&ids),
        channel: first.map_or_else(String::new, |message| message.channel.clone()),
        contact: first.map_or_else(String::new, |message| message.contact.clone()),
        incident: None,
        level: level_word(level).to_owned(),
        created_ms: tray.now.0,
        about_ms: items.iter().map(|item| item.message.about_ms).min().unwrap_or(tray.now.0),
        subject: subject(tray, level, open.len(), over.len()),
        text,
        html: None,
        images: vec![],
        tries: items.iter().map(|item| item.message.tries).max().unwrap_or(0),
        delivery: Delivery::Waiting { due_ms: tray.now.0 },
    };
    Parcel { message, stands_for: items.iter().map(|item| item.message.clone()).collect() }
}

/// What is open, the gravest first, and what is over.
fn by_weight<'a>(items: &[Item<'a>]) -> (Vec<Item<'a>>, Vec<Item<'a>>) {
    let (mut open, over): (Vec<Item<'_>>, Vec<Item<'_>>) =
        items.iter().copied().partition(|item| item.incident.closed_ms.is_none());
    open.sort_by_key(|item| (std::cmp::Reverse(parse_level(&item.incident.level)), item.incident.opened_ms));
    (open, over)
}

fn subject(tray: Tray<'_>, level: Level, open: usize, over: usize) -> String {
    let fire = if level == Level::Danger { "FIRE RISK, " } else { "" };
    let farm = gsm::clip(&gsm::one_line(&tray.site.farm), limits::FARM_CHARS_SHOWN);
    format!("{farm}: {fire}what waited: {open} open, {over} over")
}

fn letter(tray: Tray<'_>, open: &[Item<'_>], over: &[Item<'_>]) -> String {
    let mut lines = what_waited(tray, "These messages waited and come as one.", open, over);
    lines.extend([String::new(), wording::signature(tray.site, tray.now)]);
    lines.join("\n")
}

/// What is open, as sentences; what is over, as lines; and the cautions that go with it.
fn what_waited(tray: Tray<'_>, head: &str, open: &[Item<'_>], over: &[Item<'_>]) -> Vec<String> {
    let mut lines = vec![head.to_owned()];
    if !open.is_empty() {
        lines.extend([String::new(), "Now:".to_owned()]);
        lines.extend(open.iter().map(|item| format!("* {}", sentence(tray, item))));
    }
    if !over.is_empty() {
        lines.extend([String::new(), "Was, and is over:".to_owned()]);
        lines.extend(
            over.iter().map(|item| format!("* {}", wording::line_now(item.incident, tray.site, tray.now))),
        );
    }
    let cautions = open.iter().flat_map(|item| wording::cautions(item.incident));
    let mut cautions: Vec<String> = cautions.map(|caution| format!("* {caution}")).collect();
    let mut seen = std::collections::BTreeSet::new();
    cautions.retain(|caution| seen.insert(caution.clone()));
    if !cautions.is_empty() {
        lines.push(String::new());
        lines.append(&mut cautions);
    }
    lines
}

/// The gravest in full, else as many lines as fit.
fn text(tray: Tray<'_>, open: &[Item<'_>], over: &[Item<'_>]) -> String {
    let rest = (open.len() + over.len()).saturating_sub(1);
    if let Some(worst) = open.first().filter(|item| parse_level(&item.incident.level) >= Level::Urgent) {
        let text = sentence(tray, worst);
        let longer = format!("{text} (+{rest} more)");
        let fits = rest > 0 && longer.chars().count() <= limits::TEXT_CHARS_MAX;
        return if fits { longer } else { text };
    }
    let all = || open.iter().chain(over);
    let with_figures = all().map(|item| gsm::basic(&wording::line_now(item.incident, tray.site, tray.now)));
    let without = all().map(|item| gsm::basic(&wording::line(item.incident, tray.site, tray.now)));
    let (with_figures, without): (Vec<_>, Vec<_>) = (with_figures.collect(), without.collect());
    let head = format!("Heapward, what waited: {} open, {} over. ", open.len(), over.len());
    // Another line is worth more than the figures.
    let counts = (1..=without.len()).rev();
    for (shown, lines) in counts.flat_map(|shown| [(shown, &with_figures), (shown, &without)]) {
        let some = lines.get(..shown).unwrap_or_default().join("; ");
        let more = if shown < lines.len() { format!("; +{}", lines.len() - shown) } else { String::new() };
        let text = format!("{head}{some}{more}");
        if text.chars().count() <= limits::TEXT_CHARS_MAX {
            return text;
        }
    }
    gsm::clip(head.trim_end(), limits::TEXT_CHARS_MAX)
}

/// The sentence of an open incident with its figures as they are now.
fn sentence(tray: Tray<'_>, item: &Item<'_>) -> String {
    let known = Topic::parse(&item.incident.kind).is_some();
    let words = known.then(|| words(item.incident, Step::Opened, tray.site, tray.now)).flatten();
    words.map_or_else(|| item.message.text.clone(), |words| words.text)
}
