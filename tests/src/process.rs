//! A child process that doesn't outlive its test.

use std::fs::File;
use std::net::TcpListener;
use std::os::unix::process::ExitStatusExt;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, ExitStatus, Stdio};

use crate::wait::wait_for;

/// A running program whose output goes to a file.
pub struct Process {
    child: Child,
    log: PathBuf,
}

/// A port on 127.0.0.1 that nobody listens on at the moment.
pub fn free_port() -> u16 {
    TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port()
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
