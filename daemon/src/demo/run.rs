//! `heapward demo` put together: a daemon as it runs in a barn, the farm that publishes to it, and a clock that the
//! farm moves.

use std::future::Future;
use std::net::{Ipv4Addr, SocketAddr};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use heapward_rules::units::{At, Span};
use tokio::net::TcpListener;
use tokio::time::Instant;

use super::farm::BEGINS;
use super::publisher::Publisher;
use super::scene::{STEP, Scene, SceneError};
use super::{ending, screen, setup};
use crate::clock::ManualClock;
use crate::run::{Daemon, Parts, StartError};
use crate::standards;

/// What was asked for on the command line.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Options {
    /// Ends by itself after this, or after so many days of the farm's life.
    pub lasts: Option<Duration>,
    pub days: Option<u32>,
    /// Times the speed of a clock.
    pub speed: u32,
    pub seed: u64,
    /// Port of the page.
    pub port: u16,
}

#[derive(Debug, thiserror::Error)]
pub enum DemoError {
    #[error("no folder {} for the demo's records: {error}", path.display())]
    Folder { path: PathBuf, error: std::io::Error },
    #[error("no port on 127.0.0.1 to listen on: {0}")]
    Listen(std::io::Error),
    #[error("{0}")]
    Setup(String),
    #[error("{0}")]
    Start(#[from] StartError),
    #[error("{0}")]
    Scene(#[from] SceneError),
}

/// A folder that goes when the demo ends.
struct Folder(PathBuf);

/// Runs until `shutdown` resolves or the time is over; then says what was told.
pub async fn run(options: Options, shutdown: impl Future<Output = ()>) -> Result<(), DemoError> {
    let folder = Folder::new()?;
    let http = listen(options.port).await?;
    let endpoint = listen(0).await?;
    let (page, mqtt) = (address(&http)?, address(&endpoint)?);
    let config = setup::config_for(&folder.0, mqtt, page).map_err(DemoError::Setup)?;
    let zone = config.farm.timezone;
    let clock = Arc::new(ManualClock::new(BEGINS));
    screen::print(&screen::opening(page, mqtt, options.speed));
    let parts = Parts {
        standards: standards::built_in().map_err(|problem| DemoError::Setup(problem.to_string()))?,
        clock: clock.clone(),
        http,
        endpoint: Some(endpoint),
        terminal: || Box::new(std::io::stdout()),
        config,
    };
    let daemon = Daemon::start(parts).await?;
    let publisher = Publisher::connect(mqtt);
    let mut scene =
        Scene::open(options.seed, clock, zone, daemon.handle.clone(), daemon.reader.clone(), publisher)
            .await?;
    let played = tokio::select! {
        played = play(&mut scene, options) => played,
        () = shutdown => Ok(()),
    };
    screen::print(&ending::summary(&scene, &daemon, zone));
    scene.stop();
    daemon.stop().await;
    played
}

async fn play(scene: &mut Scene, options: Options) -> Result<(), DemoError> {
    let pace = Duration::from_millis(STEP.0.unsigned_abs()) / options.speed.max(1);
    let ends = options.lasts.map(|lasts| Instant::now() + lasts);
    let last = options.days.map_or(At::MAX, |days| BEGINS + Span::days(i64::from(days)));
    let mut next = Instant::now();
    while scene.now() < last && ends.is_none_or(|ends| Instant::now() < ends) {
        scene.step().await?;
        // Lost time is not made up for: the farm would only run away from the daemon.
        next = (next + pace).max(Instant::now());
        tokio::time::sleep_until(next).await;
    }
    Ok(())
}

/// The wished-for port, or any other if it is taken.
async fn listen(port: u16) -> Result<TcpListener, DemoError> {
    match TcpListener::bind((Ipv4Addr::LOCALHOST, port)).await {
        Err(_) if port != 0 => TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).await,
        bound => bound,
    }
    .map_err(DemoError::Listen)
}

fn address(listener: &TcpListener) -> Result<SocketAddr, DemoError> {
    listener.local_addr().map_err(DemoError::Listen)
}

// === impl Folder ===

impl Folder {
    fn new() -> Result<Folder, DemoError> {
        let path = std::env::temp_dir().join(format!("heapward-demo-{}", std::process::id()));
        make(&path).map_err(|error| DemoError::Folder { path: path.clone(), error })?;
        Ok(Folder(path))
    }
}

/// A folder of our own: one that is there already belongs to somebody else, or to a run that was killed.
fn make(path: &Path) -> std::io::Result<()> {
    if path.exists() {
        std::fs::remove_dir_all(path)?;
    }
    std::fs::create_dir(path)
}

impl Drop for Folder {
    fn drop(&mut self) {
        // What can't be removed is left to the system's own cleaning of its temporary files.
        let _ = std::fs::remove_dir_all(&self.0);
    }
}
