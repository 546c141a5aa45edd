//! The ways in: our endpoint, an outside broker, and the pages.

use std::net::{Ipv4Addr, SocketAddr};
use std::path::PathBuf;

use super::pointer;
use super::secret::Secrets;
use super::section::Section;
use crate::config::{BrokerConfig, EndpointConfig, HttpConfig, PassConfig, TlsConfig};

const MQTT_PORT: u16 = 1883;
const MQTT_TLS_PORT: u16 = 8883;
const HTTP_PORT: u16 = 8080;

pub(super) fn endpoint(section: &Section<'_, '_>, secrets: &Secrets) -> EndpointConfig {
    let listen = section.or("listen", SocketAddr::from((Ipv4Addr::LOCALHOST, MQTT_PORT)));
    let passes: Vec<PassConfig> = section.sections("pass", |pass| PassConfig {
        user: pass.need("user"),
        password: secrets.read(pass, "password_file", &pass.need::<PathBuf>("password_file")),
        topics: topics(pass, "topics"),
    });
    if passes.is_empty() && !listen.ip().is_loopback() {
        let what = format!(
            "anybody on the network of {} could forge readings; add [[endpoint.pass]] with user, password_file and \
             topics, or listen on 127.0.0.1",
            listen.ip()
        );
        section.refuse("listen", what);
    }
    for (i, pass) in passes.iter().enumerate() {
        if passes.iter().take(i).any(|other| other.user == pass.user) && !pass.user.is_empty() {
            section.refuse(
                "pass",
                format!("there are two for the user `{}`; give each its own name", pass.user),
            );
        }
    }
    EndpointConfig { listen, passes }
}

pub(super) fn broker(section: &Section<'_, '_>, secrets: &Secrets) -> BrokerConfig {
    let host: String = section.need("host");
    if host.contains("://") || host.contains('/') {
        let what = format!("`{host}` is a URL; write the name or address alone, the port in `port`");
        section.refuse("host", what);
    }
    check_host(section, "host", &host);
    let tls = section.section("tls", |tls| read_tls(tls, secrets));
    let user: Option<String> = section.opt("user");
    let password = secrets.opt(section, "password_file");
    both_or_none(section, "user", "password_file");
    BrokerConfig {
        host,
        port: section.or("port", if tls.is_some() { MQTT_TLS_PORT } else { MQTT_PORT }),
        tls,
        client_id: section.opt("client_id").unwrap_or_else(|| "heapward".to_owned()),
        user,
        password,
    }
}

/// Letters beyond ASCII have a form of their own in names of hosts (RFC 5890); nothing here turns them into it.
pub(super) fn check_host(section: &Section<'_, '_>, key: &'static str, host: &str) {
    if !host.is_ascii() {
        let what =
            format!("`{host}` has letters beyond ASCII; write the name in the form that begins with xn--");
        section.refuse(key, what);
    }
}

fn read_tls(section: &Section<'_, '_>, secrets: &Secrets) -> TlsConfig {
    let certificate: Option<PathBuf> = section.opt("certificate_file");
    let key: Option<PathBuf> = section.opt("key_file");
    both_or_none(section, "certificate_file", "key_file");
    TlsConfig {
        ca_file: existing(section, "ca_file", &section.need::<PathBuf>("ca_file"), secrets),
        client: certificate.zip(key).map(|(certificate, key)| {
            (
                existing(section, "certificate_file", &certificate, secrets),
                existing(section, "key_file", &key, secrets),
            )
        }),
    }
}

pub(super) fn http(section: &Section<'_, '_>) -> HttpConfig {
    let default = default_http();
    HttpConfig {
        listen: section.or("listen", default.listen),
        open_reading: section.or("open_reading", default.open_reading),
        hosts: section.or("hosts", default.hosts),
    }
}

pub(super) fn default_http() -> HttpConfig {
    HttpConfig {
        listen: SocketAddr::from((Ipv4Addr::LOCALHOST, HTTP_PORT)),
        open_reading: true,
        hosts: Vec::new(),
    }
}

/// A file that must exist now, so that a slip shows at once and not in the night.
pub(super) fn existing(
    section: &Section<'_, '_>,
    key: &str,
    name: &std::path::Path,
    secrets: &Secrets,
) -> PathBuf {
    let path = secrets.path(name);
    if !name.as_os_str().is_empty() && !path.is_file() {
        section.refuse(key, format!("there is no file `{}`; correct the name", path.display()));
    }
    path
}

/// Refuses one key of a pair without the other.
pub(super) fn both_or_none(section: &Section<'_, '_>, one: &str, other: &str) {
    for (there, missing) in [(one, other), (other, one)] {
        if section.has(there) && !section.has(missing) {
            section.refuse(there, format!("stands alone; write `{missing}` too"));
        }
    }
}

fn topics(section: &Section<'_, '_>, key: &str) -> Vec<String> {
    let topics: Vec<String> = section.need(key);
    for topic in &topics {
        if let Some(why) = pointer::topic_fault(topic) {
            section.refuse(key, why);
        }
    }
    topics
}
