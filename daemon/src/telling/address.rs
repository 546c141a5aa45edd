//! From a telling to the messages of the outbox: who gets it, by which channel, not before when.

use chrono::NaiveTime;
use heapward_rules::finding::Level;
use heapward_rules::units::At;

use super::hours::{QuietHours, next_time};
use super::moment::When;
use super::step::Step;
use super::topic::{level_word, parse_level};
use super::wording::{Site, words};
use crate::config::{ChannelKind, ContactConfig, TellingConfig};
use crate::limits;
use crate::model::incident::Incident;
use crate::model::message::{Delivery, OutboxMessage};
use crate::sha256::Hasher;

/// The people and the ways to them.
#[derive(Clone, Debug)]
pub struct AddressBook {
    contacts: Vec<ContactConfig>,
    channels: Vec<(String, ChannelKind)>,
    quiet: QuietHours,
    summary_at: NaiveTime,
}

/// What a channel carries.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Shape {
    /// A subject and as many lines as it takes.
    Letter,
    /// One text of at most 160 characters.
    Text,
}

/// Whom a step concerns.
#[derive(Clone, Copy, Debug)]
pub(super) struct Audience {
    pub(super) rank: Level,
    pub(super) first: bool,
    pub(super) second: bool,
}

// === impl Shape ===

impl Shape {
    /// The terminal shows a letter to a mail address and a text to anything else.
    pub fn of(kind: &ChannelKind, address: &str) -> Shape {
        let is_letter = match kind {
            ChannelKind::Mail(mail) => !mail.as_text,
            ChannelKind::Terminal => address.contains('@'),
            ChannelKind::Request(_) | ChannelKind::Publish { .. } | ChannelKind::Modem => false,
        };
        if is_letter { Shape::Letter } else { Shape::Text }
    }
}

// === impl AddressBook ===

impl AddressBook {
    pub fn new(telling: &TellingConfig) -> AddressBook {
        let channels = telling.channels.iter().map(|c| (c.name.clone(), c.kind.clone()));
        AddressBook {
            contacts: telling.contacts.clone(),
            channels: channels.collect(),
            quiet: QuietHours { from: telling.quiet_from, until: telling.quiet_until },
            summary_at: telling.summary_at,
        }
    }

    /// The farm's quiet hours.
    pub fn quiet(&self) -> QuietHours {
        self.quiet
    }

    pub fn has_second(&self) -> bool {
        self.contacts.iter().any(|contact| contact.second)
    }

    /// Whether a contact finds in the summary's mail what is not worth a text any more.
    pub fn reads_summary(&self, contact: &str) -> bool {
        self.summary_readers().any(|(name, _, shape)| name == contact && shape == Shape::Letter)
    }

    /// Address of a contact on a channel, and what it carries. `None` if either is configured no more.
    pub fn way(&self, contact: &str, channel: &str) -> Option<(&str, Shape)> {
        let contact = self.contacts.iter().find(|c| c.name == contact)?;
        let address = contact.addresses.iter().find(|(name, _)| name == channel)?.1.as_str();
        let (_, kind) = self.channels.iter().find(|(name, _)| name == channel)?;
        Some((address, Shape::of(kind, address)))
    }

    /// The messages that tell an incident's step, one for each contact and channel.
    pub(super) fn messages(
        &self,
        incident: &Incident,
        step: Step,
        when: When,
        audience: Audience,
        site: &Site,
        now: At,
    ) -> Vec<OutboxMessage> {
        let mut messages = Vec::new();
        for contact in self.contacts.iter().filter(|contact| audience.takes_in(contact)) {
            let due = self.due(contact, when, site, now);
            let Some(words) = words(incident, step, site, due) else { continue };
            for (channel, _) in &contact.addresses {
                let Some((_, shape)) = self.way(&contact.name, channel) else { continue };
                let has_summary = shape == Shape::Letter && contact.summary_by.as_ref() == Some(channel);
                let due = if has_summary { self.with_summary(due, site, now) } else { due };
                let text = if shape == Shape::Letter { &words.body } else { &words.text };
                messages.push(OutboxMessage {
                    id: message_id(&[&incident.id, &step.word(), channel, &contact.name]),
                    channel: channel.clone(),
                    contact: contact.name.clone(),
                    incident: Some(incident.id.clone()),
                    level: level_word(parse_level(&incident.level)).to_owned(),
                    created_ms: now.0,
                    about_ms: about(incident, step),
                    subject: words.subject.clone(),
                    text: text.clone(),
                    html: None,
                    images: vec![],
                    tries: 0,
                    delivery: Delivery::Waiting { due_ms: due.0 },
                });
            }
        }
        messages
    }

