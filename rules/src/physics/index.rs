use crate::units::{At, Celsius, Span};

/// Which row of the table of 40 CFR 503.32(a)(3)(ii) applies.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Regime {
    /// 7 % solids or more: t >= 50 °C, at least 20 min, D = 131 700 000 / 10^(0.14 t).
    Solid,
    /// The same in small particles, heated by warmed gas or an immiscible liquid: at least 15 s.
    SmallParticles,
    /// Less than 7 % solids, 15 s to 30 min.
    LiquidShort,
    /// Less than 7 % solids: t >= 50 °C, at least 30 min, D = 50 070 000 / 10^(0.14 t).
    Liquid,
}

/// A running sum of time over required time, as an index of how much heat a spot has had.
///
/// An index only, never a verdict: the equations are stated for other processes than composting, and adding up over a
/// varying temperature is an extension of ours. Of each interval the cooler end counts; below 50 °C and across a gap
/// nothing is added.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TimeTemperatureIndex {
    gap_max: Span,
    last: Option<(At, Celsius)>,
    sum: f64,
}

// === impl Regime ===

impl Regime {
    fn factor(self) -> f64 {
        match self {
            Regime::Solid | Regime::SmallParticles | Regime::LiquidShort => 131_700_000.0,
            Regime::Liquid => 50_070_000.0,
        }
    }

    fn at_least_days(self) -> f64 {
        let minutes = match self {
            Regime::Solid => 20.0,
            Regime::SmallParticles | Regime::LiquidShort => 0.25,
            Regime::Liquid => 30.0,
        };
        minutes / 1_440.0
    }
}

/// Days at a temperature by the equation alone; `None` below 50 °C, where it does not hold. 40 CFR 503.32(a)(3)(ii).
pub fn required_days(regime: Regime, temperature: Celsius) -> Option<f64> {
    (!temperature.is_below(Celsius(50.0))).then(|| regime.factor() / 10_f64.powf(0.14 * temperature.0))
}

/// Days at a temperature, not less than the least time of the regime.
pub fn required_time(regime: Regime, temperature: Celsius) -> Option<f64> {
    Some(required_days(regime, temperature)?.max(regime.at_least_days()))
}

/// The temperature at which the equation asks for so many days.
pub fn temperature_for_days(regime: Regime, days: f64) -> Celsius {
    Celsius((regime.factor() / days).log10() / 0.14)
}

// === impl TimeTemperatureIndex ===

impl TimeTemperatureIndex {
    /// Readings further apart than `gap_max` prove nothing of the time between them.
    pub fn new(gap_max: Span) -> TimeTemperatureIndex {
        TimeTemperatureIndex { gap_max, last: None, sum: 0.0 }
    }

    /// Takes the next reading; one that is not later than the last is left out.
    pub fn take(&mut self, at: At, temperature: Celsius) {
        if let Some((before, was)) = self.last {
            let span = at - before;
            if span <= Span::ZERO {
                return;
            }
            let cooler = if was.0 < temperature.0 { was } else { temperature };
            if span <= self.gap_max
                && let Some(days) = required_days(Regime::Solid, cooler)
            {
                self.sum += span.as_hours() / 24.0 / days;
            }
        }
        self.last = Some((at, temperature));
    }

    /// 1 is as much heat as the equation asks for.
    pub fn value(&self) -> f64 {
        self.sum
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn index(readings: impl IntoIterator<Item = (i64, f64)>) -> f64 {
        let mut index = TimeTemperatureIndex::new(Span::hours(4));
        for (minute, temperature) in readings {
            index.take(At(0) + Span::minutes(minute), Celsius(temperature));
        }
        index.value()
    }

    #[test]
    fn days_of_both_equations_and_their_least_times() {
        let near = |ours: Option<f64>, expected: f64| {
            let ours = ours.expect("50 C or more");
            assert!((ours - expected).abs() <= 1e-4 * expected, "{ours} {expected}");
        };
        let at = Celsius;
        near(required_days(Regime::Solid, at(55.0)), 2.627_76);
        near(required_days(Regime::SmallParticles, at(50.0)), 13.17);
        near(required_days(Regime::LiquidShort, at(60.0)), 0.524_307);
        near(required_days(Regime::Liquid, at(55.0)), 0.999_028);
        assert_eq!(required_days(Regime::Solid, at(49.9)), None);
        near(required_time(Regime::Solid, at(75.0)), 20.0 / 1_440.0);
        near(required_time(Regime::Liquid, at(75.0)), 30.0 / 1_440.0);
        near(required_time(Regime::SmallParticles, at(90.0)), 15.0 / 86_400.0);
        near(required_time(Regime::LiquidShort, at(90.0)), 15.0 / 86_400.0);
        near(required_time(Regime::Solid, at(55.0)), 2.627_76);
        assert!((temperature_for_days(Regime::Solid, 3.0).0 - 54.589).abs() < 1e-3);
        assert!((temperature_for_days(Regime::Liquid, 30.0 / 1_440.0).0 - 67.006).abs() < 1e-3);
    }

    #[test]
    fn three_days_at_55_c_and_a_ramp_by_the_lower_end() {
        let flat = index((0..=72 * 6).map(|step| (step * 10, 55.0)));
        assert!((flat - 1.141_66).abs() < 1e-5, "{flat}");
        let ramp = index((0..=60_i32).map(|step| (i64::from(step) * 10, 50.0 + f64::from(step) / 6.0)));
        assert!((ramp - 0.230_407_8).abs() < 1e-6, "{ramp}");
    }

    #[test]
    fn nothing_across_a_gap_or_below_50_c_or_backwards() {
        assert_eq!(index([(0, 60.0), (241, 60.0)]).to_bits(), 0.0_f64.to_bits());
        assert!(index([(0, 60.0), (240, 60.0)]) > 0.0);
        assert_eq!(index([(0, 60.0), (60, 49.9), (120, 60.0)]).to_bits(), 0.0_f64.to_bits());
        assert_eq!(index([(60, 60.0), (0, 60.0)]).to_bits(), 0.0_f64.to_bits());
    }
}
