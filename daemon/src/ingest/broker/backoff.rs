//! Pauses between connections to the broker. The library makes none: a broker that is away would cost a core.

use std::collections::VecDeque;

use tokio::time::{Duration, Instant};

use crate::limits::{
    BROKER_PAUSE_MAX, BROKER_PAUSE_MIN, BROKER_STABLE, TAKE_OVER_PAUSE, TAKE_OVERS_MAX, TAKE_OVERS_WINDOW,
};

/// What is known of the last connections.
#[derive(Debug, Default)]
pub(super) struct Backoff {
    failures: u32,
    /// Ends of connections that the broker had accepted and then closed.
    thrown_out: VecDeque<Instant>,
}

/// What to do after a connection has ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Next {
    pub(super) pause: Duration,
    /// Two programs throw each other out, most likely: they use the same client id.
    pub(super) is_take_over: bool,
}

// === impl Backoff ===

impl Backoff {
    /// A connection has ended, or could not be made. `connected`: when it was accepted. `was_closed`: by the broker.
    /// `jitter` between -1 and 1.
    pub(super) fn next(
        &mut self,
        now: Instant,
        connected: Option<Instant>,
        was_closed: bool,
        jitter: f64,
    ) -> Next {
        if connected.is_some_and(|since| now.duration_since(since) >= BROKER_STABLE) {
            self.failures = 0;
        }
        self.failures = self.failures.saturating_add(1);
        if connected.is_some() && was_closed {
            self.thrown_out.push_back(now);
        }
        while self.thrown_out.front().is_some_and(|then| now.duration_since(*then) > TAKE_OVERS_WINDOW) {
            self.thrown_out.pop_front();
        }
        if self.thrown_out.len() >= TAKE_OVERS_MAX {
            self.thrown_out.clear();
            return Next { pause: TAKE_OVER_PAUSE, is_take_over: true };
        }
        Next { pause: pause(self.failures, jitter), is_take_over: false }
    }
}

/// 1, 2, 4 ... 60 seconds, moved by up to a fifth.
fn pause(failures: u32, jitter: f64) -> Duration {
    let doubled = BROKER_PAUSE_MIN * 2_u32.saturating_pow(failures.saturating_sub(1).min(16));
    doubled.min(BROKER_PAUSE_MAX).mul_f64(1.0 + 0.2 * jitter.clamp(-1.0, 1.0))
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn pauses_double_up_to_a_minute_and_start_again_after_a_good_connection() {
        let mut backoff = Backoff::default();
        let now = Instant::now();
        let pauses: Vec<u64> = (0..8).map(|_| backoff.next(now, None, false, 0.0).pause.as_secs()).collect();
        assert_eq!(pauses, [1, 2, 4, 8, 16, 32, 60, 60]);
        let next = backoff.next(now + BROKER_STABLE, Some(now), false, 0.0);
        assert_eq!(next, Next { pause: Duration::from_secs(1), is_take_over: false });
        assert!(backoff.next(now, Some(now), true, 0.0).pause.as_secs() == 2);
    }

    #[test]
    fn two_programs_with_one_client_id_are_recognised() {
        let mut backoff = Backoff::default();
        let start = Instant::now();
        let mut thrown_out_at = |second| {
            let now = start + Duration::from_secs(second);
            backoff.next(now, Some(now), true, 0.0).is_take_over
        };
        assert_eq!(
            [0, 3, 8, 12, 100, 130, 155].map(&mut thrown_out_at),
            [false, false, true, false, false, false, true]
        );
    }

    proptest! {
        #[test]
        fn a_pause_is_within_its_bounds(failures in any::<u32>(), jitter in any::<f64>()) {
            let pause = pause(failures, jitter);
            prop_assert!(pause >= BROKER_PAUSE_MIN.mul_f64(0.79) && pause <= BROKER_PAUSE_MAX.mul_f64(1.21));
        }
    }
}
