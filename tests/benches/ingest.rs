//! How many readings a second come in and are on the card, and what each costs: through mosquitto, and through the
//! endpoint; beside a bare subscriber that only acknowledges, and beside the same way with rows of `SQLite` at its end.
//!
//! JSON payloads with their own times from eight probes, QoS 1, one publisher with 100 in flight, interleaved rounds,
//! each on fresh records. `cargo bench -p heapward-tests --bench ingest` prints one line of JSON at the end. Medians;
//! ratios are of rounds, so that a slow minute of the machine hits both sides.
//! `HEAPWARD_BENCH_MESSAGES` (200000), `HEAPWARD_BENCH_ROUNDS` (5) and `HEAPWARD_BENCH_KINDS` change the size.
//! The one with `SQLite` is built from `tests/bench`, a workspace of its own.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::print_stdout,
    clippy::print_stderr,
    clippy::cast_precision_loss,
    reason = "a measurement that cannot go on stops with the place"
)]

use std::collections::{BTreeMap, BTreeSet};
use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use std::time::{Duration, Instant};

use bytes::BytesMut;
use heapward::clock::SystemClock;
use heapward::config::read::read;
use heapward::run::{Daemon, Parts};
use heapward_rules::units::{At, Span};
use heapward_tests::broker::Broker;
use heapward_tests::daemon::{config_text, now};
use heapward_tests::process::{free_port, is_listening};
use heapward_tests::repository;
use rumqttc::mqttbytes::QoS;
use rumqttc::mqttbytes::v4::{Connect, Packet, Publish};

const PROBES: u64 = 8;
const IN_FLIGHT: usize = 100;
const KINDS: [&str; 4] = ["bare", "broker", "rows", "endpoint"];

/// One round of one kind.
#[derive(Clone, Copy, Debug)]
struct Figures {
    per_second: f64,
    cpu_us_per_message: f64,
    peak_kib: u64,
}

fn from_environment(name: &str, otherwise: u64) -> u64 {
    std::env::var(name).ok().and_then(|text| text.parse().ok()).unwrap_or(otherwise)
}

fn main() {
    let args: Vec<String> = std::env::args().collect();
    let number = |i: usize| args.get(i).and_then(|text| text.parse::<u64>().ok());
    match (args.get(1).map(String::as_str), number(2), number(3)) {
        (Some("bare"), Some(port), Some(count)) => bare(port, count),
        (Some(kind @ ("broker" | "endpoint")), Some(port), Some(count)) => {
            whole(kind, port, count, Path::new(&args[4]), At(args[5].parse().unwrap()));
        }
        _ => measure(),
    }
}

fn measure() {
    let count = from_environment("HEAPWARD_BENCH_MESSAGES", 200_000);
    let rounds = from_environment("HEAPWARD_BENCH_ROUNDS", 5);
    let wanted = std::env::var("HEAPWARD_BENCH_KINDS").unwrap_or_else(|_| KINDS.join(","));
    let kinds: Vec<&str> =
        KINDS.into_iter().filter(|kind| wanted.split(',').any(|one| one == *kind)).collect();
    let rows = kinds.contains(&"rows").then(build_rows);
    let mut all: BTreeMap<&str, Vec<Figures>> = BTreeMap::new();
    for round in 0..rounds {
        for kind in &kinds {
            let measured = once(kind, count, rows.as_deref());
            eprintln!("round {round}: {kind:8} {measured:?}");
            all.entry(kind).or_default().push(measured);
        }
    }
    let mut line = serde_json::json!({ "bench": "ingest", "messages": count, "rounds": rounds });
    for (kind, figures) in &all {
        line[format!("{kind}_per_s")] = median(figures, |f| f.per_second).round().into();
        line[format!("{kind}_cpu_us")] = rounded(median(figures, |f| f.cpu_us_per_message)).into();
        line[format!("{kind}_peak_kib")] = figures.iter().map(|f| f.peak_kib).max().into();
    }
    let rate = |f: &Figures| f.per_second;
    line["broker_to_bare"] = ratio(&all, "broker", "bare", rate).into();
    line["endpoint_to_broker"] = ratio(&all, "endpoint", "broker", rate).into();
    line["broker_cpu_to_rows"] = ratio(&all, "broker", "rows", |f| f.cpu_us_per_message).into();
    println!("{line}");
}

fn rounded(value: f64) -> f64 {
    (value * 1_000.0).round() / 1_000.0
}

