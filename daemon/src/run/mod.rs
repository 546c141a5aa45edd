//! The daemon put together: every part with its clock, its listener and its stop handed in.
//!
//! Order of the stop: ways in, recorder (commits what waits and acknowledges it), sender, pages, store.

mod counting;
mod daily;
mod nightly;
mod outbox;
mod vital;
mod waiting;
mod ways_in;

use std::collections::BTreeMap;
use std::future::Future;
use std::io::Write;
use std::sync::Arc;
use std::sync::atomic::AtomicU64;
use std::time::Duration;

use heapward_rules::ids::StandardId;
use heapward_rules::standard::Standard;
use heapward_rules::units::{At, Span};
use tokio::net::TcpListener;
use tokio::sync::{Notify, mpsc, watch};
use tokio::task::JoinHandle;
use tracing::{info, warn};

use crate::clock::SharedClock;
use crate::config::Config;
use crate::http::{App, TellingStatus};
use crate::ingest::book::{self, Book};
use crate::ingest::{self, Ingest, IngestHandle};
use crate::limits::{RECORDER_QUEUE, STOP_SECONDS_MAX, TICK_EVERY};
use crate::recorder::{Command, Handle, Parts as RecorderParts, Recorder};
use crate::store::{OpenReport, Reader, StoreError, StoreOptions};
use crate::telling::heartbeat::{self, Heartbeat};
use crate::telling::policy::{Teller, Told};
use crate::telling::signs::{Organ, Signs};
use crate::telling::trouble::Vitals;
use crate::telling::unwritten::{Unwritten, WithUnwritten};
use crate::telling::wording::Site;
use crate::telling::{backoff, ways, worker};

pub use waiting::Waiting;

/// What a daemon is made of.
pub struct Parts {
    pub config: Config,
    pub standards: BTreeMap<StandardId, Standard>,
    pub clock: SharedClock,
    /// For pages and API.
    pub http: TcpListener,
    /// For probes that publish to Heapward itself; needed if the configuration has an `[endpoint]`.
    pub endpoint: Option<TcpListener>,
    /// Where a terminal channel prints.
    pub terminal: fn() -> Box<dyn Write + Send>,
}

/// Why the daemon did not start.
#[derive(Debug, thiserror::Error)]
pub enum StartError {
    #[error("{0}")]
    Store(#[from] StoreError),
    #[error("{}", .0.join("\n"))]
    Channels(Vec<String>),
    #[error("the recorder's thread could not be started: {0}")]
    Thread(std::io::Error),
    #[error("{0}")]
    Ingest(String),
}

/// A daemon at work.
pub struct Daemon {
    pub handle: Handle,
    pub reader: Reader,
    pub report: OpenReport,
    pub board: worker::Board,
    pub ways_in: IngestHandle,
    probes: Book,
    ingest: Ingest,
    stop: watch::Sender<bool>,
    recorder: std::thread::JoinHandle<()>,
    pages: JoinHandle<()>,
    sender: JoinHandle<()>,
    helpers: Vec<JoinHandle<()>>,
}

/// Runs until `shutdown` resolves, then stops in order.
pub async fn run(parts: Parts, shutdown: impl Future<Output = ()>) -> Result<(), StartError> {
    let daemon = Daemon::start(parts).await?;
    shutdown.await;
    daemon.stop().await;
    Ok(())
}

// === impl Daemon ===

impl Daemon {
    /// Opens the store, judges what it holds, and starts everything.
    pub async fn start(parts: Parts) -> Result<Daemon, StartError> {
        Daemon::start_after(parts, &[]).await
    }

