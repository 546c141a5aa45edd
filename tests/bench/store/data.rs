//! A year of a farm and a week of a fleet, the same in every run.
//!
//! Three of four probes say a temperature in steps of 0.0625 °C with 0.1 °C of noise on a pile's ramp, plateau, blower
//! ripple and cooling; the fourth a moisture in steps of 0.1 % with 0.15 % of noise. One reading a minute with 1.5 s of
//! jitter, one in a thousand lost, an outage of some hours every forty days.

/// 2025-03-01T00:00:00Z.
pub const START: i64 = 1_740_787_200_000;
pub const DAY: i64 = 86_400_000;
pub const MINUTE: i64 = 60_000;

#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sample {
    pub series: u32,
    pub at: i64,
    pub value: f64,
}

/// A set of probes and its length in days.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Set {
    pub probes: u32,
    pub days: i64,
    /// Instants are cut to this many milliseconds.
    pub stamp_ms: i64,
}

pub const FARM: Set = Set { probes: 24, days: 365, stamp_ms: 1 };
pub const FLEET: Set = Set { probes: 1_000, days: 7, stamp_ms: 1 };

/// SplitMix64.
#[derive(Clone, Debug)]
pub struct Random(pub u64);

#[derive(Clone, Debug)]
struct Probe {
    random: Random,
    phase_ms: i64,
    depth: f64,
    ripple: f64,
    drift: f64,
    moisture: f64,
    pile_offset_minutes: i64,
    silent_until: i64,
}

/// Minute by minute, in order of time.
#[derive(Debug)]
pub struct Readings {
    set: Set,
    probes: Vec<Probe>,
    minute: i64,
}

const PILE_MINUTES: i64 = 75 * 1_440;

// === impl Random ===

impl Random {
    pub fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    fn unit(&mut self) -> f64 {
        (self.next() >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// Between -a and a.
    fn within(&mut self, a: f64) -> f64 {
        (self.unit() * 2.0 - 1.0) * a
    }

    pub fn below(&mut self, n: u64) -> u64 {
        self.next() % n
    }
}

// === impl Set ===

impl Set {
    pub fn is_moisture(series: u32) -> bool {
        series % 8 >= 6
    }

    pub fn end(self) -> i64 {
        START + self.days * DAY
    }
}

// === impl Readings ===

impl Readings {
    pub fn new(set: Set) -> Readings {
        let probe = |i: u32| {
            let mut random = Random(0x4845_4150 + u64::from(i) * 7_919);
            Probe {
                phase_ms: random.below(56_000) as i64 + 2_000,
                depth: random.unit(),
                ripple: 0.4 + random.unit() * 0.8,
                drift: 0.0,
                moisture: 58.0 + random.within(4.0),
                pile_offset_minutes: i64::from(i / 8) * 25 * 1_440 % PILE_MINUTES,
                silent_until: 0,
                random,
            }
        };
        Readings { set, probes: (0..set.probes).map(probe).collect(), minute: 0 }
    }
}

impl Iterator for Readings {
    type Item = Vec<Sample>;

    fn next(&mut self) -> Option<Vec<Sample>> {
        if self.minute >= self.set.days * 1_440 {
            return None;
        }
        let (minute, stamp) = (self.minute, self.set.stamp_ms);
        self.minute += 1;
        let air = air_c(minute as f64 / 1_440.0);
        let mut samples = Vec::with_capacity(self.probes.len());
        for (series, probe) in (0..).zip(&mut self.probes) {
            let jitter = probe.random.within(1_500.0).round() as i64;
            let noise = probe.random.within(1.0);
            probe.drift = probe.drift * 0.999 + probe.random.within(0.02);
            let luck = probe.random.unit();
            if luck < 1.0 / (40.0 * 1_440.0) {
                probe.silent_until = minute + 60 + probe.random.below(300) as i64;
            }
            let at = (START + minute * MINUTE + probe.phase_ms + jitter) / stamp * stamp;
            let value = if Set::is_moisture(series) {
                probe.moisture_at(minute, noise)
            } else {
                probe.temperature_at(series, minute, air, noise)
            };
            if luck <= 0.999 && minute >= probe.silent_until {
                samples.push(Sample { series, at, value });
            }
        }
        samples.sort_by_key(|sample| sample.at);
        Some(samples)
    }
}

// === impl Probe ===

impl Probe {
    fn moisture_at(&mut self, minute: i64, noise: f64) -> f64 {
        let of_pile = (minute + self.pile_offset_minutes) % PILE_MINUTES;
        let drying = if of_pile < 30 * 1_440 { 0.000_15 } else { 0.0 };
        self.moisture += self.random.within(0.003) - drying;
        if of_pile == 0 || self.moisture < 38.0 {
            self.moisture = 58.0 + self.random.within(3.0);
        }
        ((self.moisture + 0.15 * noise) * 10.0).round() / 10.0 + 0.0
    }

    fn temperature_at(&mut self, series: u32, minute: i64, air: f64, noise: f64) -> f64 {
        let of_piles = minute + self.pile_offset_minutes;
        let day = (of_piles % PILE_MINUTES) as f64 / 1_440.0;
        let mut of_pile = Random((of_piles / PILE_MINUTES) as u64 * 31 + u64::from(series / 8));
        let peak = 60.0 + 8.0 * of_pile.unit() - 4.0 * self.depth * self.depth;
        let active = ((curve_c(day, peak, air) - air) / 45.0).clamp(0.0, 1.0);
        let second = (minute * 60 + self.phase_ms / 1_000) % 1_800;
        let dip = if second < 180 { second as f64 / 180.0 } else { (-((second - 180) as f64) / 420.0).exp() };
        let around = air * (0.5 + 0.5 * self.depth) + 5.0 * (1.0 - self.depth);
        let t = curve_c(day, peak, around) - self.ripple * active * dip + self.drift;
        ((t + 0.1 * noise) / 0.0625).round() * 0.0625 + 0.0
    }
}

fn air_c(day: f64) -> f64 {
    let turn = std::f64::consts::TAU;
    10.0 - 12.0 * (turn * (day - 15.0) / 365.0 + turn / 6.0).cos() + 5.0 * (turn * (day - 0.4)).sin()
}

fn curve_c(day: f64, peak: f64, around: f64) -> f64 {
    if day < 2.0 {
        let x = day / 2.0;
        around + (peak - around) * x * x * (3.0 - 2.0 * x)
    } else if day < 18.0 {
        peak - (day - 2.0) * 0.15
    } else {
        let floor = around + 6.0;
        floor + (peak - 2.4 - floor) * (-(day - 18.0) / 14.0).exp()
    }
}
