//! The endpoint over real sockets: with rumqttc and mosquitto's clients, and with bytes written by hand.

use std::collections::BTreeSet;
use std::sync::Mutex;
use std::sync::atomic::AtomicBool;

use heapward_rules::ids::ProbeId;
use heapward_rules::reading::{Quantity, Unit};
use heapward_rules::units::{At, Span};
use rumqttc::{AsyncClient, Event, LastWill, MqttOptions, Packet, QoS};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::process::Command as Process;
use tokio::sync::oneshot;
use tokio::time::{Instant, timeout};

use super::*;
use crate::clock::SystemClock;
use crate::config::{self, PayloadFormat, ProbeConfig, Secret, TimeFormat};
use crate::ingest::{Ingest, IngestHandle, Parts as IngestParts, start};
use crate::recorder::{Ack, Command, Handle};
use crate::telling::publish::Publish as _;

mod limits;
mod output;

/// An endpoint at work, and a recorder that keeps every reading.
struct Barn {
    address: SocketAddr,
    ingest: IngestHandle,
    kept: Arc<Mutex<Vec<(String, f64)>>>,
    /// Whether commits end: else acknowledgements pile up here.
    commits: Arc<AtomicBool>,
    acks: Arc<Mutex<Vec<Ack>>>,
    stop: oneshot::Sender<()>,
    at_work: Ingest,
}

fn probes() -> Vec<ProbeConfig> {
    let probe = |id: &str, mapping| ProbeConfig {
        id: ProbeId::new(id),
        quantity: Quantity::Temperature,
        topic: format!("quillback/{id}"),
        every: Span::minutes(1),
        mapping,
    };
    let timed = config::Mapping {
        value: "/c".to_owned(),
        unit: Some(Unit::Celsius),
        time: Some("/t".to_owned()),
        time_format: TimeFormat::EpochMillis,
        ..config::Mapping::default()
    };
    let plain = config::Mapping { unit: Some(Unit::Fahrenheit), ..config::Mapping::default() };
    let status = config::Mapping {
        format: PayloadFormat::Text,
        availability: Some(("online".to_owned(), "offline".to_owned())),
        ..config::Mapping::default()
    };
    vec![probe("k1", timed), probe("k2", plain), probe("k1-status", status)]
}

async fn barn(passes: Vec<PassConfig>) -> Barn {
    barn_at(TcpListener::bind("127.0.0.1:0").await.unwrap(), passes)
}

fn barn_at(listener: TcpListener, passes: Vec<PassConfig>) -> Barn {
    let address = listener.local_addr().unwrap();
    let (recorder, mut commands) = Handle::new(1_024);
    let (kept, acks) = (Arc::<Mutex<Vec<_>>>::default(), Arc::<Mutex<Vec<Ack>>>::default());
    let commits = Arc::new(AtomicBool::new(true));
    let (keeping, piling, committing) = (Arc::clone(&kept), Arc::clone(&acks), Arc::clone(&commits));
    tokio::spawn(async move {
        while let Some(command) = commands.recv().await {
            if let Command::Readings { readings, acks } = command {
                keeping.lock().unwrap().extend(readings.iter().map(|r| (r.probe.to_string(), r.value)));
                if committing.load(Ordering::SeqCst) {
                    Ack::settle_all(acks, true);
                } else {
                    piling.lock().unwrap().extend(acks);
                }
            }
        }
    });
    let (stop, stopped) = oneshot::channel();
    let parts = IngestParts {
        clock: Arc::new(SystemClock::new(true)),
        recorder,
        probes: probes(),
        newest: At::MIN,
        endpoint: Some((listener, passes)),
        sessions: None,
        broker: None,
    };
    let at_work = start(parts, async move { drop(stopped.await) }).unwrap();
    Barn { address, ingest: at_work.handle(), kept, commits, acks, stop, at_work }
}

fn now_ms() -> i64 {
    use crate::clock::Clock as _;
    SystemClock::new(true).now().0
}

impl Barn {
    fn values(&self) -> Vec<f64> {
        self.kept.lock().unwrap().iter().map(|(_, value)| *value).collect()
    }

