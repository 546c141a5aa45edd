use crate::units::{At, Celsius, Span};

/// Noise and damping of the filter. Source of the figures: tuned on simulated piles only, never on a real one.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Tuning {
    /// Time constant in hours with which a slope fades; infinite for a trend that goes on.
    pub tau_h: f64,
    /// Variance that the slope gains, (C/h)² per hour.
    pub slope_noise: f64,
    /// Variance that the level gains beside it, C² per hour.
    pub level_noise: f64,
    /// Variance of a reading, C².
    pub reading_noise: f64,
    /// A reading further from the forecast than this many standard deviations is passed over.
    pub gate: f64,
    /// So many in a row, then the next one is believed.
    pub passed_over_max: u32,
}

/// A local linear trend with damped slope, followed by a Kalman filter in constant memory; steps of any length.
///
/// State (level in C, slope in C/h). Over d hours: level += g slope, slope *= e^(-d/tau), g = tau (1 - e^(-d/tau)).
/// It feeds forecasts only: what it passes over stays in the record and in the run.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TrendFilter {
    tuning: Tuning,
    at: At,
    level: f64,
    slope: f64,
    /// Covariance: of the level, between both, of the slope.
    variance: [f64; 3],
    passed_over: u32,
}

// === impl Tuning ===

impl Tuning {
    /// Damped trend with a time constant in hours.
    pub const fn damped(tau_h: f64) -> Tuning {
        Tuning {
            tau_h,
            slope_noise: 0.01,
            level_noise: 0.001,
            reading_noise: 0.15,
            gate: 5.0,
            passed_over_max: 3,
        }
    }

    /// A trend that goes on, with a stiffer slope: for how long a slow pile still takes.
    pub const fn steady() -> Tuning {
        Tuning { slope_noise: 0.002, ..Tuning::damped(f64::INFINITY) }
    }

    /// (g, what is left of the slope) after d hours.
    fn decay(&self, hours: f64) -> (f64, f64) {
        if self.tau_h.is_infinite() {
            return (hours, 1.0);
        }
        let left = (-hours / self.tau_h).exp();
        (self.tau_h * (1.0 - left), left)
    }
}

// === impl TrendFilter ===

impl TrendFilter {
    /// Begins at a first reading, level with it.
    pub fn new(tuning: Tuning, at: At, first: Celsius) -> TrendFilter {
        TrendFilter { tuning, at, level: first.0, slope: 0.0, variance: [1.0, 0.0, 1.0], passed_over: 0 }
    }

    /// Takes the next reading; one that is not later than the last is left out. Returns whether it was believed.
    pub fn update(&mut self, at: At, reading: Celsius) -> bool {
        if at <= self.at {
            return false;
        }
        self.predict(at - self.at);
        self.at = at;
        let spread = self.variance[0] + self.tuning.reading_noise;
        let error = reading.0 - self.level;
        if error.abs() > self.tuning.gate * spread.sqrt() && self.passed_over < self.tuning.passed_over_max {
            self.passed_over += 1;
            return false;
        }
        self.passed_over = 0;
        let [level, both, slope] = self.variance;
        let (to_level, to_slope) = (level / spread, both / spread);
        self.level += to_level * error;
        self.slope += to_slope * error;
        self.variance = [level - to_level * level, both - to_level * both, slope - to_slope * both];
        true
    }

    fn predict(&mut self, span: Span) {
        let d = span.as_hours();
        let (g, left) = self.tuning.decay(d);
        self.level += g * self.slope;
        self.slope *= left;
        let [level, both, slope] = self.variance;
        let (level_noise, slope_noise) = (self.tuning.level_noise, self.tuning.slope_noise);
        self.variance = [
            level + 2.0 * g * both + g * g * slope + level_noise * d + slope_noise * d * d * d / 3.0,
            left * (both + g * slope) + slope_noise * d * d / 2.0,
            left * left * slope + slope_noise * d,
        ];
    }

    pub fn level(&self) -> Celsius {
        Celsius(self.level)
    }

    pub fn slope_c_per_h(&self) -> f64 {
        self.slope
    }

    /// Hours until a rising level is at `target`: 0 if it is there, `None` if the slope will not carry it there.
    pub fn hours_to(&self, target: Celsius) -> Option<f64> {
        self.hours_of(target.0 - self.level, self.slope)
    }

