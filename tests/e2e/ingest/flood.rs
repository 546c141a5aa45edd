//! Floods at the endpoint: the known probes' readings are all stored, soon, and memory stays small.
//!
//! `HEAPWARD_FLOOD_MESSAGES` (200000) says how many messages come on 100,000 unknown topics; `tests/soak floods` sends
//! each of them ten.

use std::io::{Read, Write};
use std::net::TcpStream;
use std::time::{Duration, Instant};

use bytes::BytesMut;
use heapward_tests::daemon::Daemon;
use heapward_tests::process::free_port;
use rumqttc::mqttbytes::QoS;
use rumqttc::mqttbytes::v4::{Connect, Packet, Publish};

use super::numbered::{PROBES, beginning, check, message, probes, stored};
use super::repeater::{Outcome, Plan, Repeater};

pub(super) const MEMORY_MIB_MAX: u64 = 64;
pub(super) const DELAY_P99_MAX: Duration = Duration::from_secs(2);

struct Flooded {
    dir: tempfile::TempDir,
    daemon: Daemon,
    port: u16,
}

fn flooded() -> Flooded {
    let dir = tempfile::tempdir().unwrap();
    let port = free_port();
    let more =
        "[[probe]]\nid = \"loud\"\ntopic = \"quillback/loud\"\nevery = \"1m\"\nvalue = \"\"\nunit = \"C\"\n";
    let rest = format!("[endpoint]\nlisten = \"127.0.0.1:{port}\"\n{}{more}", probes());
    let daemon = Daemon::start(dir.path(), &rest);
    Flooded { dir, daemon, port }
}

impl Flooded {
    /// Known probes, ten readings a second each, while `flood` is at work.
    fn during(&mut self, flood: impl FnOnce(u16)) -> Outcome {
        let beginning = beginning();
        let known = Repeater::start(Plan {
            port: self.port,
            client_id: "gate".to_owned(),
            count: u64::MAX,
            per_second: u32::try_from(PROBES).unwrap() * 10,
            message: Box::new(move |number| message(beginning, number)),
        });
        std::thread::sleep(Duration::from_secs(1));
        flood(self.port);
        std::thread::sleep(Duration::from_secs(1));
        known.stop()
    }

    fn check(mut self, mut known: Outcome) {
        known.delays.sort_unstable();
        let p99 = known.delays[known.delays.len() * 99 / 100];
        let peak = peak_memory_mib(self.daemon.process().id());
        println!("{} known readings, p99 {p99:?}, peak {peak} MiB", known.acknowledged.len());
        assert!(p99 < DELAY_P99_MAX, "{p99:?}");
        assert!(peak < MEMORY_MIB_MAX, "{peak} MiB");
        assert!(self.daemon.process().stop().success());
        let numbers = stored(self.dir.path());
        check(&known.acknowledged, &numbers);
    }
}

pub(super) fn peak_memory_mib(process: u32) -> u64 {
    let status = std::fs::read_to_string(format!("/proc/{process}/status")).unwrap();
    let line = status.lines().find(|line| line.starts_with("VmHWM:")).unwrap();
    line.split_whitespace().nth(1).unwrap().parse::<u64>().unwrap() / 1_024
}

/// Messages on unknown topics.
pub(super) fn count() -> u64 {
    std::env::var("HEAPWARD_FLOOD_MESSAGES").map_or(200_000, |text| text.parse().unwrap())
}

/// A client that is let in.
pub(super) fn guest(port: u16, id: &str) -> TcpStream {
    let mut stream = TcpStream::connect(("127.0.0.1", port)).unwrap();
    stream.set_read_timeout(Some(Duration::from_secs(20))).unwrap();
    let mut connect = Connect::new(id);
    connect.keep_alive = 600;
    stream.write_all(&bytes(&Packet::Connect(connect))).unwrap();
    let mut answer = [0; 4];
    stream.read_exact(&mut answer).unwrap();
    assert_eq!(answer, [0x20, 2, 0, 0]);
    stream
}

fn bytes(packet: &Packet) -> Vec<u8> {
    let mut output = BytesMut::new();
    packet.write(&mut output, usize::MAX).unwrap();
    output.to_vec()
}

pub(super) fn publish(topic: String, payload: &[u8]) -> Vec<u8> {
    bytes(&Packet::Publish(Publish::new(topic, QoS::AtMostOnce, payload)))
}

#[test]
fn a_hundred_thousand_unknown_topics_take_little_memory_and_no_time_of_the_known() {
    let mut flooded = flooded();
    let known = flooded.during(|port| {
        let mut stream = guest(port, "noise");
        for n in 0..count() {
            stream.write_all(&publish(format!("noise/{}/value", n % 100_000), b"{\"x\":1234567}")).unwrap();
        }
    });
    flooded.check(known);
}

#[test]
fn a_probe_that_floods_is_capped_and_others_are_not_held_up() {
    let mut flooded = flooded();
    let known = flooded.during(|port| {
        let mut stream = guest(port, "loud");
        let began = Instant::now();
        let mut sent = 0;
        while began.elapsed() < Duration::from_mins(1) {
            let due = u64::try_from(began.elapsed().as_millis()).unwrap() * 5;
            while sent < due {
                stream.write_all(&publish("quillback/loud".to_owned(), b"700000.5")).unwrap();
                sent += 1;
            }
            std::thread::sleep(Duration::from_millis(1));
        }
    });
    let metrics = flooded.daemon.site.text("/metrics");
    assert!(metrics.contains("too-often"), "{metrics}");
    flooded.check(known);
}

#[test]
fn large_packets_and_a_thousand_idle_clients_do_no_harm() {
    let mut flooded = flooded();
    let known = flooded.during(|port| {
        for n in 0..5 {
            let mut stream = guest(port, &format!("large-{n}"));
            // Closed at its first bytes: most of it is never read.
            let _ = stream.write_all(&publish("quillback/loud".to_owned(), &vec![b'1'; 10_000_000]));
        }
        let idle: Vec<TcpStream> = (0..1_000).map(|n| guest(port, &format!("idle-{n}"))).collect();
        std::thread::sleep(Duration::from_secs(2));
        drop(idle);
    });
    flooded.check(known);
}