/// The median over the rounds of one kind's figure by another's of the same round; none if one was not measured.
fn ratio(all: &BTreeMap<&str, Vec<Figures>>, a: &str, b: &str, of: fn(&Figures) -> f64) -> Option<f64> {
    let ratios = all.get(a)?.iter().zip(all.get(b)?).map(|(a, b)| of(a) / of(b));
    Some(rounded(middle(ratios.collect())))
}

fn median(figures: &[Figures], of: fn(&Figures) -> f64) -> f64 {
    middle(figures.iter().map(of).collect())
}

fn middle(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    values[values.len() / 2]
}

/// Builds the program with `SQLite` at the end.
fn build_rows() -> PathBuf {
    let folder = repository().join("tests/bench");
    let built = Command::new(env!("CARGO"))
        .args(["build", "--release", "--locked", "--quiet", "--bin", "rows"])
        .current_dir(&folder)
        .env_remove("CARGO_TARGET_DIR")
        .status()
        .unwrap();
    assert!(
        built.success(),
        "tests/bench does not build; SQLite wants a C compiler: apt-get install gcc libc6-dev"
    );
    folder.join("target/release/rows")
}

/// One round: starts what takes the messages, publishes them, and waits until all are taken.
fn once(kind: &str, count: u64, rows: Option<&Path>) -> Figures {
    let dir = tempfile::tempdir().unwrap();
    let broker = (kind != "endpoint").then(|| Broker::start(dir.path()));
    let port = broker.as_ref().map_or_else(free_port, |broker| broker.port);
    let beginning = now() - Span::days(20);
    let (port_text, count_text, dir_text) =
        (port.to_string(), count.to_string(), dir.path().display().to_string());
    let mut command = if let Some(rows) = rows.filter(|_| kind == "rows") {
        std::fs::write(dir.path().join("rows.toml"), text(kind, port, dir.path())).unwrap();
        let mut command = Command::new(rows);
        command.args([&port_text, &count_text, &dir_text]);
        command
    } else {
        let mut command = Command::new(std::env::current_exe().unwrap());
        command.args([kind, &port_text, &count_text, &dir_text, &beginning.0.to_string()]);
        command
    };
    let mut child: Child = command.stdout(Stdio::piped()).spawn().unwrap();
    let mut said = BufReader::new(child.stdout.take().unwrap()).lines();
    assert!(said.next().unwrap().unwrap().starts_with("ready"));
    // What starting took is no part of a message.
    let of_start = processor_seconds(&child.id().to_string());
    let began = Instant::now();
    let publisher = std::thread::spawn(move || publish(port, count, beginning));
    let done = said.next().unwrap().unwrap();
    let took = began.elapsed().as_secs_f64();
    publisher.join().unwrap();
    child.wait().unwrap();
    let mut figures = done.split(' ').skip(1);
    let mut figure = || figures.next().unwrap();
    let cpu_seconds = figure().parse::<f64>().unwrap() - of_start;
    Figures {
        per_second: count as f64 / took,
        cpu_us_per_message: cpu_seconds / count as f64 * 1e6,
        peak_kib: figure().parse().unwrap(),
    }
}