    fn closed(&self) -> Vec<(&'static str, u64)> {
        self.ingest.status().endpoint.unwrap().closed.into_iter().collect()
    }

    fn options(&self, id: &str) -> MqttOptions {
        let mut options = MqttOptions::new(id, "127.0.0.1", self.address.port());
        options.set_keep_alive(Duration::from_secs(5));
        options
    }

    async fn mosquitto_pub(&self, more: &[&str]) -> std::process::Output {
        let port = self.address.port().to_string();
        let fixed = ["-h", "127.0.0.1", "-p", port.as_str()];
        let run = Process::new("mosquitto_pub").args(fixed).args(more).output();
        run.await.expect("mosquitto_pub is missing: apt-get install mosquitto-clients")
    }

    async fn raw(&self) -> TcpStream {
        TcpStream::connect(self.address).await.unwrap()
    }

    /// A connection by hand that is let in.
    async fn raw_guest(&self, keep_alive: u8) -> TcpStream {
        let mut stream = self.raw().await;
        stream.write_all(&connect("r1", keep_alive)).await.unwrap();
        assert_eq!(read(&mut stream, 4).await, [0x20, 2, 0, 0]);
        stream
    }
}

fn connect(id: &str, keep_alive: u8) -> Vec<u8> {
    let id = id.as_bytes();
    let length = u8::try_from(12 + id.len()).unwrap();
    let id_length = u8::try_from(id.len()).unwrap();
    let head = [0x10, length, 0, 4, b'M', b'Q', b'T', b'T', 4, 2, 0, keep_alive, 0, id_length];
    [&head[..], id].concat()
}

fn publish(qos: u8, packet_id: u8, topic: &str, payload: &str) -> Vec<u8> {
    let id: &[u8] = if qos == 0 { &[] } else { &[0, packet_id] };
    let length = u8::try_from(2 + topic.len() + id.len() + payload.len()).unwrap();
    let topic_length = u8::try_from(topic.len()).unwrap();
    [&[0x30 | (qos << 1), length, 0, topic_length], topic.as_bytes(), id, payload.as_bytes()].concat()
}

async fn read(stream: &mut TcpStream, n: usize) -> Vec<u8> {
    let mut bytes = vec![0; n];
    timeout(Duration::from_secs(10), stream.read_exact(&mut bytes)).await.expect("no answer").unwrap();
    bytes
}

/// Whether the endpoint closes the connection; what it said before.
async fn read_to_end(stream: &mut TcpStream) -> Vec<u8> {
    let mut bytes = Vec::new();
    let end = timeout(Duration::from_secs(10), stream.read_to_end(&mut bytes)).await.expect("not closed");
    drop(end);
    bytes
}

