//! TLS to a real mosquitto, with certificates that OpenSSL made for this test.

use std::process::Command as Process;

use super::*;
use crate::config::TlsConfig;

/// The farm's authority, another one, and certificates: `server` for 127.0.0.1, `late` expired, `shed` for a name, `client`.
fn make_certificates(dir: &std::path::Path) {
    let script = r#"
set -e
key="-newkey ec -pkeyopt ec_paramgen_curve:prime256v1 -nodes"
for ca in ca other; do openssl req -x509 $key -keyout $ca.key -out $ca.pem -days 2 -subj /CN=Quillback-$ca; done
sign() {
    printf 'subjectAltName=%s\n' "$2" >ext
    openssl req $key -keyout $1.key -out $1.csr -subj /CN=$1
    openssl x509 -req -in $1.csr -CA ca.pem -CAkey ca.key -CAcreateserial -days $3 -out $1.pem -extfile ext
}
sign server IP:127.0.0.1 2
sign late IP:127.0.0.1 -1
sign shed DNS:shed.example 2
sign heapward DNS:heapward 2
"#;
    let run = Process::new("sh").args(["-c", script]).current_dir(dir).output();
    let run = run.expect("a shell");
    assert!(run.status.success(), "apt-get install openssl; {}", String::from_utf8_lossy(&run.stderr));
}

/// A broker whose first listener has TLS with that certificate; behind a second one anybody may publish.
async fn secured(certificate: &str, more: &str) -> (Mosquitto, u16) {
    let open = free_port();
    let lines = format!(
        "cafile DIR/ca.pem\ncertfile DIR/{certificate}.pem\nkeyfile DIR/{certificate}.key\n{more}\nlistener {open} \
         127.0.0.1\nallow_anonymous true"
    );
    let mut broker = Mosquitto::prepared(&lines);
    make_certificates(broker.dir.path());
    broker.up().await;
    (broker, open)
}

/// The subscription follows the connection, and a message before it is not ours.
async fn subscribed() {
    sleep(Duration::from_millis(300)).await;
}

fn with_ca(broker: &Mosquitto, ca: &str) -> BrokerConfig {
    let tls = TlsConfig { ca_file: broker.dir.path().join(ca), client: None };
    BrokerConfig { tls: Some(tls), ..broker.config() }
}

#[tokio::test(flavor = "multi_thread")]
async fn readings_come_over_tls_and_what_is_wrong_with_it_is_said() {
    let (mut broker, open) = secured("server", "").await;
    let here = barn(with_ca(&broker, "ca.pem"));
    until("connected", || here.status().connected).await;
    subscribed().await;
    let secure = std::mem::replace(&mut broker.port, open);
    broker.publish(0..500).await;
    broker.port = secure;
    until("readings", || here.values().len() == 500).await;
    here.stop().await;

    let plain = BrokerConfig { port: open, ..with_ca(&broker, "ca.pem") };
    let table = [
        (with_ca(&broker, "other.pem"), "not signed by the authority"),
        (BrokerConfig { host: "localhost".to_owned(), ..with_ca(&broker, "ca.pem") }, "for another name"),
        (plain, "is its port one for TLS"),
    ];
    for (config, sentence) in table {
        let here = barn(config);
        until(sentence, || here.trouble().contains(sentence)).await;
        here.stop().await;
    }
    let (late, _) = secured("late", "").await;
    let here = barn(with_ca(&late, "ca.pem"));
    until("expired", || here.trouble().contains("has expired")).await;
    here.stop().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_broker_that_asks_for_a_certificate_gets_ours_and_its_rules_hold() {
    let more = "require_certificate true\nuse_identity_as_username true\nacl_file DIR/acl";
    let open = free_port();
    let lines = format!(
        "cafile DIR/ca.pem\ncertfile DIR/server.pem\nkeyfile DIR/server.key\n{more}\nlistener {open} \
         127.0.0.1\nallow_anonymous true"
    );
    let mut broker = Mosquitto::prepared(&lines);
    make_certificates(broker.dir.path());
    let acl = format!("topic readwrite #\nuser heapward\ntopic read {FARM}/k1\n");
    std::fs::write(broker.dir.path().join("acl"), acl).unwrap();
    broker.up().await;

    let without = barn(with_ca(&broker, "ca.pem"));
    until("asked for", || without.trouble().contains("does it want a client certificate?")).await;
    without.stop().await;

    let mut config = with_ca(&broker, "ca.pem");
    let file = |name: &str| broker.dir.path().join(name);
    config.tls =
        config.tls.map(|tls| TlsConfig { client: Some((file("heapward.pem"), file("heapward.key"))), ..tls });
    let here = barn(config);
    until("connected", || here.status().connected).await;
    subscribed().await;
    broker.port = open;
    broker.publish_all(vec![(format!("{FARM}/k2"), "7000".to_owned())], QoS::AtLeastOnce, false).await;
    broker.publish(0..10).await;
    until("readings of k1", || here.values().len() == 10).await;
    assert!(!here.values().contains(&7_000), "k2 is not ours to read");
    here.stop().await;
}
