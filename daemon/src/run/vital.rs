//! How a running daemon is doing: fed to systemd's watchdog, told outside by the heartbeat, and told to people by the
//! recorder.
//!
//! The recorder ticks on its own thread and the scheduler in its own task; ingest ticks here whenever its board
//! answers. What ails one of them (store failing, clock not set, broker away) withholds the heartbeat, but not the
//! watchdog: starting again would cure none of it.

use std::future::Future;
use std::path::PathBuf;

use heapward_rules::units::{At, Span};

use super::nightly::Standing;
use crate::clock::{Clock, SharedClock};
use crate::disk;
use crate::ingest::IngestHandle;
use crate::limits::VITALS_EVERY;
use crate::telling::signs::{Organ, Signs};
use crate::telling::trouble::{Health, Vitals};
use crate::telling::worker::Board;

/// The organs that must be alive.
pub(super) const ORGANS: [Organ; 3] = [Organ::Ingest, Organ::Recorder, Organ::Scheduler];

/// What is looked at, and where it is written down.
pub(super) struct Look {
    pub(super) signs: Signs,
    pub(super) vitals: Vitals,
    pub(super) clock: SharedClock,
    pub(super) ingest: IngestHandle,
    pub(super) channels: Board,
    pub(super) copies: Standing,
    /// Where the records lie.
    pub(super) dir: PathBuf,
}

/// Since when something lasts. Counted in monotonic time: the wall clock may be set meanwhile.
#[derive(Clone, Copy, Debug, Default)]
struct Lasting {
    began: Option<Span>,
}

// === impl Look ===

impl Look {
    /// Looks at ingest, clock, card and channels until the daemon stops.
    pub(super) async fn run(self, stopped: impl Future<Output = ()> + Send) {
        tokio::pin!(stopped);
        let (mut away, mut unset) = (Lasting::default(), Lasting::default());
        loop {
            let clock = self.clock.as_ref();
            let broker = self.ingest.status().broker.filter(|broker| !broker.connected);
            let is_set = clock.is_trusted();
            let health = Health {
                store_failing_since: None,
                free_mb: disk::free_bytes(&self.dir).ok().map(|bytes| bytes / 1_000_000),
                broker_away_since: away.since(broker.is_some(), clock),
                backup: self.copies.get().state,
                clock_untrusted_since: unset.since(!is_set, clock),
                channels: self.channels.states(),
            };
            self.vitals.set(health);
            let trouble = broker.map(|broker| broker.trouble.unwrap_or_default());
            self.signs.tick(Organ::Ingest);
            self.signs.ails(Organ::Ingest, trouble.as_deref());
            self.signs.ails(Organ::Scheduler, (!is_set).then_some("the clock is not set"));
            tokio::select! {
                () = &mut stopped => return,
                () = self.clock.sleep(VITALS_EVERY) => {}
            }
        }
    }
}

// === impl Lasting ===

impl Lasting {
    fn since(&mut self, lasts: bool, clock: &dyn Clock) -> Option<At> {
        let now = clock.monotonic();
        self.began = lasts.then(|| self.began.unwrap_or(now));
        self.began.map(|began| clock.now() - (now - began))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::clock::ManualClock;

    #[test]
    fn since_when_is_counted_through_a_clock_that_is_set() {
        let clock = ManualClock::new(At(0));
        let mut lasting = Lasting::default();
        assert_eq!(lasting.since(false, &clock), None);
        clock.advance(Span::minutes(5));
        assert_eq!(lasting.since(true, &clock), Some(At(0) + Span::minutes(5)));
        clock.step_to(At(0) + Span::days(20_000));
        clock.advance(Span::minutes(3));
        assert_eq!(lasting.since(true, &clock), Some(At(0) + Span::days(20_000)));
        assert_eq!(lasting.since(false, &clock), None);
        assert_eq!(lasting.since(true, &clock), Some(clock.now()));
    }
}
