//! A real mail server that keeps what it gets.

use std::path::{Path, PathBuf};
use std::process::Command;

use serde::Deserialize;

use crate::process::{Process, free_port, is_listening};
use crate::repository;
use crate::wait::wait_until;

/// aiosmtpd on a port of its own.
pub struct MailServer {
    pub port: u16,
    kept: PathBuf,
    _process: Process,
}

/// A mail as it arrived.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
pub struct Mail {
    pub from: String,
    pub to: Vec<String>,
    pub subject: String,
    pub message_id: String,
    pub text: Option<String>,
    pub html: Option<String>,
    /// Content id and size of each inline image.
    pub images: Vec<(String, usize)>,
    /// Whether the connection was encrypted.
    pub tls: bool,
}

/// The Python of `tests/run`, else the machine's.
pub fn python() -> PathBuf {
    let venv = repository().join(".venv/bin/python3");
    if venv.exists() { venv } else { PathBuf::from("python3") }
}

// === impl MailServer ===

impl MailServer {
    pub fn start(dir: &Path) -> MailServer {
        MailServer::with(dir, &[])
    }

    /// With options of `servers/mail.py`: `--tls`, `--cert`, `--key`, `--login`.
    pub fn with(dir: &Path, options: &[&str]) -> MailServer {
        let port = free_port();
        let kept = dir.join("mails.jsonl");
        let mut command = Command::new(python());
        command
            .arg(repository().join("tests/servers/mail.py"))
            .arg(port.to_string())
            .arg(&kept)
            .args(options);
        let log = dir.join("mail.log");
        let mut process = Process::start(&mut command, &log, "apt-get install python3-venv, then tests/run");
        wait_until("the mail server to listen", || {
            assert!(
                process.is_running(),
                "the mail server ended; tests/run installs aiosmtpd into .venv:\n{}",
                process.log()
            );
            is_listening(port)
        });
        MailServer { port, kept, _process: process }
    }

    /// All mails so far, in order of arrival.
    pub fn mails(&self) -> Vec<Mail> {
        let text = std::fs::read_to_string(&self.kept).unwrap_or_default();
        // A line without its end is still being written.
        let whole = text.rfind('\n').map_or("", |end| &text[..end]);
        whole.lines().map(|line| serde_json::from_str(line).unwrap()).collect()
    }
}
