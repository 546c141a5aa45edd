//! From the configuration to living channels, and the proof that each of them works (`heapward send-test`).

use std::collections::BTreeMap;
use std::fmt;
use std::io::Write;
use std::sync::Arc;

use heapward_rules::units::At;

use super::address::{AddressBook, Shape, message_id};
use super::channel::{Channel, Failure, Letter};
use super::mail::MailChannel;
use super::modem::ModemChannel;
use super::publish::{Publish, PublishChannel};
use super::request::RequestChannel;
use super::terminal::TerminalChannel;
use super::wording::{self, Site};
use crate::config::{ChannelKind, TellingConfig};
use crate::limits;

/// What channels need from outside.
pub struct Surroundings {
    pub zone: chrono_tz::Tz,
    /// Whoever publishes to MQTT, if anything does.
    pub publish: Option<Arc<dyn Publish>>,
    /// Where a terminal channel prints; standard output in the demo.
    pub terminal: fn() -> Box<dyn Write + Send>,
}

/// What became of one test message.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Trial {
    pub contact: String,
    pub channel: String,
    pub address: String,
    /// None if it went out.
    pub failure: Option<String>,
}

/// All channels by name. The errors name the channel; every one is reported at once.
pub fn connect(
    telling: &TellingConfig,
    surroundings: &Surroundings,
) -> Result<BTreeMap<String, Arc<dyn Channel>>, Vec<String>> {
    let (channels, errors) = connect_some(telling, surroundings);
    if errors.is_empty() { Ok(channels) } else { Err(errors) }
}

/// The channels that can be had, and what hinders the others.
pub fn connect_some(
    telling: &TellingConfig,
    surroundings: &Surroundings,
) -> (BTreeMap<String, Arc<dyn Channel>>, Vec<String>) {
    let mut channels: BTreeMap<String, Arc<dyn Channel>> = BTreeMap::new();
    let mut errors = Vec::new();
    for channel in &telling.channels {
        let made: Result<Arc<dyn Channel>, String> = match &channel.kind {
            ChannelKind::Mail(mail) => MailChannel::new(mail).map(|c| Arc::new(c) as Arc<dyn Channel>),
            ChannelKind::Request(request) => RequestChannel::new(request).map(|c| Arc::new(c) as _),
            ChannelKind::Publish { topic, body } => match &surroundings.publish {
                Some(way) => PublishChannel::new(Arc::clone(way), topic, body).map(|c| Arc::new(c) as _),
                None => Err("needs a [broker] or an [endpoint] to publish to".to_owned()),
            },
            ChannelKind::Modem => Ok(Arc::new(ModemChannel::default())),
            ChannelKind::Terminal => {
                Ok(Arc::new(TerminalChannel::new((surroundings.terminal)(), surroundings.zone)))
            }
        };
        match made {
            Ok(made) => {
                channels.insert(channel.name.clone(), made);
            }
            Err(error) => errors.push(format!("channel `{}`: {error}", channel.name)),
        }
    }
    (channels, errors)
}

/// Sends a test message to every contact by every channel, past the outbox and at any hour.
pub async fn send_test(
    telling: &TellingConfig,
    channels: &BTreeMap<String, Arc<dyn Channel>>,
    site: &Site,
    now: At,
) -> Vec<Trial> {
    let book = AddressBook::new(telling);
    let mut trials = Vec::new();
    for contact in &telling.contacts {
        for (channel, _) in &contact.addresses {
            let (Some(way), Some((address, shape))) =
                (channels.get(channel), book.way(&contact.name, channel))
            else {
                continue;
            };
            let letter = test_letter(&contact.name, channel, address, shape, site, now);
            let failure = way.send(&letter).await.err();
            trials.push(Trial {
                contact: contact.name.clone(),
                channel: channel.clone(),
                address: address.to_owned(),
                failure: failure.map(|failure| match failure {
                    Failure::Later(reason) => format!("{reason} (would be tried again)"),
                    Failure::Never(reason) => format!("{reason} (would be given up)"),
                }),
            });
        }
    }
    trials
}

