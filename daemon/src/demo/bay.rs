//! A bay: the place of a pile, with its blower and the timer on it.

use heapward_rules::units::{At, Span};

use super::air::Air;
use super::heap::{Heap, Mix};

/// The blower runs for the first seconds of each period.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Timer {
    pub on_seconds: u32,
    pub every_minutes: u32,
}

#[derive(Clone, Debug)]
pub struct Bay {
    pub timer: Timer,
    /// When somebody last set the timer.
    pub timer_set: Option<At>,
    /// The breaker is out: no air whatever the timer says.
    pub tripped: bool,
    pile: Option<Standing>,
}

/// The pile that stands in a bay.
#[derive(Clone, Debug)]
struct Standing {
    id: String,
    built: At,
    heap: Heap,
}

/// What the small radial blower moves while it runs, m3/s: about 100 cubic feet a minute.
const BLOWER_M3_S: f64 = 0.05;

// === impl Bay ===

impl Bay {
    pub fn empty(timer: Timer) -> Bay {
        Bay { timer, timer_set: None, tripped: false, pile: None }
    }

    pub fn build(&mut self, id: &str, mix: Mix, at: At) {
        self.pile = Some(Standing { id: id.to_owned(), built: at, heap: Heap::new(mix) });
    }

    /// The pile is forked out to cure elsewhere.
    pub fn clear(&mut self) {
        self.pile = None;
    }

    pub fn pile(&self) -> Option<&str> {
        self.pile.as_ref().map(|pile| pile.id.as_str())
    }

    pub fn built(&self) -> Option<At> {
        self.pile.as_ref().map(|pile| pile.built)
    }

    pub fn heap(&self) -> Option<&Heap> {
        self.pile.as_ref().map(|pile| &pile.heap)
    }

    pub fn heap_mut(&mut self) -> Option<&mut Heap> {
        self.pile.as_mut().map(|pile| &mut pile.heap)
    }

    /// Lets the minute from `at` pass.
    pub fn pass_minute(&mut self, at: At, air: Air) {
        let share = self.share_of_minute(at);
        if let Some(heap) = self.heap_mut() {
            heap.step(60.0, air, BLOWER_M3_S * share);
        }
    }

    /// Whether the blower runs at an instant.
    pub fn blows(&self, at: At) -> bool {
        !self.tripped && self.phase(at) < Span::seconds(i64::from(self.timer.on_seconds))
    }

    /// Minutes since the blower last ran; very many where it does not run at all.
    #[expect(clippy::cast_precision_loss, reason = "milliseconds of one period")]
    pub fn minutes_since_air(&self, at: At) -> f64 {
        if self.tripped {
            return 1e6;
        }
        let since = self.phase(at) - Span::seconds(i64::from(self.timer.on_seconds));
        since.0.max(0) as f64 / 60_000.0
    }

    /// Share of the minute from `at` during which the blower runs, 0 to 1.
    fn share_of_minute(&self, at: At) -> f64 {
        if self.tripped {
            return 0.0;
        }
        let left = i64::from(self.timer.on_seconds) * 1_000 - self.phase(at).0;
        f64::from(i32::try_from(left.clamp(0, 60_000)).unwrap_or(0)) / 60_000.0
    }

    fn phase(&self, at: At) -> Span {
        Span(at.0.rem_euclid(i64::from(self.timer.every_minutes.max(1)) * 60_000))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_blower_keeps_its_timer_unless_the_breaker_is_out() {
        let mut bay = Bay::empty(Timer { on_seconds: 90, every_minutes: 30 });
        let shares: Vec<f64> = (0..4).map(|m| bay.share_of_minute(At(m * 60_000))).collect();
        assert_eq!(shares, [1.0, 0.5, 0.0, 0.0]);
        assert!(bay.blows(At(89_000)) && !bay.blows(At(90_000)) && bay.blows(At(1_800_000)));
        assert!((bay.minutes_since_air(At(150_000)) - 1.0).abs() < 1e-9);
        bay.tripped = true;
        assert!(!bay.blows(At(0)) && bay.share_of_minute(At(0)) == 0.0);
    }
}
