//! Brokers that are stuck, shared or flooded, in full size.

use super::*;

/// Ten megabytes that the broker has kept: the library would break its connection at each delivery.
#[tokio::test(flavor = "multi_thread")]
async fn a_huge_message_that_the_broker_has_kept_is_passed_over() {
    let broker = Mosquitto::start("allow_anonymous true").await;
    let huge = vec![(format!("{FARM}/k2"), "7".repeat(10_000_000))];
    broker.publish_all(huge, QoS::AtLeastOnce, true).await;
    let here = barn(broker.config());
    until("counted", || here.ingest.status().counts.refused > 0).await;
    broker.publish(0..100).await;
    until("readings", || here.values().len() == 100).await;
    let status = here.ingest.status();
    let row = &status.refused[0];
    assert_eq!((row.topic.as_str(), row.reason.word()), ("quillback/k2", "too-large"));
    assert_eq!(here.status().connections, 2, "one that broke, one that stays");
    here.stop().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn two_programs_with_one_client_id_are_told_apart_from_a_bad_line() {
    let broker = Mosquitto::start("allow_anonymous true").await;
    let (one, two) = (barn(broker.config()), barn(broker.config()));
    let says = |barn: &Barn| barn.trouble().contains("another program uses the client id `heapward-test`");
    until("one of them sees it", || says(&one) || says(&two)).await;
    // While it keeps away, the other one works.
    let other = if says(&one) { &two } else { &one };
    until("the other is connected", || other.status().connected).await;
    broker.publish(0..50).await;
    until("readings", || other.values().len() == 50).await;
    one.stop().await;
    two.stop().await;
}