    /// The same after a time in which the records could not be opened; `told` goes into them now.
    #[expect(
        clippy::too_many_lines,
        reason = "the list of parts in their order, each with what it is handed"
    )]
    pub async fn start_after(parts: Parts, told: &[Told]) -> Result<Daemon, StartError> {
        let (stop, stopped) = watch::channel(false);
        let wake = Arc::new(Notify::new());
        let config = Arc::new(parts.config);
        let signs = Signs::new(parts.clock.clone(), &vital::ORGANS);
        let heartbeat = config.telling.heartbeat.as_ref().map(Heartbeat::new).transpose();
        let heartbeat =
            heartbeat.map_err(|error| StartError::Channels(vec![format!("[heartbeat]: {error}")]))?;
        let site = site(&config);
        let teller = Teller::new(site.clone(), &config.telling);
        let (vitals, unwritten) = (Vitals::default(), Unwritten::default());
        unwritten.set(told);
        let (handle, commands) = Handle::new(RECORDER_QUEUE);
        let recorder_parts = RecorderParts {
            store: StoreOptions::new(&config.store.dir, config.farm.timezone),
            clock: parts.clock.clone(),
            zone: config.farm.timezone,
            commit_every: config.store.commit_every,
            standards: parts.standards.clone(),
            probes: book::facts(&config.probes),
            probes_kept: |reader, zone| {
                book::kept(reader, zone).map(|kept| book::facts(&kept)).unwrap_or_default()
            },
            watch: config.watch.clone(),
            teller: teller.clone(),
            outbox: wake.clone(),
            signs: signs.clone(),
            vitals: vitals.clone(),
            unwritten: unwritten.clone(),
        };
        let (recorder, reader, report) = record(recorder_parts, handle.clone(), commands).await?;
        let kept = book::kept(&reader, config.farm.timezone).map_err(StartError::Ingest)?;
        let endpoint = parts.endpoint.zip(config.endpoint.as_ref());
        let ingest_parts = ingest::Parts {
            clock: parts.clock.clone(),
            recorder: handle.clone(),
            probes: book::in_use(&config.probes, &kept),
            newest: newest(&reader)?,
            endpoint: endpoint.map(|(listener, endpoint)| (listener, endpoint.passes.clone())),
            sessions: Some(config.store.dir.join("clients")),
            broker: config.broker.clone(),
        };
        let ingest = ingest::start(ingest_parts, until(stopped.clone()))
            .map_err(|problem| StartError::Ingest(problem.to_string()))?;
        let ingest_handle = ingest.handle();
        let (zone, of_file) = (config.farm.timezone, config.probes.clone());
        let probes = Book::new(ingest_handle.clone(), handle.clone(), zone, of_file, kept);

        let board = worker::Board::default();
        let surroundings = ways::Surroundings {
            zone: config.farm.timezone,
            publish: Some(Arc::new(ingest_handle.publisher())),
            terminal: parts.terminal,
        };
        let deps = worker::Deps {
            outbox: WithUnwritten {
                stored: outbox::StoredOutbox { reader: reader.clone(), handle: handle.clone() },
                unwritten,
            },
            channels: ways::connect(&config.telling, &surroundings).map_err(StartError::Channels)?,
            book: teller.book().clone(),
            site,
            clock: parts.clock.clone(),
            wake,
            jitter: backoff::random_jitter,
            board: board.clone(),
        };
        let sender = tokio::spawn(worker::run(deps, until(stopped.clone())));

        let app = App {
            config: config.clone(),
            clock: parts.clock.clone(),
            handle: handle.clone(),
            reader: reader.clone(),
            standards: Arc::new(parts.standards),
            ingest: ways_in::for_pages(ingest_handle.clone()),
            telling: telling_status(&board, &reader),
            probes: probes.clone(),
        };
        let copies = nightly::Standing::default();
        let pages = tokio::spawn(crate::http::serve(parts.http, app, until(stopped.clone())));
        let look = vital::Look {
            signs: signs.clone(),
            vitals,
            clock: parts.clock.clone(),
            ingest: ingest_handle.clone(),
            channels: board.clone(),
            copies: copies.clone(),
            dir: config.store.dir.clone(),
        };
        let nightly = nightly::of(&config, &parts.clock, &reader, &copies);
        let daily = daily::Daily {
            config,
            clock: parts.clock.clone(),
            handle: handle.clone(),
            reader: reader.clone(),
            teller,
            board: board.clone(),
            probes: probes.clone(),
            ingest: ingest_handle.clone(),
            refused: AtomicU64::new(0),
        };
        let trusted = parts.clock.is_trusted();
        let mut helpers = helpers(daily, parts.clock.clone(), handle.clone(), signs.clone(), stopped.clone());
        helpers.extend(
            nightly.map(|(nightly, backup)| tokio::spawn(nightly.run(backup, until(stopped.clone())))),
        );
        helpers.extend(life(look, signs, parts.clock, heartbeat, stopped));
        info!("ready");
        if !trusted {
            warn!(
                "the clock is not trusted yet: readings without a time of their own wait and are not acknowledged. \
                 `heapward doctor` says what to do"
            );
        }
        Ok(Daemon {
            handle,
            reader,
            report,
            board,
            ways_in: ingest_handle,
            probes,
            ingest,
            stop,
            recorder,
            pages,
            sender,
            helpers,
        })
    }

    /// Takes the probes of another configuration into use, without a restart. The error says what is wrong; then
    /// everything stays as it was.
    pub async fn set_probes(&self, config: &Config) -> Result<(), String> {
        self.probes.set_file(config.probes.clone()).await.map_err(|refusal| refusal.to_string())
    }

    /// Stops in order; a part that does not stop in time is left behind and said.
    pub async fn stop(self) {
        let _ = self.stop.send(true);
        self.ingest.finished().await;
        self.handle.stop().await;
        let recorder = self.recorder;
        let joined = tokio::task::spawn_blocking(move || recorder.join().is_ok());
        in_time("the recorder", async { joined.await.unwrap_or(false) }).await;
        in_time("the sender", async { self.sender.await.is_ok() }).await;
        in_time("the pages", async { self.pages.await.is_ok() }).await;
        for helper in self.helpers {
            helper.abort();
        }
    }
}

