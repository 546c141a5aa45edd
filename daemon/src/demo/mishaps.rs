//! What goes wrong at Quillback Farm, and when: a fixed beginning, then chance.

use heapward_rules::units::{At, Span};

use super::chance::Chance;
use super::farm::BEGINS;
use super::probes::Fault;

#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Mishap {
    Probe {
        probe: &'static str,
        fault: Fault,
    },
    /// The breaker of a bay's blower is out.
    Breaker {
        bay: usize,
    },
    /// The gateways lose their network; they keep what they hear.
    NetworkDown,
    NetworkUp,
}

/// All mishaps to come, the next one last.
pub struct Mishaps {
    coming: Vec<(At, Mishap)>,
    chance: Chance,
}

/// The first days are the same with every seed, so that there is something to see.
const FIRST: [(i64, Mishap); 5] = [
    (14 * 60, Mishap::Probe { probe: "k8", fault: Fault::PowerOn { share: 0.6 } }),
    (19 * 60, Mishap::Probe { probe: "k8", fault: Fault::Silent }),
    (57 * 60 + 20, Mishap::Breaker { bay: 0 }),
    (151 * 60 + 10, Mishap::NetworkDown),
    (153 * 60, Mishap::NetworkUp),
];
const FIRST_DAYS: i64 = 8;
/// Something breaks about every third day after that.
const PER_DAY: f64 = 0.3;
const SEASON_DAYS: i64 = 240;

// === impl Mishaps ===

impl Mishaps {
    pub fn new(seed: u64) -> Mishaps {
        let mut chance = Chance::new(seed).branch("mishaps");
        let mut coming: Vec<(At, Mishap)> =
            FIRST.iter().map(|(minutes, mishap)| (BEGINS + Span::minutes(*minutes), *mishap)).collect();
        for day in FIRST_DAYS..SEASON_DAYS {
            if chance.happens(PER_DAY) {
                let minutes = i64::try_from(chance.below(1440)).unwrap_or(0);
                let at = BEGINS + Span::days(day) + Span::minutes(minutes);
                coming.extend(draw(&mut chance).map(|(later, mishap)| (at + later, mishap)));
            }
        }
        coming.sort_by_key(|(at, _)| std::cmp::Reverse(*at));
        Mishaps { coming, chance }
    }

    /// What has happened by now.
    pub fn due(&mut self, now: At) -> Vec<Mishap> {
        let mut due = Vec::new();
        while self.coming.last().is_some_and(|(at, _)| *at <= now) {
            due.extend(self.coming.pop().map(|(_, mishap)| mishap));
        }
        due
    }

    /// Chance for what people do differently every time.
    pub fn chance(&mut self) -> &mut Chance {
        &mut self.chance
    }
}

fn draw(chance: &mut Chance) -> impl Iterator<Item = (Span, Mishap)> + use<> {
    const PROBES: [&str; 8] = ["k1", "k2", "k3", "k4", "k5", "k6", "k7", "k9"];
    let index = usize::try_from(chance.below(PROBES.len() as u64)).unwrap_or(0);
    let probe = PROBES[index];
    let fault = |fault| vec![(Span::ZERO, Mishap::Probe { probe, fault })];
    let mishaps = match chance.below(7) {
        0 => fault(Fault::Silent),
        1 => fault(Fault::Stuck),
        2 => fault(Fault::PowerOn { share: 0.5 }),
        3 => fault(Fault::PulledOut),
        4 | 5 => vec![(Span::ZERO, Mishap::Breaker { bay: index % 3 })],
        _ => vec![(Span::ZERO, Mishap::NetworkDown), (Span::minutes(100), Mishap::NetworkUp)],
    };
    mishaps.into_iter()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_season_has_its_mishaps_in_order_and_each_network_comes_back() {
        let mut mishaps = Mishaps::new(3);
        assert_eq!(mishaps.due(BEGINS), []);
        let all: Vec<Mishap> =
            (0..=SEASON_DAYS).flat_map(|day| mishaps.due(BEGINS + Span::days(day))).collect();
        assert!(all.len() > 40, "{}", all.len());
        assert_eq!(all[..4], FIRST.map(|(_, mishap)| mishap)[..4]);
        let count = |wanted: Mishap| all.iter().filter(|mishap| **mishap == wanted).count();
        assert_eq!(count(Mishap::NetworkDown), count(Mishap::NetworkUp));
        let mut other = Mishaps::new(4);
        assert_ne!(other.due(BEGINS + Span::days(SEASON_DAYS)), all);
    }
}