/// Publishes all messages with QoS 1, 100 in flight, and waits for their acknowledgements.
fn publish(port: u16, count: u64, beginning: At) {
    let mut stream = TcpStream::connect(("127.0.0.1", port)).unwrap();
    stream.set_nodelay(true).unwrap();
    let mut output = BytesMut::new();
    let mut connect = Connect::new("gate");
    connect.keep_alive = 600;
    Packet::Connect(connect).write(&mut output, 4_096).unwrap();
    let (mut input, mut buffer) = (BytesMut::new(), vec![0; 16 * 1_024]);
    let (mut next, mut acked, mut in_flight, mut is_in) = (0_u64, 0_u64, 0, false);
    while acked < count {
        while is_in && in_flight < IN_FLIGHT && next < count {
            let at = beginning + Span::seconds(i64::try_from(next / PROBES).unwrap());
            let payload = format!(r#"{{"t":{},"c":{}.{}}}"#, at.0, 40 + next % 40, next % 10);
            let mut message =
                Publish::new(format!("quillback/k{}", next % PROBES), QoS::AtLeastOnce, payload);
            message.pkid = u16::try_from(next % 65_535 + 1).unwrap();
            Packet::Publish(message).write(&mut output, 4_096).unwrap();
            next += 1;
            in_flight += 1;
        }
        stream.write_all(&output).unwrap();
        output.clear();
        let n = stream.read(&mut buffer).unwrap();
        assert!(n > 0, "the publisher was closed");
        input.extend_from_slice(&buffer[..n]);
        while let Ok(packet) = Packet::read(&mut input, 4_096) {
            match packet {
                Packet::ConnAck(_) => is_in = true,
                Packet::PubAck(_) => {
                    acked += 1;
                    in_flight -= 1;
                }
                _ => {}
            }
        }
    }
}

fn say(line: &str) {
    println!("{line}");
    std::io::stdout().flush().unwrap();
}

/// Of a process, so far; Linux counts hundredths.
fn processor_seconds(process: &str) -> f64 {
    let stat = std::fs::read_to_string(format!("/proc/{process}/stat")).unwrap();
    let after_name = stat.rsplit(')').next().unwrap();
    let ticks = after_name.split_whitespace().skip(11).take(2).map(|text| text.parse::<f64>().unwrap());
    ticks.sum::<f64>() / 100.0
}

/// The end of a child: processor seconds and peak memory of this process.
fn done() -> ! {
    let status = std::fs::read_to_string("/proc/self/status").unwrap();
    let peak = status.lines().find(|line| line.starts_with("VmHWM:")).unwrap();
    say(&format!("done {} {}", processor_seconds("self"), peak.split_whitespace().nth(1).unwrap()));
    std::process::exit(0);
}

fn runtime() -> tokio::runtime::Runtime {
    tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build().unwrap()
}

/// A subscriber that only counts and acknowledges.
fn bare(port: u64, count: u64) {
    runtime().block_on(async {
        let mut options = rumqttc::MqttOptions::new("bare", "127.0.0.1", u16::try_from(port).unwrap());
        options.set_clean_session(false).set_max_packet_size(262_144, 262_144);
        let (client, mut events) = rumqttc::AsyncClient::new(options, 4_096);
        client.subscribe("quillback/+", QoS::AtLeastOnce).await.unwrap();
        let mut seen = 0;
        while seen < count {
            match events.poll().await.unwrap() {
                rumqttc::Event::Incoming(Packet::SubAck(_)) => say("ready"),
                rumqttc::Event::Incoming(Packet::Publish(_)) => seen += 1,
                _ => {}
            }
        }
        done();
    });
}

/// A configuration with this way in.
fn text(kind: &str, port: u16, dir: &Path) -> String {
    let probe = |n| {
        format!(
            "[[probe]]\nid = \"k{n}\"\ntopic = \"quillback/k{n}\"\nevery = \"1m\"\nvalue = \"/c\"\nunit = \"C\"\n\
             time = \"/t\"\ntime_format = \"epoch_ms\"\n"
        )
    };
    let probes: String = (0..PROBES).map(probe).collect();
    let way = match kind {
        "broker" | "rows" => format!("[broker]\nhost = \"127.0.0.1\"\nport = {port}\n"),
        _ => format!("[endpoint]\nlisten = \"127.0.0.1:{port}\"\n"),
    };
    config_text(dir, free_port(), &format!("{way}{probes}"))
}

/// The whole daemon, until all readings are on the card.
fn whole(kind: &str, port: u64, count: u64, dir: &Path, beginning: At) {
    let _ = rustls::crypto::ring::default_provider().install_default();
    let text = text(kind, u16::try_from(port).unwrap(), dir);
    let config = read("bench", &text, dir, None).unwrap();
    std::fs::create_dir_all(&config.store.dir).unwrap();
    runtime().block_on(async {
        let http = tokio::net::TcpListener::bind(config.http.listen).await.unwrap();
        let endpoint = match &config.endpoint {
            Some(endpoint) => Some(tokio::net::TcpListener::bind(endpoint.listen).await.unwrap()),
            None => None,
        };
        let parts = Parts {
            config,
            standards: heapward::standards::load(None).unwrap(),
            clock: Arc::new(SystemClock::new(true)),
            http,
            endpoint,
            terminal: || Box::new(std::io::stderr()),
        };
        let daemon = Daemon::start(parts).await.unwrap();
        let is_ready = || match kind {
            "broker" => daemon.ways_in.status().broker.is_some_and(|broker| broker.connected),
            _ => is_listening(u16::try_from(port).unwrap()),
        };
        while !is_ready() {
            tokio::time::sleep(Duration::from_millis(5)).await;
        }
        // The subscription follows the connection.
        tokio::time::sleep(Duration::from_millis(300)).await;
        say("ready");
        let last =
            |probe: u64| beginning + Span::seconds(i64::try_from((count - 1 - probe) / PROBES).unwrap());
        let wanted: BTreeSet<At> = (0..PROBES).map(last).collect();
        loop {
            tokio::time::sleep(Duration::from_millis(5)).await;
            let newest = daemon.reader.latest().unwrap();
            if newest.len() as u64 == PROBES
                && newest.iter().all(|newest| wanted.contains(&newest.reading.at))
            {
                done();
            }
        }
    });
}