fn test_letter(contact: &str, channel: &str, address: &str, shape: Shape, site: &Site, now: At) -> Letter {
    let farm = super::gsm::clip(&super::gsm::one_line(&site.farm), limits::FARM_CHARS_SHOWN);
    let text = format!(
        "Test from Heapward at {farm}: {channel} works. Real messages name the pile, the figure and what to do."
    );
    let text = match shape {
        Shape::Text => super::gsm::clip(&super::gsm::basic(&text), limits::TEXT_CHARS_MAX),
        Shape::Letter => format!("{text}\n\n{}", wording::signature(site, now)),
    };
    Letter {
        id: message_id(&["test", channel, contact, &now.0.to_string()]),
        to: contact.to_owned(),
        address: address.to_owned(),
        level: "note".to_owned(),
        subject: format!("{farm}: test message"),
        text,
        html: None,
        images: vec![],
        sent_at: now,
    }
}

// === impl Trial ===

impl fmt::Display for Trial {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Trial { contact, channel, address, failure } = self;
        match failure {
            None => write!(f, "sent    {contact} by {channel} to {address}"),
            Some(reason) => write!(f, "FAILED  {contact} by {channel} to {address}: {reason}"),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::{ChannelConfig, MailConfig, MailSecurity, RequestConfig};
    use crate::telling::fixture::{at, site, telling};
    use crate::telling::scripted::{Act, Server};

    fn surroundings() -> Surroundings {
        Surroundings {
            zone: chrono_tz::America::New_York,
            publish: None,
            terminal: || Box::new(std::io::sink()),
        }
    }

    #[tokio::test]
    async fn every_channel_is_tried_and_says_what_happened() {
        let mails = Server::smtp(&[Act::Answer("rcpt", "550 no such user")]).await;
        let texts = Server::http(&[]).await;
        let mut telling = telling();
        telling.channels = vec![
            ChannelConfig {
                name: "mail".to_owned(),
                kind: ChannelKind::Mail(MailConfig {
                    host: "127.0.0.1".to_owned(),
                    port: mails.address.port(),
                    security: MailSecurity::Plain,
                    user: None,
                    password: None,
                    from: "barn@quillback.example".to_owned(),
                    ca_file: None,
                    as_text: false,
                }),
            },
            ChannelConfig {
                name: "phone".to_owned(),
                kind: ChannelKind::Request(RequestConfig {
                    method: "POST".to_owned(),
                    url: format!("http://{}/", texts.address),
                    headers: vec![],
                    body: "{{text}}".to_owned(),
                    content_type: "text/plain".to_owned(),
                    secrets: vec![],
                    ca_file: None,
                }),
            },
        ];
        let channels = connect(&telling, &surroundings()).ok().unwrap();
        let trials = send_test(&telling, &channels, &site(), at("12 14:20")).await;
        let lines: Vec<String> = trials.iter().map(ToString::to_string).collect();
        assert_eq!(lines[0], "sent    odile by phone to 5550100");
        assert!(lines[1].starts_with("FAILED  odile by mail to odile@quillback.example: "), "{lines:?}");
        assert!(lines[1].contains("no such user") && lines[1].ends_with("(would be given up)"), "{lines:?}");
        assert_eq!(lines[2], "sent    bram by phone to 5550101");
        assert!(texts.received()[0].ends_with(
            "Test from Heapward at Quillback Farm: phone works. Real messages name the pile, the figure and what to do."
        ));
    }

    #[test]
    fn every_bad_channel_is_named_at_once() {
        let mut telling = telling();
        let publish = ChannelKind::Publish { topic: "barn/lamp".to_owned(), body: "on".to_owned() };
        telling.channels = ["lamp", "siren"]
            .map(|name| ChannelConfig { name: name.to_owned(), kind: publish.clone() })
            .to_vec();
        let errors = connect(&telling, &surroundings()).err().unwrap();
        assert_eq!(errors.len(), 2);
        assert_eq!(errors[0], "channel `lamp`: needs a [broker] or an [endpoint] to publish to");
    }
}
