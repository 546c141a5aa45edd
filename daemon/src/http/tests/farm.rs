//! Quillback Farm in memory: records and a recorder for tests of the pages, and a client that speaks plain TCP.

use std::collections::BTreeMap;
use std::net::SocketAddr;
use std::path::PathBuf;
use std::sync::{Arc, Mutex};

use chrono::NaiveTime;
use heapward_rules::finding::Finding;
use heapward_rules::ids::{PileId, ProbeId, SpotName, StandardId};
use heapward_rules::judge::Judge;
use heapward_rules::log::{LogEntry, LogEvent};
use heapward_rules::pile::{Pile, Placement, Settings, Spot};
use heapward_rules::reading::{Quantity, Reading, Source, Unit};
use heapward_rules::units::{At, Span};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{mpsc, oneshot};

use crate::clock::ManualClock;
use crate::config::{
    Config, DisplayUnit, Farm, HttpConfig, Mapping, ProbeConfig, StoreConfig, TellingConfig,
};
use crate::http::records::{Bucket, Latest, Records, RecordsError};
use crate::http::{App, IngestStatus, Keys, TellingStatus, serve};
use crate::model::entry::{Entry, Event, NewEntry};
use crate::model::incident::Incident;
use crate::model::message::OutboxMessage;
use crate::model::pile::{PileRecord, PlacementRecord, SpotRecord};
use crate::model::reading::{SeriesKey, parse_unit};
use crate::model::words::{parse_material, parse_method, parse_zone};
use crate::recorder::{Command, Handle, PileView, Refusal};
use crate::standards;

/// 2026-05-01T15:00:00Z, the hour in which the first pile is built.
pub(super) const BUILT: At = At(1_777_647_600_000);

#[derive(Default)]
pub(super) struct Memory {
    readings: Mutex<BTreeMap<SeriesKey, Vec<(At, f64)>>>,
    entries: Mutex<Vec<Entry>>,
    pub(super) incidents: Mutex<Vec<Incident>>,
    pub(super) messages: Mutex<Vec<OutboxMessage>>,
}

/// A running server with everything that tests look at.
pub(super) struct TestFarm {
    pub(super) at: SocketAddr,
    pub(super) clock: Arc<ManualClock>,
    pub(super) memory: Arc<Memory>,
    pub(super) handle: Handle,
    pub(super) keys: Keys,
    pub(super) open: Arc<Mutex<Vec<Finding>>>,
    pub(super) stop: Option<oneshot::Sender<()>>,
    pub(super) served: tokio::task::JoinHandle<()>,
    _dir: tempfile::TempDir,
}

/// An answer as it came over the wire.
#[derive(Debug)]
pub(super) struct Reply {
    pub(super) status: u16,
    pub(super) head: String,
    pub(super) body: String,
}

impl TestFarm {
    pub(super) async fn new() -> TestFarm {
        TestFarm::with(|_| {}).await
    }

