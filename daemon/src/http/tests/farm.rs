//! Quillback Farm with a real store and recorder, and a client that speaks plain TCP.

use std::net::SocketAddr;
use std::path::PathBuf;
use std::sync::{Arc, Mutex};

use chrono::NaiveTime;
use heapward_rules::ids::{ProbeId, StandardId};
use heapward_rules::reading::{Quantity, Unit};
use heapward_rules::units::{At, Span};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{Notify, oneshot};

use crate::clock::ManualClock;
use crate::config::{
    Config, DisplayUnit, Farm, HttpConfig, Mapping, ProbeConfig, StoreConfig, TellingConfig, WatchConfig,
};
use crate::http::{App, IngestStatus, Keys, TellingStatus, serve};
use crate::ingest;
use crate::ingest::book::Book;
use crate::model::pile::{PileRecord, PlacementRecord, SettingsRecord, SpotRecord};
use crate::model::reading::{DatedBy, DatedReading};
use crate::recorder::{Handle, Parts, ProbeFacts, Probes, Recorder, Refusal};
use crate::standards;
use crate::store::{Reader, StoreOptions};
use crate::telling::policy::Teller;
use crate::telling::signs::Signs;
use crate::telling::trouble::Vitals;
use crate::telling::unwritten::Unwritten;
use crate::telling::wording::Site;

/// 2026-05-01T15:00:00Z, the hour in which the first pile is built.
pub(super) const BUILT: At = At(1_777_647_600_000);

/// A running server with everything that tests look at.
pub(super) struct TestFarm {
    pub(super) at: SocketAddr,
    pub(super) clock: Arc<ManualClock>,
    pub(super) handle: Handle,
    pub(super) keys: Keys,
    pub(super) probes: Book,
    pub(super) reader: Reader,
    pub(super) app: App,
    /// How messages come in, as the pages say it.
    pub(super) ingest: Arc<Mutex<IngestStatus>>,
    pub(super) stop: Option<oneshot::Sender<()>>,
    pub(super) served: tokio::task::JoinHandle<()>,
    thread: Option<std::thread::JoinHandle<()>>,
    _dir: tempfile::TempDir,
}

/// An answer as it came over the wire.
#[derive(Debug)]
pub(super) struct Reply {
    pub(super) status: u16,
    pub(super) head: String,
    /// As it is read: without what keeps lines from breaking.
    pub(super) body: String,
    pub(super) served: String,
}

impl TestFarm {
    pub(super) async fn new() -> TestFarm {
        TestFarm::with(|_| {}).await
    }

    pub(super) async fn with(change: impl FnOnce(&mut Config)) -> TestFarm {
        TestFarm::on(change, |_| {}).await
    }

    /// On a disk of the test's own.
    pub(super) async fn on(
        change: impl FnOnce(&mut Config),
        lay: impl FnOnce(&mut StoreOptions),
    ) -> TestFarm {
        let dir = tempfile::tempdir().unwrap();
        let mut config = config(dir.path().to_owned());
        change(&mut config);
        let clock = Arc::new(ManualClock::new(BUILT));
        let (handle, commands) = Handle::new(64);
        let mut parts = parts(&config, clock.clone());
        lay(&mut parts.store);
        let (recorder, _) = Recorder::open(parts, handle.clone()).unwrap();
        let reader = recorder.reader();
        let runtime = tokio::runtime::Handle::current();
        let thread = std::thread::spawn(move || recorder.run(&runtime, commands));
        let probes = book(&config, clock.clone(), handle.clone());
        let ingest = Arc::new(Mutex::new(IngestStatus::default()));
        let shown = Arc::clone(&ingest);
        let app = App {
            config: Arc::new(config),
            clock: clock.clone(),
            handle: handle.clone(),
            reader: reader.clone(),
            standards: Arc::new(standards::built_in().unwrap()),
            ingest: Arc::new(move || shown.lock().unwrap().clone()),
            telling: Arc::new(TellingStatus::default),
            probes: probes.clone(),
        };
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let at = listener.local_addr().unwrap();
        let (stop, stopped) = oneshot::channel();
        let served = tokio::spawn(serve(listener, app.clone(), async {
            let _ = stopped.await;
        }));
        let keys = Keys::new(dir.path());
        TestFarm {
            at,
            clock,
            handle,
            keys,
            probes,
            reader,
            app,
            ingest,
            stop: Some(stop),
            served,
            thread: Some(thread),
            _dir: dir,
        }
    }

