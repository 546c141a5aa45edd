//! An ordinary MQTT client: what the gateways of a farm are to Heapward.

use std::net::SocketAddr;
use std::time::Duration;

use rumqttc::{AsyncClient, ClientError, Event, EventLoop, MqttOptions, Packet, QoS};
use tokio::sync::watch;
use tokio::task::JoinHandle;

use super::messages::Message;
use crate::limits;

/// Publishes with `QoS` 1 and counts what was acknowledged.
pub struct Publisher {
    client: AsyncClient,
    sent: u64,
    acknowledged: watch::Receiver<u64>,
    task: JoinHandle<()>,
}

// === impl Publisher ===

impl Publisher {
    pub fn connect(endpoint: SocketAddr) -> Publisher {
        let mut options = MqttOptions::new("quillback-gateways", endpoint.ip().to_string(), endpoint.port());
        options.set_keep_alive(Duration::from_secs(30)).set_inflight(limits::DEMO_INFLIGHT_MAX);
        let (client, events) = AsyncClient::new(options, limits::DEMO_QUEUE_LENGTH);
        let (count, acknowledged) = watch::channel(0);
        let task = tokio::spawn(drive(events, count));
        Publisher { client, sent: 0, acknowledged, task }
    }

    pub async fn publish(&mut self, message: Message) -> Result<(), ClientError> {
        self.client.publish(message.topic, QoS::AtLeastOnce, false, message.payload).await?;
        self.sent += 1;
        Ok(())
    }

    pub fn sent(&self) -> u64 {
        self.sent
    }

    pub fn acknowledged(&self) -> u64 {
        *self.acknowledged.borrow()
    }

    /// Waits until everything is acknowledged.
    pub async fn settle(&mut self) {
        let sent = self.sent;
        // The sender lives as long as the task: the wait ends with what it waits for.
        let _ = self.acknowledged.wait_for(|count| *count >= sent).await;
    }

    pub fn stop(self) {
        self.task.abort();
    }
}

async fn drive(mut events: EventLoop, count: watch::Sender<u64>) {
    loop {
        match events.poll().await {
            Ok(Event::Incoming(Packet::PubAck(_))) => count.send_modify(|count| *count += 1),
            Ok(_) => {}
            // The endpoint is not there yet, or no more; what was not acknowledged is sent again.
            Err(_) => tokio::time::sleep(limits::DEMO_RECONNECT).await,
        }
    }
}