async fn until(what: &str, mut is_so: impl FnMut() -> bool) {
    let began = Instant::now();
    while !is_so() {
        assert!(began.elapsed() < Duration::from_secs(10), "{what}");
        tokio::time::sleep(Duration::from_millis(10)).await;
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn mosquitto_pub_is_answered_after_the_commit() {
    let barn = barn(Vec::new()).await;
    let payload = format!(r#"{{"c":62.4,"t":{}}}"#, now_ms());
    let run = barn.mosquitto_pub(&["-q", "1", "-i", "node-1", "-t", "quillback/k1", "-m", &payload]).await;
    assert!(run.status.success(), "{run:?}");
    assert_eq!(*barn.kept.lock().unwrap(), [("k1".to_owned(), 62.4)]);
    // Retained, as some firmwares do by default: it comes from the device itself, so it is live.
    let run = barn.mosquitto_pub(&["-q", "0", "-r", "-t", "quillback/k2", "-m", "144.3"]).await;
    assert!(run.status.success(), "{run:?}");
    until("the second reading", || barn.values() == [62.4, 144.3]).await;
    let run = barn.mosquitto_pub(&["-q", "2", "-t", "quillback/k2", "-m", "1"]).await;
    assert!(!run.status.success(), "{run:?}");
    until("the line about QoS 2", || barn.closed().contains(&("qos-two", 1))).await;
    let run = barn.mosquitto_pub(&["-V", "mqttv5", "-t", "quillback/k2", "-m", "1"]).await;
    assert!(!run.status.success(), "{run:?}");
    until("the line about version 5", || barn.closed().contains(&("version", 1))).await;
    barn.stop.send(()).unwrap();
    barn.at_work.finished().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn rumqttc_publishes_a_thousand_and_none_is_acknowledged_before_its_commit() {
    let barn = barn(Vec::new()).await;
    barn.commits.store(false, Ordering::SeqCst);
    let (client, mut events) = AsyncClient::new(barn.options("node-1"), 2_000);
    let acked = Arc::new(AtomicU64::new(0));
    let counting = Arc::clone(&acked);
    let polling = tokio::spawn(async move {
        while let Ok(event) = events.poll().await {
            if let Event::Incoming(Packet::PubAck(_)) = event {
                counting.fetch_add(1, Ordering::SeqCst);
            }
        }
    });
    let start = now_ms() - 2_000_000;
    for i in 0..1_000_i32 {
        let payload = format!(r#"{{"c":{i},"t":{}}}"#, start + i64::from(i) * 1_000);
        client.publish("quillback/k1", QoS::AtLeastOnce, false, payload).await.unwrap();
    }
    until("the first window", || barn.acks.lock().unwrap().len() == 100).await;
    tokio::time::sleep(Duration::from_millis(300)).await;
    assert_eq!(acked.load(Ordering::SeqCst), 0);
    barn.commits.store(true, Ordering::SeqCst);
    Ack::settle_all(std::mem::take(&mut *barn.acks.lock().unwrap()), true);
    until("all acknowledgements", || acked.load(Ordering::SeqCst) == 1_000).await;
    let kept: BTreeSet<i64> = barn.values().iter().map(|value| value.to_string().parse().unwrap()).collect();
    assert_eq!(kept, (0..1_000).collect());
    client.disconnect().await.unwrap();
    until("the goodbye", || barn.closed().contains(&("goodbye", 1))).await;
    polling.abort();
}

#[tokio::test(flavor = "multi_thread")]
async fn a_reading_that_could_not_be_kept_is_sent_again() {
    let barn = barn(Vec::new()).await;
    barn.commits.store(false, Ordering::SeqCst);
    // The library sends again by itself what was not acknowledged, if its session is present.
    let mut options = barn.options("node-1");
    options.set_clean_session(false);
    let (client, mut events) = AsyncClient::new(options, 10);
    let polling = tokio::spawn(async move {
        loop {
            if let Ok(Event::Incoming(Packet::PubAck(_))) = events.poll().await {
                return;
            }
        }
    });
    let payload = format!(r#"{{"c":62.4,"t":{}}}"#, now_ms());
    client.publish("quillback/k1", QoS::AtLeastOnce, false, payload).await.unwrap();
    until("the first message", || !barn.acks.lock().unwrap().is_empty()).await;
    let ack = barn.acks.lock().unwrap().remove(0);
    barn.commits.store(true, Ordering::SeqCst);
    ack.settle(false);
    timeout(Duration::from_secs(10), polling).await.expect("sent again and acknowledged").unwrap();
    assert!(barn.closed().contains(&("not-kept", 1)));
}

#[tokio::test(flavor = "multi_thread")]
async fn a_pass_lets_in_and_limits_the_topics() {
    let pass = PassConfig {
        user: "shed".to_owned(),
        password: Secret::new("heron"),
        topics: vec!["quillback/k2".to_owned()],
    };
    let barn = barn(vec![pass]).await;
    let publish = async |user: &str, password: &str, topic: &str| {
        barn.mosquitto_pub(&["-q", "1", "-u", user, "-P", password, "-t", topic, "-m", "144.3"]).await
    };
    assert!(publish("shed", "heron", "quillback/k2").await.status.success());
    assert!(!publish("shed", "plover", "quillback/k2").await.status.success());
    assert!(!publish("gate", "heron", "quillback/k2").await.status.success());
    assert!(!barn.mosquitto_pub(&["-q", "1", "-t", "quillback/k2", "-m", "1"]).await.status.success());
    // Told to nobody by MQTT 3.1.1, but to the grower.
    assert!(publish("shed", "heron", "quillback/k1").await.status.success());
    assert_eq!(barn.values(), [144.3]);
    assert!(barn.closed().contains(&("wrong-pass", 3)), "{:?}", barn.closed());
    let refused = barn.ingest.status().refused;
    assert_eq!(
        (refused[0].topic.as_str(), refused[0].reason),
        ("quillback/k1", crate::ingest::reason::Reason::NotAllowed)
    );
}

#[tokio::test(flavor = "multi_thread")]
async fn only_what_heapward_publishes_comes_to_a_subscriber() {
    let barn = barn(Vec::new()).await;
    let publisher = barn.ingest.publisher();
    publisher.state("heapward/state", "awake");
    assert!(publisher.publish("heapward/lamp", b"on".to_vec()).await.is_err());
    let (client, mut events) = AsyncClient::new(barn.options("lamp"), 10);
    client.subscribe("#", QoS::AtLeastOnce).await.unwrap();
    let (messages, mut heard) = mpsc::channel(10);
    tokio::spawn(async move {
        while let Ok(event) = events.poll().await {
            if let Event::Incoming(Packet::Publish(message)) = event {
                let text = String::from_utf8_lossy(&message.payload).into_owned();
                messages.send((message.topic, text, message.retain)).await.unwrap();
            }
        }
    });
    let mut next = async || timeout(Duration::from_secs(10), heard.recv()).await.expect("a message").unwrap();
    assert_eq!(next().await, ("heapward/state".to_owned(), "awake".to_owned(), true));
    assert!(barn.mosquitto_pub(&["-q", "1", "-t", "quillback/k2", "-m", "144.3"]).await.status.success());
    publisher.publish("heapward/lamp", b"on".to_vec()).await.unwrap();
    assert_eq!(next().await, ("heapward/lamp".to_owned(), "on".to_owned(), false));
    drop(client);
}

#[tokio::test(flavor = "multi_thread")]
async fn the_last_will_is_a_hint_and_a_second_client_takes_over() {
    let barn = barn(Vec::new()).await;
    let mut options = barn.options("node-1");
    options.set_last_will(LastWill::new("quillback/k1-status", "offline", QoS::AtMostOnce, true));
    let available =
        || barn.ingest.status().probes.get(&ProbeId::new("k1-status")).and_then(|probe| probe.available);
    let (client, mut events) = AsyncClient::new(options.clone(), 10);
    client.publish("quillback/k1-status", QoS::AtMostOnce, true, "online").await.unwrap();
    let polling = tokio::spawn(async move { while events.poll().await.is_ok() {} });
    until("online", || available() == Some(true)).await;
    let mut second = barn.raw().await;
    second.write_all(&connect("node-1", 60)).await.unwrap();
    assert_eq!(read(&mut second, 4).await, [0x20, 2, 0, 0]);
    until("taken over", || barn.closed().contains(&("taken-over", 1))).await;
    until("offline", || available() == Some(false)).await;
    assert_eq!(barn.ingest.status().endpoint.unwrap().clients, 1);
    polling.abort();
    drop((client, second));
    until("the second is gone", || barn.ingest.status().endpoint.unwrap().clients == 0).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_silent_client_is_closed_and_a_ping_keeps_it() {
    let barn = barn(Vec::new()).await;
    let mut stream = barn.raw_guest(1).await;
    for _ in 0..4 {
        tokio::time::sleep(Duration::from_millis(700)).await;
        stream.write_all(&[0xc0, 0]).await.unwrap();
        assert_eq!(read(&mut stream, 2).await, [0xd0, 0]);
    }
    let began = Instant::now();
    assert!(read_to_end(&mut stream).await.is_empty());
    let silence = began.elapsed();
    assert!((1_300..2_500).contains(&silence.as_millis()), "{silence:?}");
    assert_eq!(barn.closed(), [("silent", 1)]);
}

#[tokio::test(flavor = "multi_thread")]
async fn what_breaks_the_rules_is_closed_with_its_reason() {
    let barn = barn(Vec::new()).await;
    let version_5 = [0x10, 15, 0, 4, b'M', b'Q', b'T', b'T', 5, 2, 0, 60, 0, 0, 2, b'r', b'1'];
    let version_3_1 = [0x10, 14, 0, 6, b'M', b'Q', b'I', b's', b'd', b'p', 3, 2, 0, 60, 0, 0];
    let before: [(&[u8], &[u8], &str); 6] = [
        (b"GET / HTTP/1.1\r\n\r\n", &[], "rules"),
        (&[0; 64], &[], "rules"),
        (&[0x10, 0xff, 0xff, 0xff, 0x7f, 0, 4, b'M', b'Q', b'T', b'T', 4], &[], "too-large"),
        (&[0x10, 0xff, 0xff, 0xff, 0xff, 0xff], &[], "unreadable"),
        (&version_5, &[0x20, 2, 0, 1], "version"),
        (&version_3_1, &[0x20, 2, 0, 1], "version"),
    ];
    for (bytes, answer, word) in before {
        let mut stream = barn.raw().await;
        stream.write_all(bytes).await.unwrap();
        assert_eq!(read_to_end(&mut stream).await, answer, "{word}");
        until(word, || barn.closed().iter().any(|(known, _)| *known == word)).await;
    }
    let after: [(Vec<u8>, &str); 6] = [
        (connect("r1", 60), "rules"),
        (publish(2, 1, "quillback/k2", "1"), "qos-two"),
        (publish(0, 0, "quillback/+", "1"), "rules"),
        (publish(1, 0, "quillback/k2", "1"), "unreadable"),
        (vec![0x30, 0xff, 0xff, 0xff, 0x7f], "too-large"),
        (vec![0x82, 2, 0, 1], "unreadable"),
    ];
    for (bytes, word) in after {
        let mut stream = barn.raw_guest(60).await;
        let count = || barn.closed().iter().find(|(known, _)| *known == word).map_or(0, |(_, n)| *n);
        let known = count();
        stream.write_all(&bytes).await.unwrap();
        assert!(read_to_end(&mut stream).await.is_empty(), "{word}");
        until(word, || count() == known + 1).await;
    }
    // All of that has harmed nobody else.
    assert!(barn.mosquitto_pub(&["-q", "1", "-t", "quillback/k2", "-m", "144.3"]).await.status.success());
}

#[tokio::test(flavor = "multi_thread")]
async fn packets_may_come_in_any_pieces() {
    let barn = barn(Vec::new()).await;
    let all = [
        connect("r1", 60),
        publish(1, 1, "quillback/k2", "141.5"),
        publish(0, 0, "quillback/k2", "142.5"),
        vec![0xc0, 0],
        vec![0x82, 8, 0, 9, 0, 3, b'a', b'/', b'#', 1],
        vec![0xa2, 7, 0, 10, 0, 3, b'a', b'/', b'#'],
        publish(1, 2, "quillback/none", "143.5"),
        vec![0xe0, 0],
    ]
    .concat();
    for piece in [1, 2, 3, 7, all.len()] {
        let mut stream = barn.raw().await;
        stream.set_nodelay(true).unwrap();
        for bytes in all.chunks(piece) {
            stream.write_all(bytes).await.unwrap();
            tokio::task::yield_now().await;
        }
        let said = read_to_end(&mut stream).await;
        assert!(said.starts_with(&[0x20, 2, 0, 0]), "{said:02x?}");
        for answer in [&[0xd0, 0][..], &[0x90, 3, 0, 9, 0], &[0xb0, 2, 0, 10]] {
            assert!(
                said.windows(answer.len()).any(|window| window == answer),
                "{answer:02x?} in {said:02x?}"
            );
        }
    }
    until("all readings", || barn.values().len() == 10).await;
}
