//! The hostile messages through the whole of ingest: each is counted, with its reason, and harms no other.

use std::sync::atomic::Ordering;
use std::time::Duration;

use heapward::ingest::status::Status;
use rumqttc::{AsyncClient, Event, MqttOptions, Packet, QoS};

use super::{corpus, endpoint};

#[test]
fn every_hostile_message_is_counted_and_acknowledged() {
    let runtime = tokio::runtime::Runtime::new().unwrap();
    runtime.block_on(async {
        let panics = super::count_panics();
        let (address, ingest, _stop) = endpoint::endpoint().await;
        let hostile = corpus::hostile();
        assert!(hostile.len() >= 400, "{}", hostile.len());
        let small: Vec<&Vec<u8>> = hostile.iter().filter(|payload| payload.len() <= 65_536).collect();
        let topics = corpus::probes().len();
        let before = ingest.handle().status().counts;
        let mut options = MqttOptions::new("hostile", "127.0.0.1", address.port());
        options.set_max_packet_size(1_000_000, 1_000_000);
        let (client, mut events) = AsyncClient::new(options, 10);
        let count = small.len() * topics;
        let sending: Vec<(String, Vec<u8>)> = small
            .iter()
            .flat_map(|payload| (0..topics).map(|n| (format!("quillback/{n}"), Vec::clone(payload))))
            .collect();
        let sender = tokio::spawn(async move {
            for (topic, payload) in sending {
                client.publish(topic, QoS::AtLeastOnce, false, payload).await.unwrap();
            }
            client
        });
        let mut acked = 0;
        while acked < count {
            let event =
                tokio::time::timeout(Duration::from_mins(1), events.poll()).await.expect("acknowledged");
            if let Event::Incoming(Packet::PubAck(_)) = event.unwrap() {
                acked += 1;
            }
        }
        let status: Status = ingest.handle().status();
        let counts = status.counts;
        assert_eq!(counts.messages - before.messages, u64::try_from(count).unwrap());
        // Nothing vanishes: each message for a probe is a reading, a refusal with a reason, or skipped. Lists may give
        // several; words of availability give none.
        assert!(counts.refused > 0 && counts.readings > 0 && counts.skipped > 0, "{counts:?}");
        assert!(status.refused.iter().map(|row| row.count).sum::<u64>() + status.refused_forgotten > 0);
        assert!(endpoint::is_served(address));
        drop(sender.await.unwrap());

        // Those that are larger than any packet: closed with a reason.
        for payload in hostile.iter().filter(|payload| payload.len() > 70_000) {
            let mut options = MqttOptions::new("large", "127.0.0.1", address.port());
            options.set_max_packet_size(2_000_000, 2_000_000);
            let (client, mut events) = AsyncClient::new(options, 10);
            client.publish("quillback/0", QoS::AtLeastOnce, false, payload.clone()).await.unwrap();
            let closed = async { while events.poll().await.is_ok() {} };
            tokio::time::timeout(Duration::from_secs(10), closed).await.expect("closed");
        }
        assert!(ingest.handle().status().endpoint.unwrap().closed["too-large"] >= 10);
        assert!(endpoint::is_served(address));
        assert_eq!(panics.load(Ordering::Relaxed), 0, "panics");
    });
}
