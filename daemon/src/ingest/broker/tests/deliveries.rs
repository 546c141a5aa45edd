//! What the broker delivers: kept while we were away, again, retained.

use super::*;

#[tokio::test(flavor = "multi_thread")]
async fn what_the_broker_kept_while_we_were_away_comes_once_we_are_back() {
    let broker = Mosquitto::start("allow_anonymous true").await;
    let here = barn(broker.config());
    until("connected", || here.status().connected).await;
    broker.publish(0..100).await;
    until("live readings", || here.values().len() == 100).await;
    here.stop().await;
    broker.publish(100..3_000).await;
    let back = barn(broker.config());
    until("the backlog", || back.values().len() == 2_900).await;
    assert_eq!(back.values(), (100..3_000).collect::<Vec<_>>());
    back.stop().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn nothing_is_acknowledged_before_its_commit() {
    let broker = Mosquitto::start("allow_anonymous true").await;
    let here = barn(broker.config());
    here.commits.store(false, Ordering::SeqCst);
    until("connected", || here.status().connected).await;
    broker.publish(0..50).await;
    until("handed in", || here.acks.lock().unwrap().len() == 50).await;
    // Killed before the commit: the acknowledgements never come.
    here.stop().await;
    let back = barn(broker.config());
    until("delivered again", || back.values().len() == 50).await;
    back.stop().await;
    let empty = barn(broker.config());
    until("connected", || empty.status().connected).await;
    sleep(Duration::from_millis(500)).await;
    assert!(empty.values().is_empty());
    empty.stop().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_reading_that_could_not_be_kept_is_delivered_again() {
    let broker = Mosquitto::start("allow_anonymous true").await;
    let here = barn(broker.config());
    until("connected", || here.status().connected).await;
    here.commits.store(false, Ordering::SeqCst);
    broker.publish(0..10).await;
    until("handed in", || here.acks.lock().unwrap().len() == 10).await;
    here.commits.store(true, Ordering::SeqCst);
    Ack::settle_all(std::mem::take(&mut *here.acks.lock().unwrap()), false);
    until("delivered again", || here.kept.lock().unwrap().len() == 20).await;
    assert_eq!(here.status().connections, 2);
    here.stop().await;
}

/// It comes with each subscription, and is one reading: the store keeps an instant once.
#[tokio::test(flavor = "multi_thread")]
async fn a_kept_message_with_a_time_of_its_own_is_a_reading_of_that_time() {
    let broker = Mosquitto::start("allow_anonymous true").await;
    let at = *START + 5_000;
    let kept = (format!("{FARM}/k1"), format!(r#"{{"c":62.4,"t":{at}}}"#));
    broker.publish_all(vec![kept], QoS::AtLeastOnce, true).await;
    for _ in 0..2 {
        let here = barn(broker.config());
        until("the kept message", || here.kept.lock().unwrap().len() == 1).await;
        assert_eq!(*here.kept.lock().unwrap(), [("k1".to_owned(), 62.4, At(at))]);
        let counts = here.ingest.status().counts;
        assert_eq!((counts.retained, counts.refused), (0, 0), "{counts:?}");
        here.stop().await;
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn retained_and_late_messages_without_a_time_are_no_readings() {
    let broker = Mosquitto::start("allow_anonymous true").await;
    let here = barn(broker.config());
    until("connected", || here.status().connected).await;
    here.stop().await;
    let k2 = |value: &str| (format!("{FARM}/k2"), value.to_owned());
    broker.publish_all(vec![k2("10")], QoS::AtLeastOnce, true).await;
    broker.publish_all(vec![k2("11"), k2("12"), k2("13")], QoS::AtLeastOnce, false).await;
    let back = barn(broker.config());
    until("the last of the backlog", || !back.values().is_empty()).await;
    sleep(Duration::from_secs(2)).await;
    assert_eq!(back.values(), [13]);
    let counts = back.ingest.status().counts;
    assert_eq!((counts.readings, counts.retained, counts.undated), (1, 1, 3), "{counts:?}");
    broker.publish_all(vec![k2("14"), k2("15")], QoS::AtLeastOnce, false).await;
    until("live again", || back.values() == [13, 14, 15]).await;
    back.stop().await;
}