    /// Hours until a falling level is at `target`: 0 if it is there, `None` if the slope will not carry it there.
    pub fn hours_down_to(&self, target: Celsius) -> Option<f64> {
        self.hours_of(self.level - target.0, -self.slope)
    }

    /// Hours that a slope takes over a distance.
    fn hours_of(&self, missing: f64, slope: f64) -> Option<f64> {
        if missing <= 0.0 {
            return Some(0.0);
        }
        if slope <= 0.001 {
            return None;
        }
        let need = missing / slope;
        if self.tuning.tau_h.is_infinite() {
            return Some(need);
        }
        (need < self.tuning.tau_h).then(|| -self.tuning.tau_h * (1.0 - need / self.tuning.tau_h).ln())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 10-minute steps as whole milliseconds: 1/6 h is exact.
    fn at(minutes: i64) -> At {
        At(0) + Span::minutes(minutes)
    }

    #[test]
    fn the_reference_vector_of_the_damped_filter() {
        let readings = [(10, 60.25), (20, 60.5), (30, 60.6875), (60, 61.5), (90, 62.25)];
        let levels = [60.218_157_525, 60.368_270_928, 60.533_355_318, 61.269_066_321, 62.094_197_722];
        let slopes = [0.034_861_645, 0.190_867_608, 0.416_942_987, 1.059_225_514, 1.280_386_953];
        let mut filter = TrendFilter::new(Tuning::damped(16.0), at(0), Celsius(60.0));
        for (((minutes, reading), level), slope) in readings.into_iter().zip(levels).zip(slopes) {
            assert!(filter.update(at(minutes), Celsius(reading)));
            assert!((filter.level().0 - level).abs() < 1e-8, "{minutes}: {}", filter.level().0);
            assert!((filter.slope_c_per_h() - slope).abs() < 1e-8, "{minutes}: {}", filter.slope_c_per_h());
        }
        let hours = filter.hours_to(Celsius::from_f(160.0)).expect("it rises fast enough");
        assert!((hours - 9.281_265).abs() < 1e-6, "{hours}");
    }

    #[test]
    fn three_outliers_are_passed_over_and_the_fourth_is_believed() {
        let mut filter = TrendFilter::new(Tuning::damped(16.0), at(0), Celsius(60.0));
        for minute in 1..=30 {
            filter.update(at(minute), Celsius(60.0));
        }
        let believed: Vec<bool> = (31..=34).map(|minute| filter.update(at(minute), Celsius(90.0))).collect();
        assert_eq!(believed, [false, false, false, true]);
    }

    #[test]
    fn what_is_an_outlier_depends_on_what_is_known() {
        let mut filter = TrendFilter::new(Tuning::damped(16.0), at(0), Celsius(60.0));
        let mut fresh = filter;
        assert!(fresh.update(at(1), Celsius(63.0)));
        for minute in 1..=30 {
            filter.update(at(minute), Celsius(60.0));
        }
        assert!(!filter.update(at(31), Celsius(63.0)));
    }

    #[test]
    fn a_late_reading_changes_nothing() {
        let mut filter = TrendFilter::new(Tuning::damped(16.0), at(10), Celsius(60.0));
        let before = filter;
        assert!(!filter.update(at(10), Celsius(70.0)));
        assert!(!filter.update(at(5), Celsius(70.0)));
        assert_eq!(filter, before);
    }

    #[test]
    fn a_steady_trend_reaches_what_a_damped_one_does_not() {
        let fed = |tuning| {
            let mut filter = TrendFilter::new(tuning, at(0), Celsius(30.0));
            for hour in 1..=48_i32 {
                filter.update(at(i64::from(hour) * 60), Celsius(30.0 + 0.5 * f64::from(hour)));
            }
            filter
        };
        let steady = fed(Tuning::steady()).hours_to(Celsius(64.0)).expect("20 h away");
        assert!((steady - 20.0).abs() < 0.5, "{steady}");
        assert_eq!(fed(Tuning::damped(16.0)).hours_to(Celsius(64.0)), None);
        assert_eq!(fed(Tuning::steady()).hours_to(Celsius(20.0)), Some(0.0));
    }
}
