//! Connections to a real broker: made again, refused, with other topics, and with messages of our own.

use std::process::Command as Process;

use super::*;
use crate::config::Secret;
use crate::telling::publish::Publish as _;

#[tokio::test(flavor = "multi_thread")]
async fn after_each_restart_of_the_broker_we_subscribe_again() {
    let mut broker = Mosquitto::start("allow_anonymous true").await;
    let here = barn(broker.config());
    until("connected", || here.status().connected).await;
    broker.publish(0..100).await;
    broker.down("-TERM");
    until("noticed", || !here.status().connected).await;
    // A goodbye, or a reset where we were still sending.
    let is_lost = |trouble: &str| {
        ["closed the connection", "broke", "nothing listens"].iter().any(|one| trouble.contains(one))
    };
    assert!(is_lost(&here.trouble()), "{}", here.trouble());
    until("refused", || here.trouble().contains("nothing listens")).await;
    broker.up().await;
    until("connected again", || here.status().connected).await;
    broker.publish(100..200).await;
    until("readings", || here.values().len() == 200).await;
    // The broker loses all it knew of us.
    broker.down("-KILL");
    std::fs::remove_file(broker.dir.path().join("mosquitto.db")).unwrap();
    broker.up().await;
    until("connected a third time", || here.status().connections == 3).await;
    broker.publish(200..300).await;
    until("readings of the new session", || here.values().len() == 300).await;
    here.stop().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_new_probe_needs_no_restart() {
    let broker = Mosquitto::start("allow_anonymous true").await;
    let here = barn(broker.config());
    until("connected", || here.status().connected).await;
    let mut more = probes();
    more[1].topic = "elsewhere/k2".to_owned();
    here.ingest.set_probes(&more).unwrap();
    let mut n = 0;
    let began = Instant::now();
    while here.values().is_empty() {
        assert!(began.elapsed() < Duration::from_secs(10));
        n += 1;
        broker.publish_all(vec![("elsewhere/k2".to_owned(), n.to_string())], QoS::AtLeastOnce, false).await;
        sleep(Duration::from_millis(100)).await;
    }
    here.stop().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn passwords_and_names_that_are_wrong_are_told_apart() {
    let mut broker = Mosquitto::prepared("allow_anonymous false\npassword_file DIR/passwords");
    // The file is written by mosquitto's own program.
    let made = Process::new("mosquitto_passwd")
        .args(["-b", "-c"])
        .arg(broker.dir.path().join("passwords"))
        .args(["heapward", "heron"])
        .status();
    assert!(made.expect("mosquitto_passwd is missing: apt-get install mosquitto").success());
    broker.up().await;
    let with = |user: &str, password: &str| BrokerConfig {
        user: Some(user.to_owned()),
        password: Some(Secret::new(password)),
        ..broker.config()
    };
    let table = [
        (with("heapward", "plover"), "refuses user and password"),
        (broker.config(), "refuses user and password"),
        (BrokerConfig { host: "no-such-barn.invalid".to_owned(), ..broker.config() }, "is not known"),
        (BrokerConfig { port: free_port(), ..broker.config() }, "nothing listens"),
    ];
    for (config, sentence) in table {
        let here = barn(config);
        until(sentence, || here.trouble().contains(sentence)).await;
        here.stop().await;
    }
    let here = barn(with("heapward", "heron"));
    until("connected", || here.status().connected).await;
    here.stop().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_message_of_our_own_is_acknowledged_by_the_broker() {
    let broker = Mosquitto::start("allow_anonymous true").await;
    let here = barn(broker.config());
    let publisher = here.ingest.publisher();
    until("connected", || here.status().connected).await;
    for n in 0..150 {
        publisher.publish("heapward/lamp", n.to_string().into_bytes()).await.unwrap();
    }
    publisher.state("heapward/state", "awake");
    let heard = || {
        let port = broker.port.to_string();
        let args = ["-h", "127.0.0.1", "-p", port.as_str(), "-t", "heapward/#", "-C", "2", "-W", "5", "-v"];
        let run = Process::new("mosquitto_sub").args(args).output();
        String::from_utf8(run.expect("mosquitto_sub is missing: apt-get install mosquitto-clients").stdout)
            .unwrap()
    };
    let said = heard();
    assert!(said.contains("heapward/state awake") && said.contains("heapward/status online"), "{said}");
    here.stop().await;
    let said = heard();
    assert!(said.contains("heapward/status offline"), "{said}");
}
