//! `heapward listen`: what probes publish right now, and a block to paste for each number found.
//!
//! With an outside broker it subscribes to everything there, beside the daemon. With the endpoint of our own it
//! listens in the daemon's place, so the daemon must not be running.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::time::Duration;

use rumqttc::{AsyncClient, Event, MqttOptions, Packet, QoS};
use serde_json::Value;
use tokio::net::TcpListener;
use tokio::sync::mpsc;
use tokio::time::{Instant, timeout_at};

use super::{ConfigArg, Failure, Outcome, print};
use crate::clock::{SharedClock, SystemClock};
use crate::config::{BrokerConfig, Config, Secret};
use crate::ingest;
use crate::ingest::status::printable;
use crate::limits::{BROKER_PACKET_BYTES_MAX, EXAMPLE_BYTES_MAX, LISTEN_TOPICS_MAX, RECORDER_QUEUE};
use crate::recorder::Handle;
use heapward_rules::units::At;

#[derive(Clone, Debug, clap::Args)]
pub struct ListenArgs {
    #[command(flatten)]
    config: ConfigArg,
    /// Another broker than the configured one, as HOST:PORT
    #[arg(long, value_name = "HOST:PORT")]
    broker: Option<String>,
    /// How long to listen, in seconds
    #[arg(long = "for", value_name = "SECONDS", default_value_t = 15)]
    seconds: u64,
    /// Only topics that match this filter
    #[arg(long, default_value = "#")]
    topic: String,
}

/// What was heard on one topic.
#[derive(Clone, Debug, Default, PartialEq)]
struct Heard {
    count: u64,
    /// Whether the newest message was retained: its age is then unknown.
    retained: bool,
    payload: String,
}

/// A number in a payload: where it stands, and what it is.
#[derive(Clone, Debug, PartialEq)]
struct Found {
    pointer: String,
    value: f64,
}

pub fn run(args: &ListenArgs) -> Outcome {
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(1)
        .enable_all()
        .build()
        .map_err(|error| Failure::failed(format!("no thread to listen with: {error}")))?;
    let until = Duration::from_secs(args.seconds);
    let heard = runtime.block_on(async {
        if let Some(address) = &args.broker {
            let (host, port) = address
                .rsplit_once(':')
                .and_then(|(host, port)| Some((host.to_owned(), port.parse().ok()?)))
                .ok_or_else(|| {
                    Failure::failed(format!("--broker {address}: write HOST:PORT, such as 127.0.0.1:1883"))
                })?;
            return at_broker(&host, port, None, &args.topic, until).await;
        }
        let config = args.config.load()?;
        match &config.broker {
            Some(broker) => at_broker(&broker.host, broker.port, Some(broker), &args.topic, until).await,
            None => at_endpoint(&config, until).await,
        }
    })?;
    print(&in_words(&heard, args.seconds))
}

async fn at_broker(
    host: &str,
    port: u16,
    config: Option<&BrokerConfig>,
    filter: &str,
    time: Duration,
) -> Result<BTreeMap<String, Heard>, Failure> {
    // A name of its own: the daemon's would take the connection from the daemon.
    let mut options = MqttOptions::new(format!("heapward-listen-{}", std::process::id()), host, port);
    options.set_max_packet_size(BROKER_PACKET_BYTES_MAX, BROKER_PACKET_BYTES_MAX);
    if let Some((user, config)) = config.and_then(|config| Some((config.user.as_ref()?, config))) {
        options.set_credentials(user, config.password.as_ref().map_or("", Secret::reveal));
    }
    let (client, mut events) = AsyncClient::new(options, 16);
    let mut heard = BTreeMap::new();
    let end = Instant::now() + time;
    loop {
        match timeout_at(end, events.poll()).await {
            Err(_) => return Ok(heard),
            Ok(Ok(Event::Incoming(Packet::ConnAck(_)))) => {
                client.try_subscribe(filter, QoS::AtMostOnce).map_err(|error| {
                    Failure::failed(format!("{filter}: the broker can't be asked ({error})"))
                })?;
            }
            Ok(Ok(Event::Incoming(Packet::Publish(publish)))) => {
                note(&mut heard, publish.topic.clone(), publish.retain, &publish.payload);
            }
            Ok(Ok(_)) => {}
            Ok(Err(error)) => {
                return Err(Failure::failed(format!(
                    "{host}:{port}: {error}; is a broker running there, and are user and password right?"
                )));
            }
        }
    }
}

/// Takes the place of the daemon at its endpoint and shows what comes, acknowledging nothing.
async fn at_endpoint(config: &Config, time: Duration) -> Result<BTreeMap<String, Heard>, Failure> {
    let endpoint = config.endpoint.as_ref().ok_or_else(|| {
        Failure::failed("the configuration has neither a [broker] nor an [endpoint]; give --broker HOST:PORT")
    })?;
    let listener = TcpListener::bind(endpoint.listen).await.map_err(|error| {
        Failure::failed(format!(
            "{}: {error}; the daemon listens there already. Its page lists the topics that no probe has; or stop it \
             for this time (systemctl stop heapward)",
            endpoint.listen
        ))
    })?;
    let clock: SharedClock = std::sync::Arc::new(SystemClock::new(true));
    let (recorder, nobody): (Handle, mpsc::Receiver<_>) = Handle::new(RECORDER_QUEUE);
    let parts = ingest::Parts {
        clock,
        recorder,
        // No probe listens: every topic is one that nobody has yet.
        probes: Vec::new(),
        newest: At::MIN,
        endpoint: Some((listener, endpoint.passes.clone())),
        broker: None,
    };
    let at_work = ingest::start(parts, tokio::time::sleep(time))
        .map_err(|problem| Failure::failed(problem.to_string()))?;
    let known = at_work.handle();
    at_work.finished().await;
    drop(nobody);
    let topics = known.status().topics.into_iter().map(|seen| {
        (seen.topic, Heard { count: seen.count, retained: seen.retained, payload: seen.payload })
    });
    Ok(topics.collect())
}

