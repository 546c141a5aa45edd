//! The daemon as its users run it: a process with a configuration file.

use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use heapward::clock::{Clock, SystemClock};
use heapward::http::Keys;
use heapward_rules::units::At;

use crate::process::{Process, free_port};
use crate::repository;
use crate::site::Site;
use crate::wait::wait_until;

/// A running daemon. Dropping it kills it.
pub struct Daemon {
    pub site: Site,
    process: Process,
    config: PathBuf,
    log: PathBuf,
    environment: Environment,
}

/// Variables that a daemon is started with, beside those of the test.
pub type Environment = Vec<(&'static str, PathBuf)>;

/// The machine's clock, for readings that are dated now.
pub fn now() -> At {
    SystemClock::new(true).now()
}

/// The binary: `HEAPWARD_BIN`, else built here and now, so that it is never an old one.
pub fn binary() -> PathBuf {
    if let Some(path) = std::env::var_os("HEAPWARD_BIN") {
        return PathBuf::from(path);
    }
    let status = Command::new(env!("CARGO"))
        .args(["build", "--quiet", "--package", "heapward", "--bin", "heapward"])
        .current_dir(repository())
        .status()
        .unwrap();
    assert!(status.success(), "the daemon does not build");
    let target =
        std::env::var_os("CARGO_TARGET_DIR").map_or_else(|| repository().join("target"), PathBuf::from);
    target.join("debug/heapward")
}

/// Runs a command of the binary to its end.
pub fn heapward(args: &[&str]) -> Output {
    Command::new(binary()).args(args).env_remove("HEAPWARD_CONFIG").output().unwrap()
}

/// A zone in which it is about noon: far from quiet hours, from the daily summary and from midnight.
pub fn noon_zone() -> String {
    let hour = now().0.div_euclid(3_600_000).rem_euclid(24);
    // Names of these zones count westwards: `Etc/GMT+3` is three hours behind.
    format!("Etc/GMT{:+}", hour - 12)
}

/// The tables of a configuration that every test has in common; `rest` is added. Records lie in `dir`.
pub fn config_text(dir: &Path, http_port: u16, rest: &str) -> String {
    let (dir, zone) = (dir.join("records"), noon_zone());
    format!(
        "[farm]\nname = \"Quillback Farm\"\ntimezone = \"{zone}\"\nhardware_clock = true\n\
         [store]\ndir = \"{}\"\ncommit_every = \"200ms\"\n\
         [http]\nlisten = \"127.0.0.1:{http_port}\"\n{rest}\n",
        dir.display()
    )
}

// === impl Daemon ===

impl Daemon {
    /// Starts `heapward run` and waits until it is well. `rest` is the configuration without farm, store and http.
    pub fn start(dir: &Path, rest: &str) -> Daemon {
        Daemon::start_in(dir, rest, Environment::new())
    }

    /// The same with variables of its own.
    pub fn start_in(dir: &Path, rest: &str, environment: Environment) -> Daemon {
        let port = free_port();
        let config = dir.join("heapward.toml");
        std::fs::write(&config, config_text(dir, port, rest)).unwrap();
        let records = dir.join("records");
        std::fs::create_dir_all(&records).unwrap();
        let pass = Keys::new(&records).make_pass("test", now()).unwrap();
        let log = dir.join("heapward.log");
        let process = launch(&config, &log, &environment);
        let site = Site { port, pass: Some(pass) };
        let mut daemon = Daemon { site, process, config, log, environment };
        daemon.wait();
        daemon
    }

    /// Waits until it says that it is well.
    pub fn wait(&mut self) {
        wait_until("the daemon to be well", || {
            assert!(self.process.is_running(), "the daemon ended:\n{}", self.process.log());
            self.site.try_get("/healthz").is_some_and(|answer| answer.status == 200)
        });
    }

    /// Starts it again with the same configuration and records, without waiting.
    pub fn start_again(&mut self) {
        self.process = launch(&self.config, &self.log, &self.environment);
    }

    pub fn process(&mut self) -> &mut Process {
        &mut self.process
    }

    pub fn config(&self) -> &Path {
        &self.config
    }
}

fn launch(config: &Path, log: &Path, environment: &Environment) -> Process {
    // Where a test limits the size of files, a write beyond it is to be an error, as on a full card, and no signal.
    let mut command = Command::new("sh");
    command
        .args(["-c", "trap '' XFSZ; exec \"$@\"", "sh"])
        .arg(binary())
        .arg("run")
        .arg("--config")
        .arg(config)
        .envs(environment.iter().map(|(name, value)| (name, value)))
        .env_remove("NOTIFY_SOCKET")
        .env_remove("CREDENTIALS_DIRECTORY");
    Process::start(&mut command, log, "tests/run builds it")
}