    /// Sends a request as it stands and reads until the server closes.
    pub(super) async fn raw(&self, request: &str) -> Reply {
        let mut stream = TcpStream::connect(self.at).await.unwrap();
        stream.write_all(request.as_bytes()).await.unwrap();
        let mut bytes = Vec::new();
        let _ = stream.read_to_end(&mut bytes).await;
        Reply::read(&String::from_utf8_lossy(&bytes))
    }

    pub(super) async fn ask(
        &self,
        method: &str,
        target: &str,
        headers: &[(&str, &str)],
        body: &str,
    ) -> Reply {
        let mut head = format!("{method} {target} HTTP/1.1\r\nHost: {}\r\n", self.at);
        for &(name, value) in headers {
            head.extend([name, ": ", value, "\r\n"]);
        }
        if !body.is_empty() || method == "POST" {
            head.extend(["Content-Length: ", &body.len().to_string(), "\r\n"]);
        }
        self.raw(&format!("{head}\r\n{body}")).await
    }

    pub(super) async fn get(&self, target: &str) -> Reply {
        self.ask("GET", target, &[], "").await
    }

    /// Posts JSON with a script's pass.
    pub(super) async fn post(&self, target: &str, body: &serde_json::Value) -> Reply {
        let pass = self.keys.make_pass("OM", BUILT).unwrap();
        let bearer = format!("Bearer {pass}");
        let headers = [("Authorization", bearer.as_str()), ("Content-Type", "application/json")];
        self.ask("POST", target, &headers, &body.to_string()).await
    }

    /// Pile `2026-03` with four spots, a probe in each.
    pub(super) async fn with_pile(&self) {
        let spot = |name: &str, zone: &str| SpotRecord {
            name: name.to_owned(),
            zone: zone.to_owned(),
            depth_in: Some(18.0),
            watched_only: false,
        };
        let spots = vec![
            spot("core-north", "core"),
            spot("core-south", "core"),
            spot("outer-north", "outer"),
            spot("outer-south", "outer"),
        ];
        let pile = PileRecord {
            id: "2026-03".to_owned(),
            bay: Some("2".to_owned()),
            method: "aerated-static".to_owned(),
            material: "manure".to_owned(),
            built_ms: BUILT.0,
            initial_cn: Some(30.0),
            recipe: None,
            standards: vec!["us-organic".to_owned()],
            spots: spots.clone(),
            placements: Vec::new(),
            settings: SettingsRecord::default(),
        };
        self.handle.start_pile(pile, "OM".to_owned()).await.unwrap();
        for (n, spot) in spots.into_iter().enumerate() {
            let placement = PlacementRecord {
                probe: format!("k{}", n + 1),
                spot: spot.name,
                from_ms: BUILT.0,
                until_ms: None,
                every_ms: 60_000,
                offset_c: 0.0,
            };
            self.handle.place("2026-03".to_owned(), placement, "OM".to_owned()).await.unwrap();
        }
    }

    /// Readings of a probe from the building on, one a step, judged when this returns.
    pub(super) async fn readings(&self, probe: &str, step: Span, values: impl IntoIterator<Item = f64>) {
        self.readings_from(probe, BUILT, step, values).await;
    }

    pub(super) async fn readings_from(
        &self,
        probe: &str,
        from: At,
        step: Span,
        values: impl IntoIterator<Item = f64>,
    ) {
        self.says(probe, (Quantity::Temperature, Unit::Fahrenheit), from, step, values).await;
    }

    /// Readings of anything that a probe measures.
    pub(super) async fn says(
        &self,
        probe: &str,
        (quantity, unit): (Quantity, Unit),
        from: At,
        step: Span,
        values: impl IntoIterator<Item = f64>,
    ) {
        let reading = |(n, value)| DatedReading {
            probe: ProbeId::new(probe),
            quantity,
            unit,
            at: from + Span(step.0 * n),
            value,
            dated_by: DatedBy::Payload,
        };
        let readings: Vec<DatedReading> = (0..).zip(values).map(reading).collect();
        for some in readings.chunks(500) {
            let (done, kept) = oneshot::channel();
            self.handle
                .readings(some.to_vec(), crate::recorder::Ack::call(move |ok| done.send(ok).unwrap()))
                .await
                .unwrap();
            assert!(kept.await.unwrap());
        }
        self.settled().await;
    }

    /// Waits until everything that was handed in is judged.
    pub(super) async fn settled(&self) {
        assert!(matches!(self.handle.seen("nothing".to_owned()).await, Err(Refusal::Unknown(_))));
    }

    /// Stops server and recorder.
    pub(super) async fn stopped(mut self) {
        let _ = self.stop.take().unwrap().send(());
        (&mut self.served).await.unwrap();
        self.handle.stop().await;
        self.thread.take().unwrap().join().unwrap();
    }
}