    /// Contacts that get the daily summary, with their channel.
    pub(super) fn summary_readers(&self) -> impl Iterator<Item = (&str, &str, Shape)> {
        self.contacts.iter().filter_map(|contact| {
            let channel = contact.summary_by.as_deref()?;
            let (_, shape) = self.way(&contact.name, channel)?;
            Some((contact.name.as_str(), channel, shape))
        })
    }

    fn due(&self, contact: &ContactConfig, when: When, site: &Site, now: At) -> At {
        let quiet = contact.quiet.map_or(self.quiet, |(from, until)| QuietHours { from, until });
        match when {
            When::Now | When::Everybody => now,
            When::Waking | When::Summary => self.after_quiet(quiet.end_after(now, site.zone), site, now),
            When::Morning => quiet.end_after(next_time(now, limits::GOOD_NEWS_AT, site.zone), site.zone),
        }
    }

    /// What was held comes at the hour of the summary, if that is soon after the quiet hours: one look in the morning.
    fn after_quiet(&self, end: At, site: &Site, now: At) -> At {
        let summary = next_time(end, self.summary_at, site.zone);
        if end > now && summary - end <= limits::SUMMARY_SOON { summary } else { end }
    }

    /// A mail that is held until the hour of the summary goes into it, or out by itself if none comes.
    fn with_summary(&self, due: At, site: &Site, now: At) -> At {
        let is_held = due > now && next_time(due, self.summary_at, site.zone) == due;
        if is_held { due + limits::SUMMARY_GRACE } else { due }
    }
}

// === impl Audience ===

impl Audience {
    fn takes_in(self, contact: &ContactConfig) -> bool {
        let is_asked = if contact.second { self.second } else { self.first };
        is_asked && (contact.second || contact.from_level <= self.rank)
    }
}

/// SHA-256 over the parts, each behind its length, in lower-case hex: the same after any restart.
pub fn message_id(parts: &[&str]) -> String {
    let mut hash = Hasher::new();
    for part in parts {
        hash.update(&(part.len() as u64).to_le_bytes());
        hash.update(part.as_bytes());
    }
    hash.finish().iter().fold(String::with_capacity(64), |mut hex, byte| {
        use std::fmt::Write as _;
        // Writing to a String cannot fail.
        let _ = write!(hex, "{byte:02x}");
        hex
    })
}

#[expect(clippy::cast_possible_truncation, reason = "stored instants are whole milliseconds below 2^52")]
fn about(incident: &Incident, step: Step) -> i64 {
    let level_began = incident.figures.get("level_ms").map(|ms| *ms as i64);
    match step {
        Step::AllClear => incident.closed_ms.unwrap_or(incident.opened_ms),
        Step::Worsened(_) => level_began.unwrap_or(incident.opened_ms),
        _ => incident.opened_ms,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // The figure was made with Python's hashlib.
    #[test]
    fn an_id_is_stable_and_its_parts_do_not_run_into_each_other() {
        assert_eq!(
            message_id(&["a", "b"]),
            "cf6ab613e3942391f88ed698557e1680f160bd10e88c6b668c50360c10930e2b"
        );
        assert_ne!(message_id(&["ab", "c"]), message_id(&["a", "bc"]));
    }
}
