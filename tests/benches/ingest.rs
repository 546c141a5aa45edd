//! How many readings a second come in and are on the card: through mosquitto, and through the endpoint; beside a bare
//! subscriber that only acknowledges.
//!
//! JSON payloads with their own times from eight probes, QoS 1, one publisher with 100 in flight, interleaved rounds,
//! each on fresh records. `cargo bench -p heapward-tests --bench ingest` prints one line of JSON at the end.
//! `HEAPWARD_BENCH_MESSAGES` (200000) and `HEAPWARD_BENCH_ROUNDS` (3) change the size.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::print_stdout,
    clippy::print_stderr,
    clippy::cast_precision_loss,
    reason = "a measurement that cannot go on stops with the place"
)]

use std::collections::BTreeSet;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::path::Path;
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
use rumqttc::mqttbytes::QoS;
use rumqttc::mqttbytes::v4::{Connect, Packet, Publish};

const PROBES: u64 = 8;
const IN_FLIGHT: usize = 100;

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
    let rounds = from_environment("HEAPWARD_BENCH_ROUNDS", 3);
    let kinds = ["bare", "broker", "endpoint"];
    let mut all: [Vec<Figures>; 3] = Default::default();
    for round in 0..rounds {
        for (kind, figures) in kinds.iter().zip(&mut all) {
            let measured = once(kind, count);
            eprintln!("round {round}: {kind:8} {measured:?}");
            figures.push(measured);
        }
    }
    let [bare, broker, endpoint] = all.map(|figures| median(&figures));
    println!(
        "{}",
        serde_json::json!({
            "bench": "ingest", "messages": count, "rounds": rounds,
            "bare_per_s": bare.per_second.round(), "broker_per_s": broker.per_second.round(),
            "endpoint_per_s": endpoint.per_second.round(),
            "broker_to_bare": ratio(broker.per_second, bare.per_second),
            "endpoint_to_broker": ratio(endpoint.per_second, broker.per_second),
            "bare_cpu_us": bare.cpu_us_per_message, "broker_cpu_us": broker.cpu_us_per_message,
            "endpoint_cpu_us": endpoint.cpu_us_per_message,
            "broker_peak_kib": broker.peak_kib, "endpoint_peak_kib": endpoint.peak_kib,
        })
    );
}

fn ratio(a: f64, b: f64) -> f64 {
    (a / b * 1_000.0).round() / 1_000.0
}

fn median(figures: &[Figures]) -> Figures {
    let middle = |mut values: Vec<f64>| {
        values.sort_by(f64::total_cmp);
        values[values.len() / 2]
    };
    Figures {
        per_second: middle(figures.iter().map(|f| f.per_second).collect()),
        cpu_us_per_message: middle(figures.iter().map(|f| f.cpu_us_per_message).collect()),
        peak_kib: figures.iter().map(|f| f.peak_kib).max().unwrap_or_default(),
    }
}

/// One round: starts what takes the messages, publishes them, and waits until all are taken.
fn once(kind: &str, count: u64) -> Figures {
    let dir = tempfile::tempdir().unwrap();
    let broker = (kind != "endpoint").then(|| Broker::start(dir.path()));
    let port = broker.as_ref().map_or_else(free_port, |broker| broker.port);
    let beginning = now() - Span::days(20);
    let mut child: Child = Command::new(std::env::current_exe().unwrap())
        .args([
            kind,
            &port.to_string(),
            &count.to_string(),
            &dir.path().display().to_string(),
            &beginning.0.to_string(),
        ])
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let mut said = BufReader::new(child.stdout.take().unwrap()).lines();
    assert_eq!(said.next().unwrap().unwrap(), "ready");
    let began = Instant::now();
    let publisher = std::thread::spawn(move || publish(port, count, beginning));
    let done = said.next().unwrap().unwrap();
    let took = began.elapsed().as_secs_f64();
    publisher.join().unwrap();
    child.wait().unwrap();
    let mut figures = done.split(' ').skip(1);
    let mut figure = || figures.next().unwrap();
    let cpu_seconds: f64 = figure().parse().unwrap();
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

/// The end of a child: processor seconds and peak memory of this process.
fn done() -> ! {
    let stat = std::fs::read_to_string("/proc/self/stat").unwrap();
    let after_name = stat.rsplit(')').next().unwrap();
    let ticks: f64 =
        after_name.split_whitespace().skip(11).take(2).map(|text| text.parse::<f64>().unwrap()).sum();
    let status = std::fs::read_to_string("/proc/self/status").unwrap();
    let peak = status.lines().find(|line| line.starts_with("VmHWM:")).unwrap();
    say(&format!("done {} {}", ticks / 100.0, peak.split_whitespace().nth(1).unwrap()));
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

/// The whole daemon, until all readings are on the card.
fn whole(kind: &str, port: u64, count: u64, dir: &Path, beginning: At) {
    let _ = rustls::crypto::ring::default_provider().install_default();
    let probe = |n| {
        format!(
            "[[probe]]\nid = \"k{n}\"\ntopic = \"quillback/k{n}\"\nevery = \"1m\"\nvalue = \"/c\"\nunit = \"C\"\n\
             time = \"/t\"\ntime_format = \"epoch_ms\"\n"
        )
    };
    let probes: String = (0..PROBES).map(probe).collect();
    let way = match kind {
        "broker" => format!("[broker]\nhost = \"127.0.0.1\"\nport = {port}\n"),
        _ => format!("[endpoint]\nlisten = \"127.0.0.1:{port}\"\n"),
    };
    let text = config_text(dir, free_port(), &format!("{way}{probes}"));
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
