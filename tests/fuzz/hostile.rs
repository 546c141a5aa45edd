//! The hostile messages through the whole of ingest: each is counted, with its reason, and harms no other.
//!
//! `hostile.txt` says of each message what becomes of it on each of the topics `quillback/0` to `13`. After a wanted
//! change: `HEAPWARD_WRITE_TABLES=1 cargo nextest run -p heapward-tests --test fuzz hostile`, then read the difference.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Duration;

use heapward::clock::ManualClock;
use heapward::ingest::IngestHandle;
use heapward::ingest::status::{Status, printable};
use heapward_rules::units::{At, Span};
use rumqttc::{AsyncClient, Event, EventLoop, MqttOptions, Packet, QoS};

use super::{corpus, endpoint};

/// 2026-05-02T10:20:00Z, some minutes after the times in the messages.
const NOW: At = At(1_777_717_200_000);

/// A client that publishes and waits for the acknowledgement.
struct Client {
    client: AsyncClient,
    events: EventLoop,
}

impl Client {
    fn new(port: u16, id: &str) -> Client {
        let mut options = MqttOptions::new(id, "127.0.0.1", port);
        options.set_max_packet_size(2_000_000, 2_000_000);
        let (client, events) = AsyncClient::new(options, 100);
        Client { client, events }
    }

    async fn publish(&self, topic: String, payload: &[u8]) {
        self.client.publish(topic, QoS::AtLeastOnce, false, payload).await.unwrap();
    }

    async fn acknowledged(&mut self, count: usize) {
        let mut acknowledged = 0;
        while acknowledged < count {
            let event = tokio::time::timeout(Duration::from_mins(1), self.events.poll()).await;
            if let Event::Incoming(Packet::PubAck(_)) = event.expect("acknowledged").unwrap() {
                acknowledged += 1;
            }
        }
    }

    /// Waits until the other side has ended the connection.
    async fn closed(&mut self) {
        let closed = async { while self.events.poll().await.is_ok() {} };
        tokio::time::timeout(Duration::from_secs(10), closed).await.expect("closed");
    }
}

/// How often each reason was counted for each topic.
fn refused(status: &Status) -> BTreeMap<(String, &'static str), u64> {
    assert_eq!(status.refused_forgotten, 0);
    let row = |row: &heapward::ingest::status::RefusedMessages| {
        ((row.topic.trim_start_matches("quillback/").to_owned(), row.reason.word()), row.count)
    };
    status.refused.iter().map(row).collect()
}

/// What became of a message: `2 read, 1 skipped; not-json 0 4-12; no-match 13`.
fn said(before: &Status, after: &Status) -> String {
    let (had, has) = (refused(before), refused(after));
    let mut by_reason = BTreeMap::<String, Vec<u64>>::new();
    for ((topic, reason), count) in has {
        let more = count - had.get(&(topic.clone(), reason)).copied().unwrap_or_default();
        let times = if more > 1 { format!("{reason} x{more}") } else { reason.to_owned() };
        if more > 0 {
            by_reason.entry(times).or_default().push(topic.parse().unwrap());
        }
    }
    let (then, now) = (before.counts, after.counts);
    let mut line = format!("{} read, {} skipped", now.readings - then.readings, now.skipped - then.skipped);
    for (reason, topics) in &mut by_reason {
        topics.sort_unstable();
        write!(line, "; {reason}").unwrap();
        for chain in topics.chunk_by(|a, b| a + 1 == *b) {
            match chain {
                [one] => write!(line, " {one}").unwrap(),
                many => write!(line, " {}-{}", many[0], many[many.len() - 1]).unwrap(),
            }
        }
    }
    line
}

/// The beginning of a message as text, and its length if that is not all.
fn named(payload: &[u8]) -> String {
    let start: String =
        payload.iter().take(90).copied().flat_map(std::ascii::escape_default).map(char::from).collect();
    if payload.len() > 90 { format!("{start}... ({} bytes)", payload.len()) } else { start }
}

