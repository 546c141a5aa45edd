//! `heapward check`: what a good configuration means, in words, and what in it deserves a second look.

use std::fmt::Write as _;
use std::net::IpAddr;
use std::path::Path;

use chrono_tz::Tz;
use heapward_rules::ids::StandardId;
use heapward_rules::reading::Quantity;
use heapward_rules::units::{At, Span};

use crate::clock::Clock;
use crate::config::{
    BackupConfig, BrokerConfig, ChannelKind, Config, ContactConfig, EndpointConfig, Mapping, ProbeConfig,
    TellingConfig,
};
use crate::model::time::{local, local_day};

/// The summary of a configuration that was read from `path`.
pub fn in_words(path: &Path, config: &Config, clock: &dyn Clock) -> String {
    let mut text = format!("{} is good.\n\n", path.display());
    let farm = &config.farm;
    line(&mut text, "Farm", &format!("{}, {}", farm.name, times(clock.now(), farm.timezone)));
    let standards: Vec<&str> = farm.standards.iter().map(StandardId::as_str).collect();
    line(&mut text, "Standards", &or_none(&standards.join(", ")));
    line(&mut text, "Records", &config.store.dir.display().to_string());
    if let Some(backup) = &config.backup {
        let BackupConfig { dir, at, keep, .. } = backup;
        let copies =
            format!("{}, each night at {}, the last {keep} are kept", dir.display(), at.format("%H:%M"));
        line(&mut text, "Copies", &copies);
    }
    if let Some(endpoint) = &config.endpoint {
        line(&mut text, "Probes publish to", &endpoint_in_words(endpoint));
    }
    if let Some(broker) = &config.broker {
        line(&mut text, "Listens to", &broker_in_words(broker));
    }
    let access = if config.http.open_reading { "open to read" } else { "with a pass" };
    line(&mut text, "Pages", &format!("http://{} ({access}; entering needs a pass)", config.http.listen));
    for (i, probe) in config.probes.iter().enumerate() {
        line(&mut text, if i == 0 { "Probes" } else { "" }, &probe_in_words(probe));
    }
    telling_in_words(&mut text, &config.telling);
    let remarks = remarks(config);
    if !remarks.is_empty() {
        text.push_str("\nWorth a second look:\n");
        for remark in remarks {
            let _ = writeln!(text, "  * {remark}");
        }
    }
    text
}

/// What is allowed but may be unsafe or not meant; each with what to do.
pub fn remarks(config: &Config) -> Vec<String> {
    let mut remarks = Vec::new();
    network_remarks(config, &mut remarks);
    telling_remarks(&config.telling, &mut remarks);
    if config.probes.is_empty() {
        remarks.push("No probe is configured, so no reading comes in: add [[probe]] blocks.".to_owned());
    }
    if config.backup.is_none() {
        remarks.push(
            "No copy of the records is made: a card dies without warning. Plug in a USB stick and add [backup] with its \
             folder as dir."
                .to_owned(),
        );
    }
    for probe in config.probes.iter().filter(|probe| mixes_devices(probe)) {
        remarks.push(format!(
            "The topic `{}` of `{}` can match several devices: add a guard or a select, or name one device.",
            probe.topic, probe.id
        ));
    }
    if config.farm.standards.is_empty() {
        remarks.push("No standard is chosen for new piles: each must name its own.".to_owned());
    }
    remarks
}

