//! `heapward listen` at a real broker: what is there, retained or live, and a block to paste.

use std::process::Command;

use heapward_tests::broker::{Broker, publish};
use heapward_tests::daemon::binary;
use heapward_tests::wait::wait_for;

#[test]
fn it_shows_topics_numbers_and_a_block_to_paste() {
    let dir = tempfile::tempdir().unwrap();
    let broker = Broker::start(dir.path());
    let output = Command::new("mosquitto_pub")
        .args(["-h", "127.0.0.1", "-p", &broker.port.to_string(), "-r", "-t", "heap/old", "-m", "21.5"])
        .output()
        .unwrap_or_else(|error| {
            panic!("mosquitto_pub can't be started ({error}): apt-get install mosquitto-clients")
        });
    assert!(output.status.success(), "{output:?}");
    let address = format!("127.0.0.1:{}", broker.port);
    let listening = std::thread::spawn(move || {
        Command::new(binary()).args(["listen", "--for", "4", "--broker", &address]).output().unwrap()
    });
    // It says nothing before its end: publish until it has ended.
    wait_for("listen to end", || {
        publish(broker.port, "heap/bay1", r#"{"c":62.4,"battery":81}"#);
        listening.is_finished().then_some(())
    });
    let output = listening.join().unwrap();
    let text = String::from_utf8(output.stdout).unwrap();
    assert!(output.status.success(), "{text}");
    assert!(text.contains("heap/old\n  1 in 4 s, retained: its age is unknown\n  21.5\n"), "{text}");
    assert!(text.contains("live\n  {\"c\":62.4,\"battery\":81}\n"), "{text}");
    assert!(text.contains("number at \"/c\": 62.4"), "{text}");
    assert!(text.contains("[[probe]]\nid = \"bay1\"\ntopic = \"heap/bay1\""), "{text}");
}