fn note(heard: &mut BTreeMap<String, Heard>, topic: String, retained: bool, payload: &[u8]) {
    if heard.len() >= LISTEN_TOPICS_MAX && !heard.contains_key(&topic) {
        return;
    }
    let row = heard.entry(topic).or_default();
    row.count += 1;
    row.retained = retained;
    row.payload = printable(payload, EXAMPLE_BYTES_MAX);
}

fn in_words(heard: &BTreeMap<String, Heard>, seconds: u64) -> String {
    let mut text = String::new();
    for (topic, row) in heard {
        let topic = printable(topic.as_bytes(), EXAMPLE_BYTES_MAX);
        let kind = if row.retained { "retained: its age is unknown" } else { "live" };
        let _ = writeln!(text, "{topic}\n  {} in {seconds} s, {kind}\n  {}", row.count, row.payload);
        let found = numbers(&row.payload);
        if found.is_empty() {
            text.push_str("  no number in it\n");
        }
        for found in &found {
            let _ =
                writeln!(text, "  number at \"{}\": {}{}", found.pointer, found.value, guess(found.value));
        }
        if let Some(first) = found.iter().find(|found| !guess(found.value).is_empty()).or(found.first()) {
            let _ = writeln!(text, "\n{}", block(&topic, first));
        }
        text.push('\n');
    }
    let topics = if heard.len() == 1 { "topic" } else { "topics" };
    let _ = writeln!(text, "{} {topics} in {seconds} s", heard.len());
    text
}

/// The numbers of a payload with their JSON Pointers (RFC 6901); a bare number stands at the empty pointer.
fn numbers(payload: &str) -> Vec<Found> {
    let mut found = Vec::new();
    if let Ok(value) = serde_json::from_str::<Value>(payload) {
        walk(&value, String::new(), &mut found);
    }
    found
}

fn walk(value: &Value, pointer: String, found: &mut Vec<Found>) {
    match value {
        Value::Number(number) => found.extend(number.as_f64().map(|value| Found { pointer, value })),
        Value::Object(members) => {
            for (key, value) in members {
                let key = key.replace('~', "~0").replace('/', "~1");
                walk(value, format!("{pointer}/{key}"), found);
            }
        }
        Value::Array(items) => {
            for (index, value) in items.iter().enumerate() {
                walk(value, format!("{pointer}/{index}"), found);
            }
        }
        _ => {}
    }
}

/// What the number would be as a temperature, where that could be; the grower decides.
fn guess(value: f64) -> String {
    if (-30.0..=95.0).contains(&value) {
        return format!(
            "  (as C it is {:.0} F now, as F it is {:.0} C: which is right?)",
            value * 1.8 + 32.0,
            (value - 32.0) / 1.8
        );
    }
    if (95.0..=200.0).contains(&value) {
        return format!("  (as F it is {:.0} C now: right?)", (value - 32.0) / 1.8);
    }
    String::new()
}

fn block(topic: &str, found: &Found) -> String {
    let id: String = topic
        .rsplit('/')
        .find(|level| !level.is_empty())
        .unwrap_or("probe")
        .chars()
        .map(|c| if c.is_ascii_alphanumeric() { c.to_ascii_lowercase() } else { '-' })
        .collect();
    let quoted = |text: &str| toml::Value::String(text.to_owned()).to_string();
    format!(
        "[[probe]]\nid = {}\ntopic = {}\nevery = \"1m\"\nvalue = {}\nunit = \"C\"    # or \"F\": look at the thermometer",
        quoted(&id),
        quoted(topic),
        quoted(&found.pointer)
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_come_with_their_pointers() {
        let pointers = |payload: &str| {
            numbers(payload).into_iter().map(|found| (found.pointer, found.value)).collect::<Vec<_>>()
        };
        assert_eq!(pointers("62.4"), [(String::new(), 62.4)]);
        let nested = r#"{"bay 1/core":{"t~avg":143.6},"id":"k1","list":[1,{"c":2}]}"#;
        let expected = [("/bay 1~1core/t~0avg", 143.6), ("/list/0", 1.0), ("/list/1/c", 2.0)];
        assert_eq!(pointers(nested), expected.map(|(pointer, value)| (pointer.to_owned(), value)));
        assert_eq!(pointers("nan"), []);
    }

    #[test]
    fn the_block_to_paste_is_a_probe_of_the_configuration() {
        let found = Found { pointer: "/c".to_owned(), value: 62.4 };
        let text = format!(
            "[farm]\nname = \"Quillback Farm\"\ntimezone = \"America/New_York\"\n[endpoint]\nlisten = \"127.0.0.1:1883\"\n{}\n",
            block("heap/bay-1/Core", &found)
        );
        let config = crate::config::read::read("it", &text, std::path::Path::new(""), None).unwrap();
        assert_eq!(config.probes[0].id.as_str(), "core");
        assert_eq!(config.probes[0].mapping.value, "/c");
    }
}