fn network_remarks(config: &Config, remarks: &mut Vec<String>) {
    if config.http.open_reading && !config.http.listen.ip().is_loopback() {
        let port = config.http.listen.port();
        remarks.push(format!(
            "Everybody who reaches port {port} can read the pages: open_reading = false asks for a pass."
        ));
    }
    if config.endpoint.as_ref().is_some_and(|endpoint| !endpoint.listen.ip().is_loopback()) {
        remarks.push(
            "Probes send their passwords unencrypted to the endpoint: keep it on a network of the barn's own, never \
             open it to the internet."
                .to_owned(),
        );
    }
    let Some(broker) = &config.broker else {
        return;
    };
    let host_is_here =
        broker.host == "localhost" || broker.host.parse().is_ok_and(|ip: IpAddr| ip.is_loopback());
    if broker.tls.is_none() && !host_is_here {
        remarks.push(format!(
            "Readings and password go unencrypted to the broker {}: add [broker.tls].",
            broker.host
        ));
    }
    if broker.user.is_none() && broker.tls.as_ref().is_none_or(|tls| tls.client.is_none()) {
        remarks.push(
            "The broker asks for no password: whoever reaches it can forge readings. Give it users and an access list."
                .to_owned(),
        );
    }
}

fn telling_remarks(telling: &TellingConfig, remarks: &mut Vec<String>) {
    if telling.contacts.is_empty() {
        remarks.push("Nobody is told anything: add a [[channel]] and a [[contact]].".to_owned());
        return;
    }
    if telling.contacts.iter().all(|contact| contact.summary_by.is_none()) {
        remarks.push("Nobody gets the daily summary: add summary_by to a contact.".to_owned());
    }
    if telling.heartbeat.is_none() {
        remarks.push(
            "When the barn loses power, nobody is told: add [heartbeat] with the address of a service outside that \
             misses it."
                .to_owned(),
        );
    }
    for channel in &telling.channels {
        let used = |contact: &ContactConfig| contact.addresses.iter().any(|(name, _)| *name == channel.name);
        if !telling.contacts.iter().any(used) {
            remarks.push(format!("No contact has an address for the channel `{}`.", channel.name));
        }
    }
}

fn mixes_devices(probe: &ProbeConfig) -> bool {
    let Mapping { guard, select, .. } = &probe.mapping;
    probe.topic.split('/').any(|level| level == "#") && guard.is_none() && select.is_none()
}

/// `America/New_York (now 2026-05-02 06:10 EDT; the next day begins 2026-05-03 00:00 EDT)`.
fn times(now: At, zone: Tz) -> String {
    let (_, next) = local_day(now, zone);
    let show = |at: At| local(at, zone).format("%Y-%m-%d %H:%M %Z").to_string();
    format!("{} (now {}; the next day begins {})", zone.name(), show(now), show(next))
}

fn endpoint_in_words(endpoint: &EndpointConfig) -> String {
    let users: Vec<&str> = endpoint.passes.iter().map(|pass| pass.user.as_str()).collect();
    if users.is_empty() {
        format!("{}, without a pass, from this machine only", endpoint.listen)
    } else {
        format!("{}, with the passes {}", endpoint.listen, users.join(", "))
    }
}

fn broker_in_words(broker: &BrokerConfig) -> String {
    let tls = if broker.tls.is_some() { ", encrypted" } else { "" };
    let user = broker.user.as_ref().map(|user| format!(", as {user}")).unwrap_or_default();
    format!("the broker {}:{}{tls}{user}", broker.host, broker.port)
}

fn probe_in_words(probe: &ProbeConfig) -> String {
    if probe.mapping.availability.is_some() {
        return format!("{}: says when its node comes and goes, on {}", probe.id, probe.topic);
    }
    let quantity = match probe.quantity {
        Quantity::Temperature => "temperature",
        Quantity::Moisture => "moisture",
        Quantity::Oxygen => "oxygen",
        Quantity::Blower => "blower",
        Quantity::Battery => "battery",
    };
    let dated = if probe.mapping.time.is_some() { "with its own time" } else { "dated on arrival" };
    format!("{}: {quantity} every {}, {dated}, on {}", probe.id, duration(probe.every), probe.topic)
}

fn duration(span: Span) -> String {
    if span < Span::minutes(1) { format!("{} s", span.0 / 1_000) } else { span.to_string() }
}

