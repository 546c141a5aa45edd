//! `heapward listen` with a real broker and with the endpoint.

use std::process::{Command, Stdio};
use std::time::Duration;

use heapward_tests::broker::{Broker, publish};
use heapward_tests::daemon::{binary, heapward};
use heapward_tests::process::{free_port, is_listening};
use heapward_tests::wait::wait_until;

const SENSOR: &str =
    r#"{"Time":"2026-05-02T06:15:00","DS18B20":{"Id":"28AA3C5190B4","Temperature":62.3},"TempUnit":"C"}"#;

#[test]
fn what_is_on_the_broker_is_shown_with_blocks_that_can_be_pasted() {
    let dir = tempfile::tempdir().unwrap();
    let broker = Broker::start(dir.path());
    let kept = Command::new("mosquitto_pub")
        .args(["-p", &broker.port.to_string(), "-r", "-t", "shed/k2/state", "-m", "144.3"])
        .status();
    assert!(kept.unwrap().success());
    let address = format!("127.0.0.1:{}", broker.port);
    let listening = Command::new(binary())
        .args(["listen", "--broker", &address, "--for", "3", "--config", "/nowhere.toml"])
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    std::thread::sleep(Duration::from_secs(1));
    publish(broker.port, "tele/shed/SENSOR", SENSOR);
    let output = listening.wait_with_output().unwrap();
    assert!(output.status.success());
    let said = String::from_utf8(output.stdout).unwrap();
    for part in [
        "retained only",
        "live, once",
        "\"/DS18B20/Temperature\"  62.3",
        "id = \"shed-k2\"",
        "unit = \"F\"",
        "select = { object = \"\", key = \"/Id\", equals = \"28AA3C5190B4\" }",
        "It reads 62 C = 144 F now. Right?",
    ] {
        assert!(said.contains(part), "{part} is missing in:\n{said}");
    }
    // Pasted as it stands, it is a good configuration.
    let blocks: Vec<&str> = said.lines().skip_while(|line| !line.starts_with('#')).collect();
    let blocks = blocks.join("\n");
    let config = dir.path().join("heapward.toml");
    let text =
        format!("[farm]\nname = \"Quillback Farm\"\ntimezone = \"America/New_York\"\n[endpoint]\n{blocks}");
    std::fs::write(&config, text).unwrap();
    let check = heapward(&["check", "--config", config.to_str().unwrap()]);
    assert!(check.status.success(), "{}", String::from_utf8_lossy(&check.stderr));

    // With it each probe says what it reads now, and why that is no reading yet.
    let listening = Command::new(binary())
        .args(["listen", "--broker", &address, "--for", "3", "--config"])
        .arg(&config)
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    std::thread::sleep(Duration::from_secs(1));
    publish(broker.port, "tele/shed/SENSOR", SENSOR);
    let said = String::from_utf8(listening.wait_with_output().unwrap().stdout).unwrap();
    for line in [
        "28-28aa3c5190b4: 62.3 C, but no reading: the message's own time is more than 30 days back",
        &format!("    tele/shed/SENSOR  {SENSOR}\n"),
        "shed-k2: 144.3 F, but no reading: a kept message without a time of its own",
    ] {
        assert!(said.contains(line), "{line} is missing in:\n{said}");
    }
    assert!(!said.contains("[[probe]]"), "nothing is proposed twice: {said}");
}

#[test]
fn without_a_broker_it_listens_in_place_of_the_daemon() {
    let dir = tempfile::tempdir().unwrap();
    let port = free_port();
    let config = dir.path().join("heapward.toml");
    let text = format!(
        "[farm]\nname = \"Quillback Farm\"\ntimezone = \"America/New_York\"\n[endpoint]\nlisten = \"127.0.0.1:{port}\"\n"
    );
    std::fs::write(&config, text).unwrap();
    let mut listening = Command::new(binary())
        .args(["listen", "--for", "4", "--config"])
        .arg(&config)
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    wait_until("the endpoint to listen", || is_listening(port));
    // With QoS 1 it would wait for an acknowledgement that does not come: the reading stays with the device.
    let sent =
        Command::new("mosquitto_pub").args(["-p", &port.to_string(), "-t", "shed/k1", "-m", "62.4"]).status();
    assert!(sent.unwrap().success());
    let busy = heapward(&["listen", "--for", "1", "--config", config.to_str().unwrap()]);
    assert_eq!(busy.status.code(), Some(1));
    assert!(String::from_utf8_lossy(&busy.stderr).contains("can't be listened on"));
    assert!(listening.wait().unwrap().success());
    let mut said = String::new();
    std::io::Read::read_to_string(&mut listening.stdout.take().unwrap(), &mut said).unwrap();
    assert!(said.contains("id = \"shed-k1\""), "{said}");
}

#[test]
fn a_broker_that_is_not_there_is_told_in_words() {
    let address = format!("127.0.0.1:{}", free_port());
    let output = heapward(&["listen", "--broker", &address, "--for", "1", "--config", "/nowhere.toml"]);
    assert_eq!(output.status.code(), Some(1));
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(said.contains("nothing listens at"), "{said}");
}
