//! Chance from a seed: the same seed gives the same season on every machine.

/// The splitmix64 generator of Steele, Lea and Flood (2014): 64 bits of state, good enough for weather and noise.
#[derive(Clone, Debug)]
pub struct Chance {
    state: u64,
}

// === impl Chance ===

impl Chance {
    pub fn new(seed: u64) -> Chance {
        Chance { state: seed }
    }

    /// A generator of its own for one part of the farm, so that a new probe does not change the weather.
    #[must_use]
    pub fn branch(&self, name: &str) -> Chance {
        let mut state = self.state ^ 0xcbf2_9ce4_8422_2325;
        for byte in name.bytes() {
            state = (state ^ u64::from(byte)).wrapping_mul(0x0000_0100_0000_01b3);
        }
        let mut branch = Chance { state };
        branch.next_u64();
        branch
    }

    pub fn next_u64(&mut self) -> u64 {
        self.state = self.state.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.state;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// From 0 (included) to 1 (excluded).
    #[expect(clippy::cast_precision_loss, reason = "53 bits fit an f64 exactly")]
    pub fn unit(&mut self) -> f64 {
        (self.next_u64() >> 11) as f64 / (1_u64 << 53) as f64
    }

    pub fn between(&mut self, lo: f64, hi: f64) -> f64 {
        lo + (hi - lo) * self.unit()
    }

    /// A whole number below `n`; 0 for an `n` of 0.
    pub fn below(&mut self, n: u64) -> u64 {
        self.next_u64().checked_rem(n).unwrap_or(0)
    }

    pub fn happens(&mut self, probability: f64) -> bool {
        self.unit() < probability
    }

    /// Nearly normal with mean 0 and deviation 1: the sum of twelve uniforms (Irwin-Hall).
    pub fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.unit()).sum::<f64>() - 6.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_seed_gives_the_same_chance_and_a_branch_another() {
        let draw = |mut chance: Chance| (0..5).map(|_| chance.next_u64()).collect::<Vec<_>>();
        assert_eq!(draw(Chance::new(7)), draw(Chance::new(7)));
        assert_ne!(draw(Chance::new(7)), draw(Chance::new(8)));
        assert_ne!(draw(Chance::new(7).branch("weather")), draw(Chance::new(7).branch("probe k1")));
    }

    #[test]
    fn the_normal_has_mean_0_and_deviation_1() {
        let mut chance = Chance::new(1);
        let draws: Vec<f64> = (0..20_000).map(|_| chance.normal()).collect();
        let mean = draws.iter().sum::<f64>() / 20_000.0;
        let variance = draws.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / 20_000.0;
        assert!(mean.abs() < 0.03 && (variance - 1.0).abs() < 0.05, "{mean} {variance}");
    }
}