fn telling_in_words(text: &mut String, telling: &TellingConfig) {
    for (i, contact) in telling.contacts.iter().enumerate() {
        let kind =
            |name: &str| telling.channels.iter().find(|channel| channel.name == name).map(|one| &one.kind);
        let by: Vec<String> = contact
            .addresses
            .iter()
            .map(|(channel, address)| match kind(channel) {
                Some(ChannelKind::Mail(mail)) => format!("{channel} to {address} by {}", mail.host),
                Some(ChannelKind::Publish { topic, .. }) => format!("{channel} on {topic}"),
                Some(ChannelKind::Modem) => format!("{channel} to {address} by a modem"),
                _ => format!("{channel} to {address}"),
            })
            .collect();
        let second = if contact.second { " (when the first does not answer)" } else { "" };
        line(
            text,
            if i == 0 { "Tells" } else { "" },
            &format!("{}{second}: {}", contact.name, by.join(", ")),
        );
    }
    let hour = |time: chrono::NaiveTime| time.format("%H:%M").to_string();
    let hours = format!("{} to {}", hour(telling.quiet_from), hour(telling.quiet_until));
    line(text, "Quiet hours", &format!("{hours}; the daily summary at {}", hour(telling.summary_at)));
}

fn line(text: &mut String, name: &str, value: &str) {
    let _ = writeln!(text, "{name:<18}{value}");
}

fn or_none(text: &str) -> String {
    if text.is_empty() { "none".to_owned() } else { text.to_owned() }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::clock::ManualClock;
    use crate::config::read::read;
    use crate::model::time::parse_rfc3339;

    fn words(text: &str) -> String {
        let config = read("h.toml", text, Path::new(""), None).unwrap();
        let clock = ManualClock::new(parse_rfc3339("2026-11-01T05:30:00Z").unwrap());
        in_words(Path::new("h.toml"), &config, &clock)
    }

    const MINIMAL: &str = include_str!("../../../config/minimal.toml");

    #[test]
    fn the_smallest_file_in_words() {
        let wanted = "\
h.toml is good.

Farm              Quillback Farm, America/New_York (now 2026-11-01 01:30 EDT; the next day begins 2026-11-02 00:00 EST)
Standards         us-organic
Records           /var/lib/heapward
Probes publish to 127.0.0.1:1883, without a pass, from this machine only
Pages             http://127.0.0.1:8080 (open to read; entering needs a pass)
Probes            k1: temperature every 1 min, dated on arrival, on heap/k1
Quiet hours       21:00 to 06:00; the daily summary at 06:30

Worth a second look:
  * Nobody is told anything: add a [[channel]] and a [[contact]].
  * No copy of the records is made: a card dies without warning. Plug in a USB stick and add [backup] with its folder as dir.
";
        assert_eq!(words(MINIMAL), wanted);
    }

    #[test]
    fn what_is_unsafe_is_said() {
        let text = format!(
            "{MINIMAL}\n[http]\nlisten = \"0.0.0.0:80\"\n[broker]\nhost = \"barn\"\n[[channel]]\nname = \"a\"\nkind = \
             \"terminal\"\n[[channel]]\nname = \"b\"\nkind = \"terminal\"\n[[contact]]\nname = \"O\"\naddresses = {{ a \
             = \"1\" }}\n[[probe]]\nid = \"k2\"\ntopic = \"a/#\"\nevery = \"30s\"\nvalue = \"\"\nunit = \"C\"\n"
        );
        let words = words(&text);
        for wanted in [
            "Everybody who reaches port 80 can read",
            "unencrypted to the broker barn",
            "asks for no password",
            "Nobody gets the daily summary",
            "When the barn loses power",
            "No contact has an address for the channel `b`",
            "The topic `a/#` of `k2`",
            "k2: temperature every 30 s",
        ] {
            assert!(words.contains(wanted), "{wanted}: {words}");
        }
    }
}
