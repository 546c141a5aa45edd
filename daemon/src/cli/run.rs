//! `heapward run`: the daemon, until SIGTERM or Ctrl-C.

use std::collections::BTreeMap;
use std::future::Future;
use std::io::Write;
use std::net::SocketAddr;
use std::pin::Pin;
use std::sync::Arc;

use heapward_rules::ids::StandardId;
use heapward_rules::standard::Standard;
use tokio::net::TcpListener;
use tokio::signal::unix::{SignalKind, signal};
use tracing::{info, warn};

use super::{ConfigArg, Failure, Outcome, standards_of};
use crate::clock::{SharedClock, SystemClock};
use crate::config::Config;
use crate::limits::WORKER_THREADS;
use crate::run::{Daemon, Parts, StartError, Waiting};
use crate::telling::ways;

/// Runs the daemon in the foreground.
pub fn run(args: &ConfigArg) -> Outcome {
    let config = args.load()?;
    let standards = standards_of(config.standards_dir.as_deref())?;
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(WORKER_THREADS)
        .enable_all()
        .build()
        .map_err(|error| Failure::failed(format!("no threads to run on: {error}")))?;
    runtime.block_on(async {
        let stop = stop_signal()?;
        tokio::pin!(stop);
        let clock: SharedClock = Arc::new(SystemClock::new(config.farm.hardware_clock));
        announce(&config);
        let Some(daemon) = start(&config, &standards, &clock, stop.as_mut()).await? else { return Ok(()) };
        ready();
        attend(args, &daemon, stop).await?;
        let _ = sd_notify::notify(&[sd_notify::NotifyState::Stopping]);
        info!("stopping");
        daemon.stop().await;
        Ok(())
    })
}

/// Starts the daemon; while its records can't be opened waits, tells and tries again. None if it was stopped meanwhile.
async fn start(
    config: &Config,
    standards: &BTreeMap<StandardId, Standard>,
    clock: &SharedClock,
    mut stop: Pin<&mut impl Future<Output = ()>>,
) -> Result<Option<Daemon>, Failure> {
    let mut waiting: Option<Waiting> = None;
    loop {
        let parts = Parts {
            clock: clock.clone(),
            http: bind("[http] listen", config.http.listen).await?,
            endpoint: match &config.endpoint {
                Some(endpoint) => Some(bind("[endpoint] listen", endpoint.listen).await?),
                None => None,
            },
            standards: standards.clone(),
            terminal,
            config: config.clone(),
        };
        let told = waiting.as_ref().map(Waiting::told).unwrap_or_default();
        let problem = match Daemon::start_after(parts, &told).await {
            Err(StartError::Store(problem)) if problem.may_pass() => problem,
            Ok(daemon) => {
                if waiting.is_some() {
                    info!("the records are open now");
                }
                return Ok(Some(daemon));
            }
            Err(error) => return Err(Failure::failed(error.to_string())),
        };
        let waits = waiting.get_or_insert_with(|| {
            ready();
            let zone = config.farm.timezone;
            Waiting::begin(config, clock, &ways::Surroundings { zone, publish: None, terminal })
        });
        let pages = bind("[http] listen", config.http.listen).await?;
        if !waits.pause(&problem, pages, stop.as_mut()).await {
            return Ok(None);
        }
    }
}

fn terminal() -> Box<dyn Write + Send> {
    Box::new(std::io::stdout())
}

/// Outside of systemd there is nobody to notify.
fn ready() {
    let _ = sd_notify::notify(&[sd_notify::NotifyState::Ready]);
}

/// Waits for the stop; at SIGHUP reads the configuration again. A bad one changes nothing.
async fn attend(args: &ConfigArg, daemon: &Daemon, stop: impl Future<Output = ()>) -> Outcome {
    let mut again =
        signal(SignalKind::hangup()).map_err(|error| Failure::failed(format!("no signals: {error}")))?;
    tokio::pin!(stop);
    loop {
        tokio::select! {
            () = &mut stop => return Ok(()),
            Some(()) = again.recv() => match args.load() {
                Ok(config) => match daemon.set_probes(&config).await {
                    Ok(()) => info!(probes = config.probes.len(), "configuration read again: probes are in use; \
                                    everything else changes with the next start"),
                    Err(problem) => warn!("the probes stay as they were: {problem}"),
                },
                Err(refused) => warn!("the configuration stays as it was:\n{}", refused.text),
            },
        }
    }
}

fn announce(config: &Config) {
    info!(version = env!("CARGO_PKG_VERSION"), farm = config.farm.name, "heapward starts");
    info!("pages and API at http://{}/", config.http.listen);
    if let Some(endpoint) = &config.endpoint {
        info!("probes may publish to mqtt://{}", endpoint.listen);
    }
}

async fn bind(key: &str, address: SocketAddr) -> Result<TcpListener, Failure> {
    TcpListener::bind(address).await.map_err(|error| {
        Failure::failed(format!(
            "{key} = \"{address}\": {error}; is another heapward or broker running there?"
        ))
    })
}

/// Resolves at SIGTERM or SIGINT.
pub(super) fn stop_signal() -> Result<impl Future<Output = ()>, Failure> {
    let listen = |kind| signal(kind).map_err(|error| Failure::failed(format!("no signals: {error}")));
    let (mut term, mut int) = (listen(SignalKind::terminate())?, listen(SignalKind::interrupt())?);
    Ok(async move {
        tokio::select! {
            _ = term.recv() => {}
            _ = int.recv() => {}
        }
    })
}
