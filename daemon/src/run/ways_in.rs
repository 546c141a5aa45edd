//! The ways in, as pages and API show them.

use std::sync::Arc;

use crate::http::{IngestStatus, RefusedMessages};
use crate::ingest::IngestHandle;

/// How messages come in, for the pages.
pub(super) fn for_pages(ingest: IngestHandle) -> Arc<dyn Fn() -> IngestStatus + Send + Sync> {
    Arc::new(move || {
        let status = ingest.status();
        let broker = status.broker.as_ref();
        let endpoint = status.endpoint.as_ref();
        let refused = status.refused.iter().map(|row| RefusedMessages {
            topic: row.topic.clone(),
            reason: row.reason.word().to_owned(),
            count: row.count,
            example: row.example.clone(),
            first: row.first,
            last: row.last,
        });
        IngestStatus {
            source: broker.map(|broker| broker.address.clone()).or(endpoint.map(|it| it.address.clone())),
            connected: broker.map_or(endpoint.is_some(), |broker| broker.connected),
            last_message: status.last_message,
            messages: status.counts.messages,
            readings: status.counts.readings,
            retained: status.counts.retained,
            undated: status.counts.undated,
            refused: refused.collect(),
        }
    })
}
