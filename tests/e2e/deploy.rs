//! What the package installs: the unit, and the broker's configuration with its access list.

use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Duration;

use heapward_tests::process::{Process, free_port, is_listening};
use heapward_tests::repository;
use heapward_tests::wait::{wait_for, wait_until};

/// Above this `systemd-analyze security` calls a service exposed; ours has no more than the network it needs.
const EXPOSURE_MAX: f64 = 1.3;

#[test]
fn the_unit_is_confined() {
    let output = Command::new("systemd-analyze")
        .args(["security", "--offline=true", "--no-pager"])
        .arg(repository().join("deploy/heapward.service"))
        .output()
        .unwrap_or_else(|error| {
            panic!("systemd-analyze can't be started ({error}): apt-get install systemd")
        });
    let text =
        String::from_utf8_lossy(&output.stdout).into_owned() + &String::from_utf8_lossy(&output.stderr);
    let line =
        text.lines().find(|line| line.contains("Overall exposure level")).unwrap_or_else(|| panic!("{text}"));
    let level: f64 = line.split(": ").last().unwrap().split(' ').next().unwrap().parse().unwrap();
    assert!(level <= EXPOSURE_MAX, "{line}\n{text}");
}

#[test]
fn a_wrong_configuration_does_not_start_again_and_anything_else_does() {
    let unit = std::fs::read_to_string(repository().join("deploy/heapward.service")).unwrap();
    for line in ["Restart=always", "RestartPreventExitStatus=64", "StartLimitIntervalSec=0", "WatchdogSec=60"]
    {
        assert!(unit.lines().any(|one| one == line), "the unit lacks {line}");
    }
}

/// The commands that the program names in its help, in that order.
fn commands() -> Vec<String> {
    let output = Command::new(heapward_tests::daemon::binary()).arg("--help").output().unwrap();
    let help = String::from_utf8(output.stdout).unwrap();
    let list = help.split("Commands:\n").nth(1).unwrap().split("\n\n").next().unwrap();
    let name =
        |line: &str| line.strip_prefix("  ").and_then(|rest| rest.split(' ').next()).map(str::to_owned);
    list.lines().filter_map(name).filter(|name| !name.is_empty() && name != "help").collect()
}

#[test]
fn the_manual_names_every_command_and_no_other() {
    let page = std::fs::read_to_string(repository().join("deploy/heapward.8")).unwrap();
    let section = page.split(".SH COMMANDS\n").nth(1).unwrap().split(".PP\n").next().unwrap();
    let named: Vec<String> = section
        .split(".TP\n.B ")
        .skip(1)
        .map(|part| part.lines().next().unwrap().replace("\\-", "-"))
        .collect();
    assert!(named.len() > 10, "{named:?}");
    assert_eq!(named, commands(), "deploy/heapward.8 and `heapward --help`");
}

/// The packaged broker configuration with its places moved into `dir` and its ports to free ones.
fn start_broker(dir: &Path) -> (Process, u16) {
    let (inner, outer) = (free_port(), free_port());
    let place = |name: &str| dir.join(name).display().to_string();
    let read = |name: &str| std::fs::read_to_string(repository().join("deploy").join(name)).unwrap();
    let conf = read("mosquitto.conf")
        .replace("/etc/mosquitto/heapward.passwd", &place("passwd"))
        .replace("/etc/mosquitto/heapward.acl", &place("acl"))
        .replace("listener 1884 127.0.0.1", &format!("listener {inner} 127.0.0.1"))
        .replace("listener 1883", &format!("listener {outer} 127.0.0.1"));
    std::fs::write(dir.join("conf"), format!("user root\n{conf}")).unwrap();
    std::fs::write(dir.join("acl"), read("mosquitto.acl")).unwrap();
    for (i, user) in ["heapward", "bay1", "bay2"].iter().enumerate() {
        let mut command = Command::new("mosquitto_passwd");
        command.arg("-b").args((i == 0).then_some("-c")).arg(dir.join("passwd")).args([user, "long-enough"]);
        assert!(
            command.output().unwrap().status.success(),
            "mosquitto_passwd failed: apt-get install mosquitto"
        );
    }
    let mut command = Command::new("/usr/sbin/mosquitto");
    command.arg("-c").arg(dir.join("conf"));
    let process = Process::start(&mut command, &dir.join("log"), "apt-get install mosquitto");
    wait_until("mosquitto to listen", || is_listening(inner) && is_listening(outer));
    (process, outer)
}

