//! An ordinary client library at the endpoint: paho-mqtt, which repeats by itself what was not acknowledged.

use std::process::{Command, Stdio};
use std::time::Duration;

use heapward::limits::MQTT_CLIENTS_MAX;
use heapward_tests::daemon::Daemon;
use heapward_tests::process::free_port;

use super::numbered::{beginning, check, probes, stored};

const MESSAGES: u64 = 3_000;

const SCRIPT: &str = r#"
import sys, time
import paho.mqtt.client as mqtt

port, count, beginning = int(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3])
client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, client_id="paho", clean_session=False)
acknowledged = set()
client.on_publish = lambda client, data, mid, reason, properties: acknowledged.add(mid)
client.will_set("quillback/k0/state", "offline", qos=1)
client.reconnect_delay_set(1, 1)
client.max_inflight_messages_set(100)
client.connect("127.0.0.1", port, keepalive=10)
client.loop_start()
for n in range(count):
    payload = '{"c":%d,"t":%d}' % (n, beginning + n // 8 * 1000)
    client.publish("quillback/k%d" % (n % 8), payload, qos=1)
    time.sleep(0.001)
patience = time.monotonic() + 60
while len(acknowledged) < count and time.monotonic() < patience:
    time.sleep(0.05)
client.disconnect()
print(len(acknowledged))
"#;

#[test]
fn paho_repeats_what_two_killed_daemons_did_not_acknowledge() {
    let dir = tempfile::tempdir().unwrap();
    let port = free_port();
    let rest = format!("[endpoint]\nlisten = \"127.0.0.1:{port}\"\n{}", probes());
    let mut daemon = Daemon::start(dir.path(), &rest);
    let arguments = [port.to_string(), MESSAGES.to_string(), beginning().0.to_string()];
    let client = Command::new("python3").arg("-c").arg(SCRIPT).args(arguments).stdout(Stdio::piped()).spawn();
    let client = client.expect("python3 with paho-mqtt: tests/run makes the environment");
    for _ in 0..2 {
        std::thread::sleep(Duration::from_secs(1));
        daemon.process().kill();
        daemon.start_again();
    }
    let output = client.wait_with_output().unwrap();
    assert!(output.status.success());
    assert_eq!(String::from_utf8_lossy(&output.stdout).trim(), MESSAGES.to_string(), "acknowledged");
    daemon.wait();
    assert!(daemon.process().stop().success());
    check(&(0..MESSAGES).collect::<Vec<_>>(), &stored(dir.path()));
}

const CROWD: &str = r#"
import resource, socket, sys

port, most = int(sys.argv[1]), int(sys.argv[2])
hard = resource.getrlimit(resource.RLIMIT_NOFILE)[1]
resource.setrlimit(resource.RLIMIT_NOFILE, (min(hard, 8192), hard))

def knock(n):
    client = b"c%04d" % n
    one = socket.create_connection(("127.0.0.1", port), timeout=20)
    try:
        one.sendall(bytes([0x10, 12 + len(client), 0, 4]) + b"MQTT" + bytes([4, 2, 2, 88, 0, len(client)]) + client)
        return one, one.recv(4)
    except ConnectionError:
        return one, b""

crowd = [knock(n) for n in range(most)]
assert all(answer == b"\x20\x02\x00\x00" for _, answer in crowd)
assert knock(most)[1] == b"", "one more is turned away"
crowd.pop()[0].close()
for _ in range(100):
    if knock(most + 1)[1]:
        print("let in")
        break
"#;

#[test]
fn as_many_clients_as_may_be_are_let_in_and_one_more_is_not() {
    let dir = tempfile::tempdir().unwrap();
    let port = free_port();
    let rest = format!("[endpoint]\nlisten = \"127.0.0.1:{port}\"\n{}", probes());
    let mut daemon = Daemon::start(dir.path(), &rest);
    let arguments = [port.to_string(), MQTT_CLIENTS_MAX.to_string()];
    let output = Command::new("python3").arg("-c").arg(CROWD).args(arguments).output().unwrap();
    let said = String::from_utf8_lossy(&output.stderr);
    assert_eq!(String::from_utf8_lossy(&output.stdout).trim(), "let in", "{said}");
    assert!(daemon.process().stop().success());
}
