//! How many lines about the broker go into the log: a network that comes and goes would fill the card with them.

use tokio::time::{Duration, Instant};

use crate::limits::{BROKER_LINES_AT_ONCE, BROKER_LINES_REFILL};

/// What may still be written.
#[derive(Debug)]
pub(super) struct Lines {
    left: u32,
    refilled: Instant,
}

// === impl Lines ===

impl Lines {
    pub(super) fn new(now: Instant) -> Lines {
        Lines { left: BROKER_LINES_AT_ONCE, refilled: now }
    }

    /// Whether a line may be written now; it counts as written then.
    pub(super) fn may_write(&mut self, now: Instant) -> bool {
        let since = now.duration_since(self.refilled);
        let more = u32::try_from(since.as_secs() / BROKER_LINES_REFILL.as_secs()).unwrap_or(u32::MAX);
        self.left = self.left.saturating_add(more).min(BROKER_LINES_AT_ONCE);
        self.refilled += Duration::from_secs(u64::from(more) * BROKER_LINES_REFILL.as_secs());
        let may = self.left > 0;
        self.left = self.left.saturating_sub(1);
        may
    }
}

#[cfg(test)]
mod tests {
    use super::super::backoff::Backoff;
    use super::*;

    /// The figures of a day: not more than 50 lines, and 20 in an hour, however often the trouble changes.
    #[test]
    fn a_day_without_a_broker_writes_few_lines_and_knocks_once_a_minute() {
        let start = Instant::now();
        let (mut lines, mut backoff) = (Lines::new(start), Backoff::default());
        let (mut now, mut knocks, mut written) = (start, 0, Vec::new());
        while now.duration_since(start) < Duration::from_hours(24) {
            knocks += 1;
            if lines.may_write(now) {
                written.push(now);
            }
            now += backoff.next(now, None, false, 0.0).pause;
        }
        assert!((1_400..1_450).contains(&knocks), "{knocks}");
        assert!((10..=50).contains(&written.len()), "{}", written.len());
        let in_first_hour = written.iter().filter(|at| at.duration_since(start) < Duration::from_hours(1));
        assert!(in_first_hour.count() <= 20);
    }
}