/// The newest committed instant of the store: no clock that stands before it is believed.
fn newest(reader: &Reader) -> Result<At, StoreError> {
    Ok(reader.latest()?.iter().map(|newest| newest.reading.at).max().unwrap_or(At::MIN))
}

/// What goes by the clock: ticks of the recorder, the daily summary.
fn helpers(
    daily: daily::Daily,
    clock: SharedClock,
    handle: Handle,
    signs: Signs,
    stopped: watch::Receiver<bool>,
) -> Vec<JoinHandle<()>> {
    vec![
        tokio::spawn(ticks(clock, handle, signs, until(stopped.clone()))),
        tokio::spawn(daily.run(until(stopped))),
    ]
}

/// Looks at the signs of life, and tells systemd and the outside.
fn life(
    look: vital::Look,
    signs: Signs,
    clock: SharedClock,
    heartbeat: Option<Heartbeat>,
    stopped: watch::Receiver<bool>,
) -> Vec<JoinHandle<()>> {
    let interval = heartbeat::watchdog_interval();
    let fed = heartbeat::watch(signs.clone(), interval, heartbeat::feed_systemd, until(stopped.clone()));
    let mut tasks = vec![tokio::spawn(look.run(until(stopped.clone()))), tokio::spawn(fed)];
    tasks.extend(heartbeat.map(|heartbeat| tokio::spawn(heartbeat.run(signs, clock, until(stopped)))));
    tasks
}

/// Opens the store, judges what it holds, and starts the recorder's thread.
async fn record(
    parts: RecorderParts,
    handle: Handle,
    commands: mpsc::Receiver<Command>,
) -> Result<(std::thread::JoinHandle<()>, Reader, OpenReport), StartError> {
    // Opening checks and judges a season: not on a thread that serves others.
    let opened = tokio::task::spawn_blocking(move || Recorder::open(parts, handle)).await;
    let (recorder, report) = opened.map_err(|error| StartError::Ingest(error.to_string()))??;
    let reader = recorder.reader();
    let runtime = tokio::runtime::Handle::current();
    let thread = std::thread::Builder::new()
        .name("recorder".to_owned())
        .spawn(move || recorder.run(&runtime, commands))
        .map_err(StartError::Thread)?;
    Ok((thread, reader, report))
}

async fn in_time(what: &str, part: impl Future<Output = bool>) {
    match tokio::time::timeout(Duration::from_secs(STOP_SECONDS_MAX), part).await {
        Ok(true) => {}
        Ok(false) => warn!("{what} ended with a fault"),
        Err(_) => warn!("{what} did not stop in {STOP_SECONDS_MAX} s and is left behind"),
    }
}

/// Resolves when the daemon stops.
pub async fn until(mut stopped: watch::Receiver<bool>) {
    // A sender that is gone has stopped too.
    let _ = stopped.wait_for(|stopped| *stopped).await;
}

async fn ticks(clock: SharedClock, handle: Handle, signs: Signs, stopped: impl Future<Output = ()>) {
    tokio::pin!(stopped);
    loop {
        tokio::select! {
            () = &mut stopped => return,
            () = clock.sleep(TICK_EVERY) => {
                handle.tick();
                signs.tick(Organ::Scheduler);
            }
        }
    }
}

/// How the farm is named and shown in messages.
pub fn site(config: &Config) -> Site {
    let hosts = config.http.hosts.first();
    Site {
        farm: config.farm.name.clone(),
        zone: config.farm.timezone,
        shows: config.farm.shows,
        page: hosts.map(|host| format!("http://{host}:{}/", config.http.listen.port())),
    }
}

fn telling_status(board: &worker::Board, reader: &Reader) -> Arc<dyn Fn() -> TellingStatus + Send + Sync> {
    let (board, reader) = (board.clone(), reader.clone());
    Arc::new(move || {
        let (sent, failed) = board.counts();
        // While the store can't be read nothing is known to wait.
        let waiting = reader.messages_waiting().unwrap_or(0);
        let states = board.states();
        let failing = states.iter().filter(|(_, state)| state.failing_since.is_some());
        TellingStatus {
            waiting,
            sent,
            failed,
            last_sent: states.values().filter_map(|state| state.last_sent).max(),
            trouble: failing
                .map(|(name, state)| (name.clone(), state.reason.clone().unwrap_or_default()))
                .collect(),
        }
    })
}

/// The longest wait that a commit needs, for the limits' relations.
const _: () =
    assert!(TICK_EVERY.0 <= Span::minutes(1).0, "deadlines of rules are looked at at least every minute");
