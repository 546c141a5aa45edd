//! How many readings a probe may bring: a month's backlog at once, but no flood without an end.

use heapward_rules::units::Span;

use crate::limits::{PROBE_READINGS_BURST, PROBE_READINGS_PER_SECOND};

/// A bucket of readings that fills again with time.
#[derive(Clone, Copy, Debug)]
pub struct Allowance {
    left: u32,
    filled: Span,
}

// === impl Allowance ===

impl Allowance {
    pub fn new(now: Span) -> Allowance {
        Allowance { left: PROBE_READINGS_BURST, filled: now }
    }

    /// Takes one reading at a monotonic time; false if there is none left.
    pub fn take(&mut self, now: Span) -> bool {
        let seconds = (now - self.filled).0.max(0) / 1_000;
        if seconds > 0 {
            let more = u32::try_from(seconds).unwrap_or(u32::MAX).saturating_mul(PROBE_READINGS_PER_SECOND);
            self.left = self.left.saturating_add(more).min(PROBE_READINGS_BURST);
            self.filled = self.filled + Span::seconds(seconds);
        }
        let is_left = self.left > 0;
        self.left = self.left.saturating_sub(1);
        is_left
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_flood_ends_and_time_fills_the_bucket() {
        let mut allowance = Allowance::new(Span::ZERO);
        let taken = (0..400_000).filter(|_| allowance.take(Span::ZERO)).count();
        assert_eq!(taken, 250_000);
        let taken = (0..100).filter(|_| allowance.take(Span(2_999))).count();
        assert_eq!(taken, 20);
        let taken = (0..400_000).filter(|_| allowance.take(Span::days(30))).count();
        assert_eq!(taken, 250_000);
    }
}
