//! The daemon as the service manager sees it: ready, alive, read again, and outside told while all is well.

use std::os::unix::net::UnixDatagram;
use std::path::Path;
use std::process::Command;
use std::time::{Duration, Instant};

use heapward_tests::broker::publish;
use heapward_tests::daemon::{Daemon, binary, config_text};
use heapward_tests::process::{Process, free_port};
use heapward_tests::receiver::Receiver;
use heapward_tests::wait::{wait_for, wait_until};

fn rest(port: u16, probe: &str) -> String {
    format!(
        "[endpoint]\nlisten = \"127.0.0.1:{port}\"\n[[probe]]\nid = \"{probe}\"\ntopic = \"heap/{probe}\"\n\
         every = \"1m\"\nvalue = \"\"\nunit = \"F\"\n"
    )
}

fn readings(daemon: &Daemon) -> u64 {
    let metrics = daemon.site.text("/metrics");
    let line = metrics.lines().find(|line| line.starts_with("heapward_readings_total")).unwrap();
    line.rsplit(' ').next().unwrap().parse().unwrap()
}

#[test]
fn a_hangup_takes_new_probes_and_a_bad_file_changes_nothing() {
    let dir = tempfile::tempdir().unwrap();
    let port = free_port();
    let mut daemon = Daemon::start(dir.path(), &rest(port, "k1"));
    publish(port, "heap/k1", "62.4");
    wait_until("a reading of k1", || readings(&daemon) == 1);

    let good = std::fs::read_to_string(daemon.config()).unwrap();
    std::fs::write(daemon.config(), good.replace("k1", "k2")).unwrap();
    daemon.process().signal("HUP");
    wait_until("the new probe to be in use", || daemon.process().log().contains("configuration read again"));
    publish(port, "heap/k2", "63.5");
    wait_until("a reading of k2", || readings(&daemon) == 2);

    std::fs::write(daemon.config(), good.replace("unit", "unti")).unwrap();
    daemon.process().signal("HUP");
    wait_until("the bad file to be refused", || daemon.process().log().contains("stays as it was"));
    publish(port, "heap/k2", "64.5");
    wait_until("another reading of k2", || readings(&daemon) == 3);
    assert_eq!(daemon.process().stop().code(), Some(0));
}

/// Started twice by mistake, on ports of its own: two programs that write one store would spoil it.
#[test]
fn a_second_daemon_on_the_same_records_ends_with_a_sentence_and_the_first_goes_on() {
    let dir = tempfile::tempdir().unwrap();
    let port = free_port();
    let mut daemon = Daemon::start(dir.path(), &rest(port, "k1"));
    let config = dir.path().join("second.toml");
    std::fs::write(&config, config_text(dir.path(), free_port(), &rest(free_port(), "k1"))).unwrap();
    let log = dir.path().join("second.log");
    let mut second = Process::start(
        Command::new(binary()).args(["run", "--config"]).arg(&config),
        &log,
        "tests/run builds it",
    );
    assert_eq!(second.wait().code(), Some(1));
    assert!(second.log().contains("is in use by another heapward; stop that one first"), "{}", second.log());
    publish(port, "heap/k1", "62.4");
    wait_until("a reading", || readings(&daemon) == 1);
    assert_eq!(daemon.process().stop().code(), Some(0));
}

#[test]
fn the_watchdog_is_fed_again_and_again() {
    let dir = tempfile::tempdir().unwrap();
    let manager = Manager::new(dir.path());
    let config = dir.path().join("heapward.toml");
    std::fs::write(&config, config_text(dir.path(), free_port(), &rest(free_port(), "k1"))).unwrap();
    let mut command = Command::new(binary());
    // Three times as often as systemd would end it: each second.
    command
        .args(["run", "--config"])
        .arg(&config)
        .env("NOTIFY_SOCKET", &manager.path)
        .env("WATCHDOG_USEC", "3000000");
    let mut process = Process::start(&mut command, &dir.path().join("log"), "tests/run builds it");
    let began = Instant::now();
    let (mut ready, mut fed) = (0, 0);
    wait_for("four meals of the watchdog", || {
        for told in manager.told() {
            ready += u32::from(told.contains("READY=1"));
            fed += u32::from(told.contains("WATCHDOG=1"));
        }
        assert!(process.is_running(), "{}", process.log());
        (fed >= 4).then_some(())
    });
    assert_eq!(ready, 1);
    assert!(began.elapsed() >= Duration::from_secs(2), "fed without a pause");
    assert_eq!(process.stop().code(), Some(0));
}

#[test]
fn the_heartbeat_goes_out_while_all_is_well() {
    let dir = tempfile::tempdir().unwrap();
    let receiver = Receiver::start();
    let heartbeat =
        format!("[heartbeat]\nurl = \"http://127.0.0.1:{}/alive\"\nevery = \"1m\"\n", receiver.port);
    let _daemon = Daemon::start(dir.path(), &format!("{}{heartbeat}", rest(free_port(), "k1")));
    wait_until("a heartbeat", || {
        receiver.requests().iter().any(|request| request.line.starts_with("GET /alive"))
    });
}

/// What stands for systemd: the socket that a service tells its state to.
struct Manager {
    path: std::path::PathBuf,
    socket: UnixDatagram,
}

impl Manager {
    fn new(dir: &Path) -> Manager {
        let path = dir.join("notify");
        let socket = UnixDatagram::bind(&path).unwrap();
        socket.set_nonblocking(true).unwrap();
        Manager { path, socket }
    }

    fn told(&self) -> Vec<String> {
        let mut told = Vec::new();
        let mut buffer = [0; 1024];
        while let Ok(length) = self.socket.recv(&mut buffer) {
            told.push(String::from_utf8_lossy(&buffer[..length]).into_owned());
        }
        told
    }
}
