//! Pauses between the tries of a channel that is down.

use heapward_rules::units::Span;

use crate::limits;

/// The pause after the `failures`-th failure in a row (from 1): 30 s, 2 min, 5 min, 15 min, then every 30 min.
/// `jitter` between -1 and 1 moves it by up to a fifth, so that a farm's channels don't knock in step.
pub fn pause(failures: u32, jitter: f64) -> Span {
    let steps = &limits::RETRY_PAUSES;
    let index = usize::try_from(failures.saturating_sub(1)).unwrap_or(usize::MAX);
    let base = steps.get(index).or(steps.last()).copied().unwrap_or(Span::minutes(30));
    #[expect(
        clippy::cast_precision_loss,
        clippy::cast_possible_truncation,
        reason = "minutes in milliseconds"
    )]
    let moved = (base.0 as f64 * (1.0 + limits::RETRY_JITTER * jitter.clamp(-1.0, 1.0))) as i64;
    Span(moved)
}

/// A jitter between -1 and 1 from the system's randomness; 0 if there is none.
pub fn random_jitter() -> f64 {
    getrandom::u32().map_or(0.0, |n| f64::from(n) / f64::from(u32::MAX) * 2.0 - 1.0)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn three_days_of_tries_stay_below_160() {
        let (mut after, mut tries) = (Span::ZERO, 0_u32);
        while after < Span::hours(72) {
            tries += 1;
            after = after + pause(tries, 0.0);
        }
        assert_eq!(tries, 148);
        let first: Vec<i64> = (1..=6).map(|n| pause(n, 0.0).0 / 1_000).collect();
        assert_eq!(first, [30, 120, 300, 900, 1_800, 1_800]);
    }

    proptest! {
        #[test]
        fn a_pause_moves_by_a_fifth_at_most(failures in any::<u32>(), jitter in any::<f64>()) {
            let (base, moved) = (pause(failures, 0.0).0, pause(failures, jitter).0);
            prop_assert!((moved - base).abs() * 5 <= base);
        }
    }
}
