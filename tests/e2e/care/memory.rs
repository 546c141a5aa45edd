//! A flood with half a gigabyte of addresses, which is all that a small board has.

use std::io::Write as _;
use std::net::TcpStream;
use std::process::Command;
use std::time::{Duration, Instant};

use bytes::BytesMut;
use heapward_tests::daemon::{binary, config_text};
use heapward_tests::process::{Process, free_port, is_listening};
use heapward_tests::wait::wait_until;
use rumqttc::mqttbytes::QoS;
use rumqttc::mqttbytes::v4::{Connect, Packet, Publish};

use crate::ingest::numbered::{beginning, check, message, probes, stored};
use crate::ingest::repeater::{Plan, Repeater};

const ADDRESSES: &str = "536870912";
const FLOOD: Duration = Duration::from_secs(15);

fn bytes(packet: &Packet) -> Vec<u8> {
    let mut output = BytesMut::new();
    packet.write(&mut output, usize::MAX).unwrap();
    output.to_vec()
}

fn stranger(port: u16, id: &str) -> TcpStream {
    let mut stream = TcpStream::connect(("127.0.0.1", port)).unwrap();
    stream.set_write_timeout(Some(Duration::from_secs(20))).unwrap();
    stream.write_all(&bytes(&Packet::Connect(Connect::new(id)))).unwrap();
    stream
}

#[test]
fn a_flood_with_half_a_gigabyte_of_addresses_ends_nothing() {
    let dir = tempfile::tempdir().unwrap();
    let (port, http) = (free_port(), free_port());
    let config = dir.path().join("heapward.toml");
    let rest = format!("[endpoint]\nlisten = \"127.0.0.1:{port}\"\n{}", probes());
    std::fs::write(&config, config_text(dir.path(), http, &rest)).unwrap();
    let mut command = Command::new("prlimit");
    command.arg(format!("--as={ADDRESSES}")).arg(binary()).args(["run", "--config"]).arg(&config);
    command.env_remove("NOTIFY_SOCKET");
    let mut process = Process::start(&mut command, &dir.path().join("log"), "apt-get install util-linux");
    wait_until("the endpoint to listen", || is_listening(port));
    let beginning = beginning();
    let known = Repeater::start(Plan {
        port,
        client_id: "gate".to_owned(),
        count: u64::MAX,
        per_second: 80,
        message: Box::new(move |number| message(beginning, number)),
    });
    let began = Instant::now();
    let mut topics = stranger(port, "topics");
    // Half-sent requests and clients that say nothing, each with its buffers.
    let silent: Vec<_> = (0..200).filter_map(|_| TcpStream::connect(("127.0.0.1", http)).ok()).collect();
    let idle: Vec<_> = (0..500).map(|n| stranger(port, &format!("idle-{n}"))).collect();
    let mut n = 0_u32;
    while began.elapsed() < FLOOD {
        let mut large = stranger(port, &format!("large-{n}"));
        // Closed at its first bytes: most of it is never read.
        let _ = large.write_all(&bytes(&Packet::Publish(Publish::new(
            "x",
            QoS::AtMostOnce,
            vec![b'1'; 2_000_000],
        ))));
        for _ in 0..2_000 {
            let topic = format!("noise/{n}/value");
            let publish = Packet::Publish(Publish::new(topic, QoS::AtMostOnce, "[".repeat(900)));
            topics.write_all(&bytes(&publish)).unwrap();
            n += 1;
        }
    }
    drop((silent, idle));
    let known = known.stop();
    assert!(process.is_running(), "{}", process.log());
    let status = std::fs::read_to_string(format!("/proc/{}/status", process.id())).unwrap();
    let peak = status.lines().find(|line| line.starts_with("VmHWM:")).unwrap();
    println!("{n} unknown topics; {} known readings; {peak}", known.acknowledged.len());
    assert!(process.stop().success(), "{}", process.log());
    check(&known.acknowledged, &stored(dir.path()));
}
