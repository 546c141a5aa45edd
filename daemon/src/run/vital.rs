//! Signs of life of a running daemon: fed to systemd's watchdog, and told outside by the heartbeat.
//!
//! The recorder ticks on its own thread and the scheduler in its own task; ingest ticks here whenever its board
//! answers. What ails one of them (store failing, clock not set, broker away) withholds the heartbeat, but not the
//! watchdog: starting again would cure none of it.

use std::future::Future;

use crate::clock::SharedClock;
use crate::ingest::IngestHandle;
use crate::limits::SIGN_EVERY;
use crate::telling::signs::{Organ, Signs};

/// The organs that must be alive.
pub(super) const ORGANS: [Organ; 3] = [Organ::Ingest, Organ::Recorder, Organ::Scheduler];

/// Looks at ingest and clock until the daemon stops.
pub(super) async fn look(
    signs: Signs,
    clock: SharedClock,
    ingest: IngestHandle,
    stopped: impl Future<Output = ()> + Send,
) {
    tokio::pin!(stopped);
    loop {
        let broker = ingest.status().broker;
        signs.tick(Organ::Ingest);
        let away = broker.filter(|broker| !broker.connected).map(|broker| broker.trouble.unwrap_or_default());
        signs.ails(Organ::Ingest, away.as_deref());
        signs.ails(Organ::Scheduler, (!clock.is_trusted()).then_some("the clock is not set"));
        tokio::select! {
            () = &mut stopped => return,
            () = clock.sleep(SIGN_EVERY) => {}
        }
    }
}