struct Client<'a> {
    port: u16,
    user: &'a str,
}

impl Client<'_> {
    fn command(&self, program: &str, password: &str) -> Command {
        let mut command = Command::new(program);
        command.args([
            "-h",
            "127.0.0.1",
            "-p",
            &self.port.to_string(),
            "-u",
            self.user,
            "-P",
            password,
            "-q",
            "1",
        ]);
        command.stdout(Stdio::piped()).stderr(Stdio::piped());
        command
    }

    fn publish(&self, topic: &str) -> bool {
        self.command("mosquitto_pub", "long-enough")
            .args(["-t", topic, "-m", "1"])
            .status()
            .unwrap()
            .success()
    }
}

#[test]
fn a_probe_speaks_for_itself_alone() {
    let dir = tempfile::tempdir().unwrap();
    let (_broker, port) = start_broker(dir.path());
    let [heapward, bay1, bay2] = ["heapward", "bay1", "bay2"].map(|user| Client { port, user });

    let heard = dir.path().join("heard");
    let mut listen = heapward.command("mosquitto_sub", "long-enough");
    let listener =
        listen.args(["-t", "#", "-F", "%t"]).stdout(std::fs::File::create(&heard).unwrap()).spawn();
    let mut listener = listener.unwrap();
    let nosy = dir.path().join("nosy");
    let mut listen = bay2.command("mosquitto_sub", "long-enough");
    let nosy_listener = listen
        .args(["-t", "#", "-t", "$SYS/#", "-F", "%t"])
        .stdout(std::fs::File::create(&nosy).unwrap())
        .spawn();
    let mut nosy_listener = nosy_listener.unwrap();

    let topics = || std::fs::read_to_string(&heard).unwrap();
    wait_for("the listener", || {
        bay1.publish("heap/bay1/ready");
        topics().contains("heap/bay1/ready").then_some(())
    });
    for (client, topic) in [
        (&bay1, "heap/bay1/core"),
        (&bay1, "heap/bay2/core"),
        (&bay1, "heap/bay1"),
        (&bay1, "heap"),
        (&bay1, "heapward/status"),
        (&bay1, "barn/lamp/1"),
        (&bay2, "heap/bay1/core/late"),
        (&heapward, "heap/bay1/forged"),
        (&bay2, "heap/bay2/last"),
    ] {
        client.publish(topic);
    }
    wait_until("the last message", || topics().contains("heap/bay2/last"));
    std::thread::sleep(Duration::from_millis(200));
    let mut came: Vec<String> =
        topics().lines().filter(|topic| !topic.ends_with("ready")).map(str::to_owned).collect();
    came.sort();
    assert_eq!(came, ["heap/bay1", "heap/bay1/core", "heap/bay2/last"]);
    assert_eq!(std::fs::read_to_string(&nosy).unwrap(), "", "a probe hears nothing");

    let wrong = bay1
        .command("mosquitto_pub", "wrong-one")
        .args(["-t", "heap/bay1/core", "-m", "1"])
        .status()
        .unwrap();
    assert!(!wrong.success(), "a wrong password got in");
    let nobody =
        Command::new("mosquitto_pub").args(["-p", &port.to_string(), "-t", "heap/x", "-m", "1"]).output();
    assert!(!nobody.unwrap().status.success(), "nobody in particular got in");
    for child in [&mut listener, &mut nosy_listener] {
        child.kill().unwrap();
        child.wait().unwrap();
    }
}
