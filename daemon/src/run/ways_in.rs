//! The ways in: our own endpoint and an outside broker, as the rest of the daemon sees them.

use std::sync::Arc;

use crate::http::IngestStatus;
use crate::telling::publish::Publish;

/// The ways in at work.
pub struct WaysIn {}

// === impl WaysIn ===

impl WaysIn {
    /// Whoever publishes what Heapward itself has to say.
    pub fn publisher(&self) -> Option<Arc<dyn Publish>> {
        None
    }

    /// How messages come in, for the pages.
    pub fn for_pages(&self) -> Arc<dyn Fn() -> IngestStatus + Send + Sync> {
        Arc::new(IngestStatus::default)
    }

    /// Resolves when no more messages come in.
    pub async fn stopped(&self) {}
}
