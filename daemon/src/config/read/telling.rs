//! Who is told what by which channel.

use std::net::IpAddr;
use std::path::PathBuf;

use chrono::NaiveTime;
use heapward_rules::finding::Level;
use heapward_rules::units::Span;

use super::network::{both_or_none, check_host, existing};
use super::pointer;
use super::secret::Secrets;
use super::section::Section;
use crate::config::{
    ChannelConfig, ChannelKind, ContactConfig, HeartbeatConfig, MailConfig, MailSecurity, RequestConfig,
    Secret, TellingConfig,
};
use crate::telling::modem;

const LEVELS: [(&str, Level); 4] =
    [("note", Level::Note), ("act", Level::Act), ("urgent", Level::Urgent), ("danger", Level::Danger)];

#[derive(Clone, Copy)]
enum ChannelWord {
    Mail,
    Request,
    Publish,
    Modem,
    Terminal,
}

pub(super) fn read(top: &Section<'_, '_>, secrets: &Secrets) -> TellingConfig {
    let channels: Vec<ChannelConfig> = top.sections("channel", |channel| read_channel(channel, secrets));
    for (i, channel) in channels.iter().enumerate() {
        if channels.iter().take(i).any(|other| other.name == channel.name) && !channel.name.is_empty() {
            top.refuse("channel", format!("there are two of the name `{}`; rename one", channel.name));
        }
    }
    let contacts = top.sections("contact", |contact| read_contact(contact, &channels));
    let heartbeat = top.section("heartbeat", read_heartbeat);
    let mut telling = TellingConfig {
        quiet_from: clock(21, 0),
        quiet_until: clock(6, 0),
        summary_at: clock(6, 30),
        remind_after: Span::hours(2),
        channels,
        contacts,
        heartbeat,
    };
    top.section("telling", |section| {
        telling.quiet_from = section.or("quiet_from", telling.quiet_from);
        telling.quiet_until = section.or("quiet_until", telling.quiet_until);
        telling.summary_at = section.or("summary_at", telling.summary_at);
        telling.remind_after = section.or("remind_after", telling.remind_after);
        if telling.remind_after < Span::minutes(15) {
            let what = "is so short that nobody would read the reminders; write \"15m\" or more";
            section.refuse("remind_after", what.to_owned());
        }
    });
    telling
}

fn clock(hour: u32, minute: u32) -> NaiveTime {
    NaiveTime::from_hms_opt(hour, minute, 0).unwrap_or(NaiveTime::MIN)
}

fn read_heartbeat(section: &Section<'_, '_>) -> HeartbeatConfig {
    let url: String = section.need("url");
    check_url(section, &url);
    HeartbeatConfig { url, every: section.or("every", Span::minutes(15)) }
}

fn read_channel(section: &Section<'_, '_>, secrets: &Secrets) -> ChannelConfig {
    let name = section.need("name");
    let words = [
        ("mail", ChannelWord::Mail),
        ("request", ChannelWord::Request),
        ("publish", ChannelWord::Publish),
        ("modem", ChannelWord::Modem),
        ("terminal", ChannelWord::Terminal),
    ];
    let kind = match section.need_choice("kind", &words) {
        Some(ChannelWord::Mail) => ChannelKind::Mail(read_mail(section, secrets)),
        Some(ChannelWord::Request) => ChannelKind::Request(read_request(section, secrets)),
        Some(ChannelWord::Publish) => {
            let topic: String = section.need("topic");
            if topic.contains(['+', '#']) {
                let what = "a message goes to one topic; write it without `+` and `#`";
                section.refuse("topic", what.to_owned());
            } else if let Some(why) = pointer::topic_fault(&topic) {
                section.refuse("topic", why);
            }
            ChannelKind::Publish { topic, body: section.need("body") }
        }
        Some(ChannelWord::Modem) => ChannelKind::Modem,
        Some(ChannelWord::Terminal) | None => ChannelKind::Terminal,
    };
    ChannelConfig { name, kind }
}

fn read_mail(section: &Section<'_, '_>, secrets: &Secrets) -> MailConfig {
    let words = [
        ("tls", MailSecurity::ImplicitTls),
        ("starttls", MailSecurity::StartTls),
        ("plain", MailSecurity::Plain),
    ];
    let host: String = section.need("host");
    check_host(section, "host", &host);
    let security = section.choice("security", &words).unwrap_or(MailSecurity::ImplicitTls);
    if security == MailSecurity::Plain && !is_loopback(&host) {
        let what = "sends mail and password readable over the network; write \"tls\" or \"starttls\" (\"plain\" is for \
                    a mail server on this machine)";
        section.refuse("security", what.to_owned());
    }
    let from: String = section.need("from");
    if !from.contains('@') && !from.is_empty() {
        section
            .refuse("from", format!("`{from}` is no mail address; write one such as \"barn@example.org\""));
    }
    both_or_none(section, "user", "password_file");
    MailConfig {
        host,
        port: section.or(
            "port",
            match security {
                MailSecurity::ImplicitTls => 465,
                MailSecurity::StartTls => 587,
                MailSecurity::Plain => 25,
            },
        ),
        security,
        user: section.opt("user"),
        password: secrets.opt(section, "password_file"),
        from,
        ca_file: section.opt::<PathBuf>("ca_file").map(|file| existing(section, "ca_file", &file, secrets)),
        as_text: section.or("as_text", false),
    }
}

