//! A real mosquitto.

use std::path::{Path, PathBuf};
use std::process::{Child, Command, ExitStatus};

use crate::process::{Process, free_port, is_listening};
use crate::wait::{wait_for, wait_until};

/// A broker on a port of its own with its state in a folder.
pub struct Broker {
    pub port: u16,
    process: Process,
    conf: PathBuf,
    log: PathBuf,
}

/// `mosquitto_pub` tries again for ever when its broker is gone; with its test it ends.
struct Mortal(Child);

const HOW_TO_GET_IT: &str = "apt-get install mosquitto";

// === impl Broker ===

impl Broker {
    /// Anybody may connect; what is queued is limited by memory alone, as our own configuration sets it.
    pub fn start(dir: &Path) -> Broker {
        Broker::with(dir, "allow_anonymous true\nmax_queued_messages 100000\nmax_inflight_messages 1000\n")
    }

    /// With lines of its own in the configuration.
    pub fn with(dir: &Path, lines: &str) -> Broker {
        let port = free_port();
        let state = dir.join("broker");
        std::fs::create_dir_all(&state).unwrap();
        let conf = dir.join("mosquitto.conf");
        let location = state.display();
        let text = format!(
            "user root\nlistener {port} 127.0.0.1\npersistence true\npersistence_location {location}/\n\
             autosave_interval 1\n{lines}"
        );
        std::fs::write(&conf, text).unwrap();
        let log = dir.join("mosquitto.log");
        let process = launch(&conf, &log);
        let broker = Broker { port, process, conf, log };
        broker.wait();
        broker
    }

    fn wait(&self) {
        wait_until("mosquitto to listen", || is_listening(self.port));
    }

    pub fn process(&mut self) -> &mut Process {
        &mut self.process
    }

    /// Stops it in order: it saves its state.
    pub fn stop(&mut self) -> ExitStatus {
        self.process.stop()
    }

    /// Starts it again on the same port with the same state.
    pub fn start_again(&mut self) {
        self.process = launch(&self.conf, &self.log);
        self.wait();
    }
}

fn launch(conf: &Path, log: &Path) -> Process {
    // Debian keeps it out of the path of ordinary users.
    let program = ["/usr/sbin/mosquitto", "mosquitto"].into_iter().find(|name| Path::new(name).exists());
    let mut command = Command::new(program.unwrap_or("mosquitto"));
    Process::start(command.arg("-c").arg(conf), log, HOW_TO_GET_IT)
}

impl Drop for Mortal {
    fn drop(&mut self) {
        // It has ended already if all went well.
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// Publishes lines on a topic with `mosquitto_pub`, `QoS` 1, and waits until the broker has acknowledged all.
pub fn publish_lines(port: u16, topic: &str, lines: &[String]) {
    use std::io::Write;
    let child = Command::new("mosquitto_pub")
        .args(["-h", "127.0.0.1", "-p", &port.to_string(), "-q", "1", "-t", topic, "-l"])
        .stdin(std::process::Stdio::piped())
        .spawn()
        .unwrap_or_else(|error| {
            panic!("mosquitto_pub can't be started ({error}): apt-get install mosquitto-clients")
        });
    let mut child = Mortal(child);
    let mut text = lines.join("\n");
    text.push('\n');
    child.0.stdin.take().unwrap().write_all(text.as_bytes()).unwrap();
    let status = wait_for("mosquitto_pub", || child.0.try_wait().unwrap());
    assert!(status.success(), "mosquitto_pub failed: {status}");
}

/// Publishes one message.
pub fn publish(port: u16, topic: &str, payload: &str) {
    publish_lines(port, topic, &[payload.to_owned()]);
}
