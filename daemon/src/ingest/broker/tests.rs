//! The client against a real mosquitto, and against a broker written by hand that loses its session.

use std::net::{SocketAddr, TcpListener as StdListener};
use std::path::PathBuf;
use std::process::{Child, Command as Process, Stdio};
use std::sync::Mutex;
use std::sync::atomic::{AtomicBool, AtomicU16, Ordering};

use bytes::BytesMut;
use heapward_rules::ids::ProbeId;
use heapward_rules::reading::{Quantity, Unit};
use heapward_rules::units::{At, Span};
use rumqttc::mqttbytes::QoS;
use rumqttc::mqttbytes::v4::{ConnAck, ConnectReturnCode, Packet, Publish, SubAck, SubscribeReasonCode};
use rumqttc::{AsyncClient, Event, MqttOptions};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::oneshot;
use tokio::time::{Instant, timeout};

use crate::clock::{Clock as _, SystemClock};
use crate::config::{self, BrokerConfig, ProbeConfig, Secret, TimeFormat};
use crate::ingest::status::BrokerStatus;
use crate::ingest::{Ingest, IngestHandle, Parts, start};
use crate::limits::BROKER_PAUSE_MIN;
use crate::recorder::{Ack, Command, Handle};
use crate::telling::publish::Publish as _;

use super::*;

mod hard;
mod tls;

const FARM: &str = "quillback";

/// A mosquitto of our own; it is killed when dropped.
struct Mosquitto {
    dir: tempfile::TempDir,
    port: u16,
    process: Option<Child>,
}

/// Ingest with a broker, and a recorder that keeps every reading.
struct Barn {
    ingest: IngestHandle,
    kept: Arc<Mutex<Vec<(String, f64, At)>>>,
    commits: Arc<AtomicBool>,
    acks: Arc<Mutex<Vec<Ack>>>,
    stop: oneshot::Sender<()>,
    at_work: Ingest,
}

/// A port that stays free while a broker restarts: below those that the system picks for the near end of connections,
/// and each process, which is each test, has 16 of its own.
fn free_port() -> u16 {
    static NEXT: AtomicU16 = AtomicU16::new(0);
    let first = 12_000 + u16::try_from(std::process::id() % 500).unwrap() * 16;
    let mut ports = (0..16).map(|_| first + NEXT.fetch_add(1, Ordering::Relaxed) % 16);
    ports.find(|port| StdListener::bind(("127.0.0.1", *port)).is_ok()).unwrap()
}

// === impl Mosquitto ===

impl Mosquitto {
    async fn start(more: &str) -> Mosquitto {
        let mut broker = Mosquitto::prepared(more);
        broker.up().await;
        broker
    }

    /// With its configuration written, in which DIR stands for its folder.
    fn prepared(more: &str) -> Mosquitto {
        let broker = Mosquitto { dir: tempfile::tempdir().unwrap(), port: free_port(), process: None };
        let dir = broker.dir.path().display();
        let conf = format!(
            "listener {} 127.0.0.1\npersistence true\npersistence_location {dir}/\nautosave_interval 1\n\
             max_queued_messages 100000\nmax_inflight_messages 1000\nuser root\n{more}\n",
            broker.port
        );
        let dir = broker.dir.path().display().to_string();
        std::fs::write(broker.conf(), conf.replace("DIR", &dir)).unwrap();
        broker
    }

    fn conf(&self) -> PathBuf {
        self.dir.path().join("mosquitto.conf")
    }

    async fn up(&mut self) {
        let log = std::fs::File::create(self.dir.path().join("log")).unwrap();
        let run =
            Process::new("mosquitto").arg("-c").arg(self.conf()).stdout(Stdio::null()).stderr(log).spawn();
        self.process = Some(run.expect("mosquitto is missing: apt-get install mosquitto"));
        let began = Instant::now();
        while TcpStream::connect(("127.0.0.1", self.port)).await.is_err() {
            let log = || std::fs::read_to_string(self.dir.path().join("log")).unwrap_or_default();
            assert!(began.elapsed() < Duration::from_secs(10), "mosquitto does not come up: {}", log());
            sleep(Duration::from_millis(20)).await;
        }
    }