impl Reply {
    fn read(text: &str) -> Reply {
        let (head, body) = text.split_once("\r\n\r\n").unwrap_or((text, ""));
        let status = head.split(' ').nth(1).and_then(|status| status.parse().ok()).unwrap_or(0);
        let served = unchunked(head, body);
        let body = as_read(&served);
        Reply { status, head: head.to_ascii_lowercase(), body, served }
    }

    pub(super) fn json(&self) -> serde_json::Value {
        serde_json::from_str(&self.body).unwrap_or_else(|error| panic!("{error}: {self:?}"))
    }

    pub(super) fn header(&self, name: &str) -> Option<&str> {
        let mut lines = self.head.lines().filter_map(|line| line.split_once(": "));
        lines.find(|(key, _)| *key == name).map(|(_, value)| value)
    }
}

/// As people read it: what keeps a line from breaking is not seen.
fn as_read(served: &str) -> String {
    let mut text = served.replace('\u{a0}', " ");
    while let Some((before, rest)) = text.split_once("<span class=\"whole\">") {
        text = format!("{before}{}", rest.replacen("</span>", "", 1));
    }
    text
}

fn unchunked(head: &str, body: &str) -> String {
    if !head.to_ascii_lowercase().contains("transfer-encoding: chunked") {
        return body.to_owned();
    }
    let mut out = String::new();
    let mut rest = body;
    while let Some((size, after)) = rest.split_once("\r\n") {
        let size = usize::from_str_radix(size, 16).unwrap_or(0);
        if size == 0 {
            break;
        }
        out.push_str(&after[..size]);
        rest = &after[size + 2..];
    }
    out
}

pub(super) fn config(dir: PathBuf) -> Config {
    let time = |text| NaiveTime::parse_from_str(text, "%H:%M").unwrap();
    let probe = |id: &str| ProbeConfig {
        id: ProbeId::new(id),
        quantity: Quantity::Temperature,
        topic: format!("barn/{id}"),
        every: Span::minutes(1),
        mapping: Mapping::default(),
    };
    Config {
        farm: Farm {
            name: "Quillback Farm".to_owned(),
            timezone: chrono_tz::America::New_York,
            shows: DisplayUnit::Fahrenheit,
            altitude_ft: None,
            hardware_clock: true,
            standards: vec![StandardId::new("us-organic")],
        },
        store: StoreConfig { dir, commit_every: Span::seconds(1) },
        endpoint: None,
        broker: None,
        http: HttpConfig { listen: "127.0.0.1:0".parse().unwrap(), open_reading: true, hosts: Vec::new() },
        probes: ["k1", "k2", "k3", "k4"].map(probe).into(),
        telling: TellingConfig {
            quiet_from: time("21:00"),
            quiet_until: time("06:00"),
            summary_at: time("06:30"),
            remind_after: Span::hours(2),
            channels: Vec::new(),
            contacts: Vec::new(),
            heartbeat: None,
        },
        watch: WatchConfig::default(),
        standards_dir: None,
        feedstocks: None,
        backup: None,
        text: String::new(),
    }
}

/// Ingest without a way in: messages that nobody reads are put on its board by hand.
fn book(config: &Config, clock: Arc<ManualClock>, recorder: Handle) -> Book {
    let parts = ingest::Parts {
        clock,
        recorder: recorder.clone(),
        probes: config.probes.clone(),
        newest: At::MIN,
        endpoint: None,
        sessions: None,
        broker: None,
    };
    let ingest = ingest::start(parts, std::future::pending()).unwrap().handle();
    Book::new(ingest, recorder, config.farm.timezone, config.probes.clone(), Vec::new())
}

fn parts(config: &Config, clock: Arc<ManualClock>) -> Parts {
    let zone = config.farm.timezone;
    let site = Site { farm: config.farm.name.clone(), zone, shows: config.farm.shows, page: None };
    Parts {
        signs: Signs::new(clock.clone(), &[]),
        vitals: Vitals::default(),
        unwritten: Unwritten::default(),
        store: StoreOptions::new(&config.store.dir, zone),
        clock,
        zone,
        commit_every: Span::ZERO,
        standards: standards::built_in().unwrap(),
        probes: Probes::from([(
            ProbeId::new("blower"),
            ProbeFacts { quantity: Quantity::Blower, on_above: 5.0, calibration: Vec::new() },
        )]),
        probes_kept: |_, _| Probes::new(),
        watch: config.watch.clone(),
        teller: Teller::new(site, &config.telling),
        outbox: Arc::new(Notify::new()),
    }
}