    pub(super) async fn with(change: impl FnOnce(&mut Config)) -> TestFarm {
        let dir = tempfile::tempdir().unwrap();
        let mut config = config(dir.path().to_owned());
        change(&mut config);
        let clock = Arc::new(ManualClock::new(BUILT));
        let memory = Arc::new(Memory::default());
        let open = Arc::new(Mutex::new(Vec::new()));
        let (handle, commands) = Handle::new(64);
        tokio::spawn(record(commands, handle.clone(), Arc::clone(&memory), Arc::clone(&open)));
        let app = App {
            config: Arc::new(config),
            clock: clock.clone(),
            handle: handle.clone(),
            records: memory.clone(),
            standards: Arc::new(standards::built_in().unwrap()),
            ingest: Arc::new(IngestStatus::default),
            telling: Arc::new(TellingStatus::default),
        };
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let at = listener.local_addr().unwrap();
        let (stop, stopped) = oneshot::channel();
        let served = tokio::spawn(serve(listener, app, async {
            let _ = stopped.await;
        }));
        let keys = Keys::new(dir.path());
        TestFarm { at, clock, memory, handle, keys, open, stop: Some(stop), served, _dir: dir }
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
        for (name, value) in headers {
            head.push_str(&format!("{name}: {value}\r\n"));
        }
        if !body.is_empty() || method == "POST" {
            head.push_str(&format!("Content-Length: {}\r\n", body.len()));
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
            standards: vec!["us-organic".to_owned()],
            spots: spots.clone(),
            placements: Vec::new(),
            settings: Default::default(),
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

    /// Readings of a probe from the building on, one a step, and a judgement of them.
    pub(super) async fn readings(&self, probe: &str, step: Span, values: impl IntoIterator<Item = f64>) {
        let key =
            SeriesKey { probe: ProbeId::new(probe), quantity: Quantity::Temperature, unit: Unit::Fahrenheit };
        let values = values.into_iter().zip(0..).map(|(value, n)| (BUILT + Span(step.0 * n), value));
        self.memory.readings.lock().unwrap().entry(key).or_default().extend(values);
        self.handle.mute("judge".to_owned(), BUILT, String::new()).await.unwrap();
    }
}

impl Reply {
    fn read(text: &str) -> Reply {
        let (head, body) = text.split_once("\r\n\r\n").unwrap_or((text, ""));
        let status = head.split(' ').nth(1).and_then(|status| status.parse().ok()).unwrap_or(0);
        Reply { status, head: head.to_ascii_lowercase(), body: unchunked(head, body) }
    }

    pub(super) fn json(&self) -> serde_json::Value {
        serde_json::from_str(&self.body).unwrap_or_else(|error| panic!("{error}: {self:?}"))
    }

    pub(super) fn header(&self, name: &str) -> Option<&str> {
        let mut lines = self.head.lines().filter_map(|line| line.split_once(": "));
        lines.find(|(key, _)| *key == name).map(|(_, value)| value)
    }
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
        standards_dir: None,
    }
}

/// Keeps what it is told in memory and judges it as a whole.
async fn record(
    mut commands: mpsc::Receiver<Command>,
    handle: Handle,
    memory: Arc<Memory>,
    open: Arc<Mutex<Vec<Finding>>>,
) {
    let mut piles: BTreeMap<String, PileRecord> = BTreeMap::new();
    while let Some(command) = commands.recv().await {
        match command {
            Command::StartPile { pile, reply, .. } if piles.contains_key(&pile.id) => {
                let _ = reply.send(Err(Refusal::Conflict(format!("there is a pile {} already", pile.id))));
            }
            Command::StartPile { pile, reply, .. } => {
                piles.insert(pile.id.clone(), pile.clone());
                let _ = reply.send(Ok(pile));
            }
            Command::Place { pile, placement, reply, .. } => {
                let pile = piles.get_mut(&pile).unwrap();
                let ends = |one: &&mut PlacementRecord| {
                    one.until_ms.is_none() && (one.probe == placement.probe || one.spot == placement.spot)
                };
                for former in pile.placements.iter_mut().filter(ends) {
                    former.until_ms = Some(placement.from_ms);
                }
                pile.placements.push(placement);
                let _ = reply.send(Ok(pile.clone()));
            }
            Command::Enter { entry, reply } => {
                let entry = memory.keep(entry);
                let _ = reply.send(Ok(entry));
            }
            Command::Seen { reply, .. } | Command::Mute { reply, .. } => {
                let _ = reply.send(Ok(()));
            }
            _ => {}
        }
        for pile in piles.values() {
            handle.show(memory.judge(pile, &open.lock().unwrap()));
        }
    }
}

impl Memory {
    fn keep(&self, entry: NewEntry) -> Entry {
        let mut entries = self.entries.lock().unwrap();
        let entry = Entry { seq: entries.len() as u64 + 1, prev: "0".repeat(64), entry };
        entries.push(entry.clone());
        entry
    }