async fn each_with_its_reason(client: &mut Client, ingest: &IngestHandle, clock: &ManualClock) {
    let file = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("fuzz/hostile.txt");
    let topics = corpus::probes().len();
    let mut table = String::new();
    let mut before = ingest.status();
    for payload in corpus::hostile().iter().filter(|payload| payload.len() <= 66_000) {
        // Arrivals of one instant are limited; each message has its own.
        clock.advance(Span::seconds(2));
        for n in 0..topics {
            client.publish(format!("quillback/{n}"), payload).await;
        }
        client.acknowledged(topics).await;
        let after = ingest.status();
        assert_eq!(after.counts.messages - before.counts.messages, topics as u64);
        writeln!(table, "{}\n    {}", named(payload), said(&before, &after)).unwrap();
        before = after;
    }
    if std::env::var_os("HEAPWARD_WRITE_TABLES").is_some() {
        std::fs::write(&file, &table).unwrap();
    }
    let wanted = std::fs::read_to_string(&file).unwrap();
    for (got, wanted) in table.lines().zip(wanted.lines()) {
        assert_eq!(got, wanted);
    }
    assert_eq!(table.lines().count(), wanted.lines().count());
}

#[test]
fn every_hostile_message_is_counted_with_its_reason() {
    let runtime = tokio::runtime::Runtime::new().unwrap();
    runtime.block_on(async {
        let panics = super::count_panics();
        let clock = Arc::new(ManualClock::new(NOW));
        let (address, ingest, _stop) = endpoint::endpoint(clock.clone()).await;
        let hostile = corpus::hostile();
        assert!(hostile.len() >= 400, "{}", hostile.len());
        let mut client = Client::new(address.port(), "hostile");
        each_with_its_reason(&mut client, &ingest.handle(), &clock).await;
        assert!(endpoint::is_served(address));

        // Those that are larger than any packet: closed with a reason.
        let large: Vec<_> = hostile.iter().filter(|payload| payload.len() > 66_000).collect();
        for payload in &large {
            let mut client = Client::new(address.port(), "large");
            client.publish("quillback/0".to_owned(), payload).await;
            client.closed().await;
        }
        assert!(large.len() >= 10);
        assert_eq!(ingest.handle().status().endpoint.unwrap().closed["too-large"], large.len() as u64);
        assert!(endpoint::is_served(address));
        assert_eq!(panics.load(Ordering::Relaxed), 0, "panics");
    });
}

/// Names of topics that try to be a path, a command of a terminal, or another text than they are.
#[test]
fn hostile_topics_are_names_and_nothing_else() {
    let runtime = tokio::runtime::Runtime::new().unwrap();
    runtime.block_on(async {
        let panics = super::count_panics();
        let (address, ingest, _stop) = endpoint::endpoint(Arc::new(ManualClock::new(NOW))).await;
        let unknown = [
            "../../etc/passwd".to_owned(),
            "/".to_owned(),
            "quillback/0/../1".to_owned(),
            "quillback/0 ".to_owned(),
            "QUILLBACK/0".to_owned(),
            "\u{1b}[2J\u{1b}[31mfire".to_owned(),
            "a\r\nb\u{2028}c".to_owned(),
            "probe\u{202e}3k\u{2066}".to_owned(),
            "\u{feff}<script>alert(1)</script>".to_owned(),
            "\u{1f525}".repeat(400),
            "x".repeat(65_000),
        ];
        let mut client = Client::new(address.port(), "names");
        for topic in &unknown {
            client.publish(topic.clone(), b"62.4").await;
        }
        for topic in ["$SYS/broker/uptime", "$quillback/0"] {
            client.publish(topic.to_owned(), b"62.4").await;
        }
        client.acknowledged(unknown.len() + 2).await;
        let status = ingest.handle().status();
        assert_eq!((status.counts.readings, status.counts.unassigned), (0, unknown.len() as u64));
        let refused: Vec<_> =
            status.refused.iter().map(|row| (row.topic.as_str(), row.reason.word())).collect();
        assert_eq!(refused, [("$SYS/broker/uptime", "not-allowed"), ("$quillback/0", "not-allowed")]);
        let shown =
            |c: char| !c.is_control() && !matches!(c, '\u{2028}'..='\u{202e}' | '\u{2066}'..='\u{2069}');
        for row in &status.topics {
            assert!(row.topic.len() <= 1_100 && row.topic.chars().all(shown), "{:?}", row.topic);
        }
        assert_eq!(printable("k\u{202e}3\u{1b}[m".as_bytes(), 100), "k 3 [m");
        // What no topic may be.
        for (n, topic) in ["", "quillback/+", "quillback/#", "quillback/\0"].into_iter().enumerate() {
            let mut client = Client::new(address.port(), &format!("wrong-{n}"));
            client.client.try_publish(topic, QoS::AtLeastOnce, false, "62.4").ok();
            if n == 0 || n == 3 {
                client.closed().await;
            }
        }
        assert!(endpoint::is_served(address));
        assert_eq!(panics.load(Ordering::Relaxed), 0, "panics");
    });
}