fn read_request(section: &Section<'_, '_>, secrets: &Secrets) -> RequestConfig {
    let methods = ["POST", "GET", "PUT"].map(|method| (method, method));
    let url: String = section.need("url");
    check_url(section, &url);
    let named = section.named_texts("secrets");
    let read = |(name, file): (String, String)| {
        let secret = secrets.read(section, "secrets", std::path::Path::new(&file));
        (name, secret)
    };
    let request = RequestConfig {
        method: section.choice("method", &methods).unwrap_or("POST").to_owned(),
        url,
        headers: section.named_texts("headers"),
        body: section.opt::<String>("body").unwrap_or_default(),
        content_type: section.opt("content_type").unwrap_or_else(|| "application/json".to_owned()),
        secrets: named.into_iter().map(read).collect(),
        ca_file: section.opt::<PathBuf>("ca_file").map(|file| existing(section, "ca_file", &file, secrets)),
    };
    let mut templates = vec![("url", &request.url), ("body", &request.body)];
    templates.extend(request.headers.iter().map(|(_, text)| ("headers", text)));
    for (key, text) in templates {
        check_secret_names(section, key, text, &request.secrets);
    }
    request
}

/// Each `{{secret:NAME}}` must be among the channel's secrets.
fn check_secret_names(section: &Section<'_, '_>, key: &str, text: &str, secrets: &[(String, Secret)]) {
    for rest in text.split("{{secret:").skip(1) {
        let name = rest.split_once("}}").map_or(rest, |(name, _)| name);
        if !secrets.iter().any(|(known, _)| known == name) {
            let what = format!(
                "`{{{{secret:{name}}}}}` is not among the secrets; add it: secrets = {{ {name} = \"FILE\" }}"
            );
            section.refuse(key, what);
        }
    }
}

fn check_url(section: &Section<'_, '_>, url: &str) {
    let host = url
        .split_once("://")
        .map(|(scheme, rest)| (scheme, rest.split(['/', '?', '#']).next().unwrap_or_default()));
    check_host(section, "url", host.map_or("", |(_, host)| host));
    match host {
        None if url.is_empty() => {}
        Some((_, host)) if host.contains('@') => {
            let what = "holds a user or password; put it into a header with {{secret:NAME}}";
            section.refuse("url", what.to_owned());
        }
        Some(("https", host)) if !host.is_empty() => {}
        Some(("http", host)) if is_loopback(host.rsplit_once(':').map_or(host, |(host, _)| host)) => {}
        Some(("http", _)) => {
            section.refuse("url", "goes unencrypted over the network; write https://".to_owned());
        }
        _ => section.refuse("url", format!("`{url}` is no address; write one that begins with https://")),
    }
}

fn read_contact(section: &Section<'_, '_>, channels: &[ChannelConfig]) -> ContactConfig {
    let name = section.need("name");
    let addresses = section.named_texts("addresses");
    if addresses.is_empty() {
        section.refuse("addresses", "is missing; write { CHANNEL = \"ADDRESS\" }".to_owned());
    }
    for (channel, address) in &addresses {
        match channels.iter().find(|known| &known.name == channel) {
            None => {
                let names: Vec<&str> = channels.iter().map(|channel| channel.name.as_str()).collect();
                section.refuse(
                    "addresses",
                    format!("there is no channel `{channel}`; those are {}", names.join(", ")),
                );
            }
            Some(ChannelConfig { kind: ChannelKind::Mail(_), .. }) if !address.contains('@') => {
                section.refuse("addresses", format!("`{address}` is no mail address; write one with `@`"));
            }
            Some(ChannelConfig { kind: ChannelKind::Modem, .. }) => {
                if let Err(what) = modem::number(address) {
                    section.refuse("addresses", what);
                }
            }
            Some(_) => {}
        }
        if address.chars().any(char::is_control) {
            section.refuse(
                "addresses",
                format!("the address for `{channel}` holds a control character; retype it"),
            );
        }
    }
    let summary_by: Option<String> = section.opt("summary_by");
    if let Some(channel) = summary_by.as_ref().filter(|by| !addresses.iter().any(|(known, _)| known == *by)) {
        let what = format!("this contact has no address for `{channel}`; add it to `addresses`");
        section.refuse("summary_by", what);
    }
    ContactConfig {
        name,
        addresses,
        from_level: section.choice("from_level", &LEVELS).unwrap_or(Level::Act),
        second: section.or("second", false),
        quiet: section.section("quiet", |quiet| (quiet.need("from"), quiet.need("until"))),
        summary_by,
    }
}

fn is_loopback(host: &str) -> bool {
    let host = host.trim_start_matches('[').trim_end_matches(']');
    host == "localhost" || host.parse().is_ok_and(|address: IpAddr| address.is_loopback())
}