    fn judge(&self, pile: &PileRecord, open: &[Finding]) -> PileView {
        let known = standards::built_in().unwrap();
        let chosen = pile.standards.iter().map(|id| known[&StandardId::new(id.as_str())].clone()).collect();
        let mut readings: Vec<Reading> = Vec::new();
        for (series, values) in self.readings.lock().unwrap().iter() {
            let source = Source::Probe(series.probe.clone());
            readings.extend(values.iter().map(|(at, value)| Reading {
                at: *at,
                source: source.clone(),
                value: *value,
                unit: series.unit,
            }));
        }
        let mut log = Vec::new();
        for entry in self.entries.lock().unwrap().iter().map(|entry| &entry.entry) {
            let at = At(entry.at_ms);
            match &entry.event {
                Event::HandReading { spot, value, unit } => readings.push(Reading {
                    at,
                    source: Source::Hand(SpotName::new(spot.as_str())),
                    value: *value,
                    unit: parse_unit(unit).unwrap(),
                }),
                Event::Turned => log.push(LogEntry { at, event: LogEvent::Turned }),
                _ => {}
            }
        }
        let newest = readings.iter().map(|reading| reading.at).max().unwrap_or(BUILT);
        let judge = Judge::of_set(rules_pile(pile), chosen, &log, &readings);
        PileView { pile: pile.clone(), judgement: judge.judgement(), open: open.to_vec(), judged_to: newest }
    }
}

fn rules_pile(pile: &PileRecord) -> Pile {
    Pile {
        id: PileId::new(pile.id.as_str()),
        method: parse_method(&pile.method).unwrap(),
        material: parse_material(&pile.material).unwrap(),
        built: At(pile.built_ms),
        initial_cn: pile.initial_cn,
        standards: pile.standards.iter().map(|id| StandardId::new(id.as_str())).collect(),
        spots: pile
            .spots
            .iter()
            .map(|spot| Spot {
                name: SpotName::new(spot.name.as_str()),
                zone: parse_zone(&spot.zone).unwrap(),
                depth_in: spot.depth_in,
                watched_only: spot.watched_only,
            })
            .collect(),
        placements: pile
            .placements
            .iter()
            .map(|one| Placement {
                probe: ProbeId::new(one.probe.as_str()),
                spot: SpotName::new(one.spot.as_str()),
                from: At(one.from_ms),
                until: one.until_ms.map(At),
                every: Span(one.every_ms),
                offset_c: one.offset_c,
            })
            .collect(),
        settings: Settings::default(),
    }
}

impl Records for Memory {
    fn latest(&self) -> Result<Vec<Latest>, RecordsError> {
        let readings = self.readings.lock().unwrap();
        let newest = readings.iter().filter_map(|(series, values)| {
            values.last().map(|(at, value)| Latest { series: series.clone(), at: *at, value: *value })
        });
        Ok(newest.collect())
    }

    fn range(
        &self,
        series: &SeriesKey,
        from: At,
        to: At,
        limit: usize,
    ) -> Result<Vec<(At, f64)>, RecordsError> {
        let readings = self.readings.lock().unwrap();
        let inside = readings[series].iter().filter(|(at, _)| (from..to).contains(at));
        Ok(inside.take(limit).copied().collect())
    }

    fn buckets(&self, series: &SeriesKey, from: At, to: At, n: usize) -> Result<Vec<Bucket>, RecordsError> {
        let width = (to - from).0 / n as i64;
        let mut buckets: BTreeMap<i64, Vec<f64>> = BTreeMap::new();
        for (at, value) in self.range(series, from, to, usize::MAX)? {
            buckets.entry((at - from).0 / width).or_default().push(value);
        }
        let bucket = |(k, values): (i64, Vec<f64>)| Bucket {
            from: from + Span(k * width),
            minimum: values.iter().copied().fold(f64::INFINITY, f64::min),
            mean: values.iter().sum::<f64>() / values.len() as f64,
            maximum: values.iter().copied().fold(f64::NEG_INFINITY, f64::max),
            count: values.len() as u64,
        };
        Ok(buckets.into_iter().map(bucket).collect())
    }

    fn entries(&self, pile: Option<&str>, after: u64, limit: usize) -> Result<Vec<Entry>, RecordsError> {
        let entries = self.entries.lock().unwrap();
        let of_pile = entries.iter().filter(|one| pile.is_none() || one.entry.pile.as_deref() == pile);
        Ok(of_pile.filter(|one| one.seq > after).take(limit).cloned().collect())
    }

    fn incidents(
        &self,
        pile: Option<&str>,
        after: Option<&str>,
        limit: usize,
    ) -> Result<Vec<Incident>, RecordsError> {
        let incidents = self.incidents.lock().unwrap();
        let mut of_pile: Vec<Incident> =
            incidents.iter().filter(|one| pile.is_none() || one.pile.as_deref() == pile).cloned().collect();
        of_pile.sort_by(|a, b| b.opened_ms.cmp(&a.opened_ms).then(a.id.cmp(&b.id)));
        let begin =
            after.and_then(|after| of_pile.iter().position(|one| one.id == after)).map_or(0, |at| at + 1);
        Ok(of_pile.into_iter().skip(begin).take(limit).collect())
    }

    fn messages(&self, after: Option<&str>, limit: usize) -> Result<Vec<OutboxMessage>, RecordsError> {
        let mut messages = self.messages.lock().unwrap().clone();
        messages.sort_by_key(|one| std::cmp::Reverse(one.created_ms));
        let begin =
            after.and_then(|after| messages.iter().position(|one| one.id == after)).map_or(0, |at| at + 1);
        Ok(messages.into_iter().skip(begin).take(limit).collect())
    }
}