    fn signal(&self, signal: &str) {
        let pid = self.process.as_ref().unwrap().id().to_string();
        assert!(Process::new("kill").args([signal, pid.as_str()]).status().unwrap().success());
    }

    /// Ends it and waits for it: SIGTERM saves its state, SIGKILL does not.
    fn down(&mut self, signal: &str) {
        self.signal(signal);
        let _ = self.process.take().unwrap().wait();
    }

    fn config(&self) -> BrokerConfig {
        BrokerConfig {
            host: "127.0.0.1".to_owned(),
            port: self.port,
            tls: None,
            client_id: "heapward-test".to_owned(),
            user: None,
            password: None,
        }
    }

    /// Publishes numbered readings of k1 with times of their own, and waits for all acknowledgements.
    async fn publish(&self, numbers: std::ops::Range<i32>) {
        let payloads = numbers.map(|n| {
            let at = *START + i64::from(n) * 1_000;
            (format!("{FARM}/k1"), format!(r#"{{"c":{n},"t":{at}}}"#))
        });
        self.publish_all(payloads.collect(), QoS::AtLeastOnce, false).await;
    }

    async fn publish_all(&self, messages: Vec<(String, String)>, qos: QoS, retain: bool) {
        let mut options = MqttOptions::new("gate", "127.0.0.1", self.port);
        options.set_max_packet_size(16_000_000, 16_000_000);
        let (client, mut events) = AsyncClient::new(options, messages.len() + 1);
        let count = messages.len();
        for (topic, payload) in messages {
            client.try_publish(topic, qos, retain, payload).unwrap();
        }
        let (mut acked, mut sent) = (0, 0);
        while acked.max(if qos == QoS::AtMostOnce { sent } else { 0 }) < count {
            match timeout(Duration::from_secs(20), events.poll()).await.expect("published").unwrap() {
                Event::Incoming(Packet::PubAck(_)) => acked += 1,
                Event::Outgoing(rumqttc::Outgoing::Publish(_)) => sent += 1,
                _ => {}
            }
        }
    }
}

impl Drop for Mosquitto {
    fn drop(&mut self) {
        if let Some(process) = &mut self.process {
            let _ = process.kill();
            let _ = process.wait();
        }
    }
}

// === impl Barn ===

/// All readings of these tests are dated from here on: a day before the test.
static START: std::sync::LazyLock<i64> =
    std::sync::LazyLock::new(|| (SystemClock::new(true).now() - Span::days(1)).0);

fn probes() -> Vec<ProbeConfig> {
    let probe = |id: &str, timed: bool| ProbeConfig {
        id: ProbeId::new(id),
        quantity: Quantity::Temperature,
        topic: format!("{FARM}/{id}"),
        every: Span::minutes(1),
        mapping: config::Mapping {
            value: if timed { "/c".to_owned() } else { String::new() },
            unit: Some(Unit::Celsius),
            time: timed.then(|| "/t".to_owned()),
            time_format: TimeFormat::EpochMillis,
            ..config::Mapping::default()
        },
    };
    vec![probe("k1", true), probe("k2", false)]
}

fn barn(config: BrokerConfig) -> Barn {
    let (recorder, mut commands) = Handle::new(4_096);
    let (kept, acks) = (Arc::<Mutex<Vec<_>>>::default(), Arc::<Mutex<Vec<Ack>>>::default());
    let commits = Arc::new(AtomicBool::new(true));
    let (keeping, piling, committing) = (Arc::clone(&kept), Arc::clone(&acks), Arc::clone(&commits));
    tokio::spawn(async move {
        while let Some(command) = commands.recv().await {
            if let Command::Readings { readings, acks } = command {
                keeping.lock().unwrap().extend(readings.iter().map(|r| (r.probe.to_string(), r.value, r.at)));
                if committing.load(Ordering::SeqCst) {
                    Ack::settle_all(acks, true);
                } else {
                    piling.lock().unwrap().extend(acks);
                }
            }
        }
    });
    let (stop, stopped) = oneshot::channel();
    let clock = Arc::new(SystemClock::new(true));
    let parts = Parts {
        clock,
        recorder,
        probes: probes(),
        newest: At::MIN,
        endpoint: None,
        sessions: None,
        broker: Some(config),
    };
    let at_work = start(parts, async move { drop(stopped.await) }).unwrap();
    Barn { ingest: at_work.handle(), kept, commits, acks, stop, at_work }
}

impl Barn {
    fn status(&self) -> BrokerStatus {
        self.ingest.status().broker.unwrap()
    }

    /// The different values kept, in order.
    fn values(&self) -> Vec<i32> {
        let mut values: Vec<i32> = self
            .kept
            .lock()
            .unwrap()
            .iter()
            .map(|(_, value, _)| value.to_string().parse().unwrap())
            .collect();
        values.sort_unstable();
        values.dedup();
        values
    }

    fn trouble(&self) -> String {
        self.status().trouble.unwrap_or_default()
    }

    async fn stop(self) {
        self.stop.send(()).unwrap();
        timeout(Duration::from_secs(5), self.at_work.finished()).await.expect("stopped");
    }
}

async fn until(what: &str, mut is_so: impl FnMut() -> bool) {
    let began = Instant::now();
    while !is_so() {
        assert!(began.elapsed() < Duration::from_secs(20), "{what}");
        sleep(Duration::from_millis(10)).await;
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn what_the_broker_kept_while_we_were_away_comes_once_we_are_back() {
    let broker = Mosquitto::start("allow_anonymous true").await;
    let here = barn(broker.config());
    until("connected", || here.status().connected).await;
    broker.publish(0..100).await;
    until("live readings", || here.values().len() == 100).await;
    here.stop().await;
    broker.publish(100..3_000).await;
    let back = barn(broker.config());
    until("the backlog", || back.values().len() == 2_900).await;
    assert_eq!(back.values(), (100..3_000).collect::<Vec<_>>());
    back.stop().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn nothing_is_acknowledged_before_its_commit() {
    let broker = Mosquitto::start("allow_anonymous true").await;
    let here = barn(broker.config());
    here.commits.store(false, Ordering::SeqCst);
    until("connected", || here.status().connected).await;
    broker.publish(0..50).await;
    until("handed in", || here.acks.lock().unwrap().len() == 50).await;
    // Killed before the commit: the acknowledgements never come.
    here.stop().await;
    let back = barn(broker.config());
    until("delivered again", || back.values().len() == 50).await;
    back.stop().await;
    let empty = barn(broker.config());
    until("connected", || empty.status().connected).await;
    sleep(Duration::from_millis(500)).await;
    assert!(empty.values().is_empty());
    empty.stop().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_reading_that_could_not_be_kept_is_delivered_again() {
    let broker = Mosquitto::start("allow_anonymous true").await;
    let here = barn(broker.config());
    until("connected", || here.status().connected).await;
    here.commits.store(false, Ordering::SeqCst);
    broker.publish(0..10).await;
    until("handed in", || here.acks.lock().unwrap().len() == 10).await;
    here.commits.store(true, Ordering::SeqCst);
    Ack::settle_all(std::mem::take(&mut *here.acks.lock().unwrap()), false);
    until("delivered again", || here.kept.lock().unwrap().len() == 20).await;
    assert_eq!(here.status().connections, 2);
    here.stop().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn after_each_restart_of_the_broker_we_subscribe_again() {
    let mut broker = Mosquitto::start("allow_anonymous true").await;
    let here = barn(broker.config());
    until("connected", || here.status().connected).await;
    broker.publish(0..100).await;
    broker.down("-TERM");
    until("noticed", || !here.status().connected).await;
    // A goodbye, or a reset where we were still sending.
    let is_lost = |trouble: &str| {
        ["closed the connection", "broke", "nothing listens"].iter().any(|one| trouble.contains(one))
    };
    assert!(is_lost(&here.trouble()), "{}", here.trouble());
    until("refused", || here.trouble().contains("nothing listens")).await;
    broker.up().await;
    until("connected again", || here.status().connected).await;
    broker.publish(100..200).await;
    until("readings", || here.values().len() == 200).await;
    // The broker loses all it knew of us.
    broker.down("-KILL");
    std::fs::remove_file(broker.dir.path().join("mosquitto.db")).unwrap();
    broker.up().await;
    until("connected a third time", || here.status().connections == 3).await;
    broker.publish(200..300).await;
    until("readings of the new session", || here.values().len() == 300).await;
    here.stop().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn retained_and_late_messages_without_a_time_are_no_readings() {
    let broker = Mosquitto::start("allow_anonymous true").await;
    let here = barn(broker.config());
    until("connected", || here.status().connected).await;
    here.stop().await;
    let k2 = |value: &str| (format!("{FARM}/k2"), value.to_owned());
    broker.publish_all(vec![k2("10")], QoS::AtLeastOnce, true).await;
    broker.publish_all(vec![k2("11"), k2("12"), k2("13")], QoS::AtLeastOnce, false).await;
    let back = barn(broker.config());
    until("the last of the backlog", || !back.values().is_empty()).await;
    sleep(Duration::from_secs(2)).await;
    assert_eq!(back.values(), [13]);
    let counts = back.ingest.status().counts;
    assert_eq!((counts.readings, counts.retained, counts.undated), (1, 1, 3), "{counts:?}");
    broker.publish_all(vec![k2("14"), k2("15")], QoS::AtLeastOnce, false).await;
    until("live again", || back.values() == [13, 14, 15]).await;
    back.stop().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_new_probe_needs_no_restart() {
    let broker = Mosquitto::start("allow_anonymous true").await;
    let here = barn(broker.config());
    until("connected", || here.status().connected).await;
    let mut more = probes();
    more[1].topic = "elsewhere/k2".to_owned();
    here.ingest.set_probes(&more).unwrap();
    let mut n = 0;
    let began = Instant::now();
    while here.values().is_empty() {
        assert!(began.elapsed() < Duration::from_secs(10));
        n += 1;
        broker.publish_all(vec![("elsewhere/k2".to_owned(), n.to_string())], QoS::AtLeastOnce, false).await;
        sleep(Duration::from_millis(100)).await;
    }
    here.stop().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn passwords_and_names_that_are_wrong_are_told_apart() {
    let mut broker = Mosquitto::prepared("allow_anonymous false\npassword_file DIR/passwords");
    // The file is written by mosquitto's own program.
    let made = Process::new("mosquitto_passwd")
        .args(["-b", "-c"])
        .arg(broker.dir.path().join("passwords"))
        .args(["heapward", "heron"])
        .status();
    assert!(made.expect("mosquitto_passwd is missing: apt-get install mosquitto").success());
    broker.up().await;
    let with = |user: &str, password: &str| BrokerConfig {
        user: Some(user.to_owned()),
        password: Some(Secret::new(password)),
        ..broker.config()
    };
    let table = [
        (with("heapward", "plover"), "refuses user and password"),
        (broker.config(), "refuses user and password"),
        (BrokerConfig { host: "no-such-barn.invalid".to_owned(), ..broker.config() }, "is not known"),
        (BrokerConfig { port: free_port(), ..broker.config() }, "nothing listens"),
    ];
    for (config, sentence) in table {
        let here = barn(config);
        until(sentence, || here.trouble().contains(sentence)).await;
        here.stop().await;
    }
    let here = barn(with("heapward", "heron"));
    until("connected", || here.status().connected).await;
    here.stop().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_message_of_our_own_is_acknowledged_by_the_broker() {
    let broker = Mosquitto::start("allow_anonymous true").await;
    let here = barn(broker.config());
    let publisher = here.ingest.publisher();
    until("connected", || here.status().connected).await;
    for n in 0..150 {
        publisher.publish("heapward/lamp", n.to_string().into_bytes()).await.unwrap();
    }
    publisher.state("heapward/state", "awake");
    let heard = || {
        let port = broker.port.to_string();
        let args = ["-h", "127.0.0.1", "-p", port.as_str(), "-t", "heapward/#", "-C", "2", "-W", "5", "-v"];
        let run = Process::new("mosquitto_sub").args(args).output();
        String::from_utf8(run.expect("mosquitto_sub is missing: apt-get install mosquitto-clients").stdout)
            .unwrap()
    };
    let said = heard();
    assert!(said.contains("heapward/state awake") && said.contains("heapward/status online"), "{said}");
    here.stop().await;
    let said = heard();
    assert!(said.contains("heapward/status offline"), "{said}");
}

/// One connection of the broker by hand: lets a client in, and answers its subscription.
async fn accept(listener: &TcpListener, session_present: bool) -> (TcpStream, BytesMut) {
    let (mut stream, _) =
        timeout(Duration::from_secs(10), listener.accept()).await.expect("a connection").unwrap();
    let mut input = BytesMut::new();
    let mut output = BytesMut::new();
    assert!(
        matches!(next(&mut stream, &mut input).await, Some(Packet::Connect(connect)) if !connect.clean_session)
    );
    Packet::ConnAck(ConnAck::new(ConnectReturnCode::Success, session_present))
        .write(&mut output, 1_024)
        .unwrap();
    stream.write_all(&output).await.unwrap();
    loop {
        if let Some(Packet::Subscribe(subscribe)) = next(&mut stream, &mut input).await {
            output.clear();
            let codes = vec![SubscribeReasonCode::Success(QoS::AtLeastOnce); subscribe.filters.len()];
            Packet::SubAck(SubAck::new(subscribe.pkid, codes)).write(&mut output, 1_024).unwrap();
            stream.write_all(&output).await.unwrap();
            return (stream, input);
        }
    }
}

async fn next(stream: &mut TcpStream, input: &mut BytesMut) -> Option<Packet> {
    loop {
        if let Ok(packet) = Packet::read(input, 64 * 1_024) {
            return Some(packet);
        }
        if stream.read_buf(input).await.unwrap_or(0) == 0 {
            return None;
        }
    }
}

async fn deliver(stream: &mut TcpStream, packet_id: u16, number: i32) {
    let payload = format!(r#"{{"c":{number},"t":{}}}"#, *START + i64::from(number));
    let mut message = Publish::new(format!("{FARM}/k1"), QoS::AtLeastOnce, payload);
    message.pkid = packet_id;
    let mut output = BytesMut::new();
    Packet::Publish(message).write(&mut output, 1_024).unwrap();
    stream.write_all(&output).await.unwrap();
}

/// The next PUBACK within a time.
async fn puback(stream: &mut TcpStream, input: &mut BytesMut, within: Duration) -> Option<u16> {
    let answer = async {
        loop {
            match next(stream, input).await {
                Some(Packet::PubAck(ack)) => return Some(ack.pkid),
                Some(_) => {}
                None => return None,
            }
        }
    };
    timeout(within, answer).await.unwrap_or(None)
}

#[tokio::test(flavor = "multi_thread")]
async fn an_acknowledgement_of_a_lost_session_is_never_sent_for_another_message() {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address: SocketAddr = listener.local_addr().unwrap();
    let here = barn(BrokerConfig {
        host: "127.0.0.1".to_owned(),
        port: address.port(),
        tls: None,
        client_id: "heapward-test".to_owned(),
        user: None,
        password: None,
    });
    here.commits.store(false, Ordering::SeqCst);
    let (mut first, _) = accept(&listener, false).await;
    deliver(&mut first, 1, 100).await;
    until("the first message", || here.acks.lock().unwrap().len() == 1).await;
    drop(first);
    // The session is lost: packet id 1 is another message now, and that one is not committed yet.
    let (mut second, mut input) = accept(&listener, false).await;
    deliver(&mut second, 1, 200).await;
    until("the second message", || here.acks.lock().unwrap().len() == 2).await;
    let of_first = here.acks.lock().unwrap().remove(0);
    of_first.settle(true);
    assert_eq!(puback(&mut second, &mut input, Duration::from_secs(1)).await, None);
    let of_second = here.acks.lock().unwrap().remove(0);
    of_second.settle(true);
    assert_eq!(puback(&mut second, &mut input, Duration::from_secs(5)).await, Some(1));
    here.stop().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_broker_that_throws_us_out_again_and_again_is_a_second_program_with_our_id() {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let port = listener.local_addr().unwrap().port();
    let here = barn(BrokerConfig {
        host: "127.0.0.1".to_owned(),
        port,
        tls: None,
        client_id: "heapward-test".to_owned(),
        user: None,
        password: None,
    });
    for _ in 0..3 {
        let (stream, _) = accept(&listener, true).await;
        drop(stream);
    }
    until("recognised", || here.trouble().contains("client id `heapward-test`")).await;
    // Now it leaves the other one alone for minutes.
    let knock = timeout(BROKER_PAUSE_MIN * 10, listener.accept()).await;
    assert!(knock.is_err());
    here.stop().await;
}
