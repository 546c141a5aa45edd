//! A child process that doesn't outlive its test.

use std::fs::File;
use std::net::TcpListener;
use std::os::unix::process::ExitStatusExt;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, ExitStatus, Stdio};
use std::sync::atomic::{AtomicU16, Ordering};

use crate::wait::wait_for;

/// How many ports tests share, from 20,000 on.
const PORTS: u16 = 12_000;

/// A running program whose output goes to a file.
pub struct Process {
    child: Child,
    log: PathBuf,
}

/// A port on 127.0.0.1 that nobody listens on and that no other test is given as long as this one runs.
///
/// A port that the system picks could be given by it, as the near end of somebody's connection, to another test while
/// the daemon that listened on it restarts. So these lie below the range that Linux picks from (32,768 and above,
/// `ip_local_port_range`), and a lock on a file speaks for each.
pub fn free_port() -> u16 {
    static NEXT: AtomicU16 = AtomicU16::new(0);
    let locks = std::env::temp_dir().join("heapward-test-ports");
    std::fs::create_dir_all(&locks).unwrap();
    let start = u16::try_from(std::process::id() % u32::from(PORTS)).unwrap().wrapping_mul(7);
    for _ in 0..PORTS {
        let port = 20_000 + start.wrapping_add(NEXT.fetch_add(1, Ordering::Relaxed)) % PORTS;
        let lock = File::create(locks.join(port.to_string())).unwrap();
        if lock.try_lock().is_ok() && TcpListener::bind(("127.0.0.1", port)).is_ok() {
            // Held until this process ends.
            std::mem::forget(lock);
            return port;
        }
    }
    panic!("all ports from 20000 to {} are in use", 20_000 + PORTS - 1);
}

/// Whether somebody listens on a port of 127.0.0.1.
pub fn is_listening(port: u16) -> bool {
    std::net::TcpStream::connect(("127.0.0.1", port)).is_ok()
}

// === impl Process ===

impl Process {
    /// Starts a program; its output is appended to `log`. `how_to_get_it` is told if there is no such program.
    pub fn start(command: &mut Command, log: &Path, how_to_get_it: &str) -> Process {
        let out = File::options().create(true).append(true).open(log).unwrap();
        command.stdin(Stdio::null()).stdout(out.try_clone().unwrap()).stderr(out);
        let child = command.spawn().unwrap_or_else(|error| {
            panic!("{} can't be started ({error}): {how_to_get_it}", command.get_program().display())
        });
        Process { child, log: log.to_owned() }
    }

    pub fn id(&self) -> u32 {
        self.child.id()
    }

    /// What it has written so far.
    pub fn log(&self) -> String {
        std::fs::read_to_string(&self.log).unwrap_or_default()
    }

    pub fn is_running(&mut self) -> bool {
        self.child.try_wait().unwrap().is_none()
    }

    /// `kill -9`, and waits until it is gone.
    pub fn kill(&mut self) {
        self.child.kill().unwrap();
        let status = self.child.wait().unwrap();
        assert_eq!(status.signal(), Some(9), "it had ended before it was killed:\n{}", self.log());
    }

    /// Sends a signal by its name, such as `TERM`, `STOP` or `CONT`.
    pub fn signal(&self, name: &str) {
        let status =
            Command::new("kill").arg(format!("-{name}")).arg(self.id().to_string()).status().unwrap();
        assert!(status.success(), "kill -{name} {} failed", self.id());
    }

    /// Waits for its end.
    pub fn wait(&mut self) -> ExitStatus {
        wait_for("the end of a process", || self.child.try_wait().unwrap())
    }

    /// Asks it to stop and waits for its end.
    pub fn stop(&mut self) -> ExitStatus {
        self.signal("TERM");
        self.wait()
    }
}

impl Drop for Process {
    fn drop(&mut self) {
        // It may have ended already; then there is nothing to kill.
        let _ = self.child.kill();
        let _ = self.child.wait();
        if std::thread::panicking() {
            let log = self.log();
            let tail = log.len().saturating_sub(8_000);
            let tail = (tail..log.len()).find(|at| log.is_char_boundary(*at)).unwrap_or(0);
            eprintln!("--- {} ends with:\n{}", self.log.display(), &log[tail..]);
        }
    }
}
