//! Moist air and the weather of Tansy Ford.

use heapward_rules::units::At;

use super::chance::Chance;

/// Air as it enters a pile.
#[derive(Clone, Copy, Debug)]
pub struct Air {
    pub t_c: f64,
    /// Relative humidity, 0 to 1.
    pub humidity: f64,
}

/// Day and night, with warm and cold spells of some days. A function of the instant alone.
#[derive(Clone, Debug)]
pub struct Weather {
    chance: Chance,
    mean_c: f64,
    swing_c: f64,
}

const DAY_MS: i64 = 86_400_000;
/// Tansy Ford's clock noon in UTC is about 16:40; the warmest hour comes three hours later.
const WARMEST_MS: i64 = 71_000_000;

// === impl Air ===

impl Air {
    /// kg of water per kg of dry air.
    pub fn water_ratio(self) -> f64 {
        ratio(self.humidity * saturation_kpa(self.t_c))
    }

    /// kJ per kg of dry air, from dry air and liquid water at 0 C.
    pub fn enthalpy(self) -> f64 {
        enthalpy(self.t_c, self.water_ratio())
    }

    /// kg of dry air in a cubic metre.
    pub fn density(self) -> f64 {
        101.325 / (0.287_042 * (self.t_c + 273.15) * (1.0 + 1.607_858 * self.water_ratio()))
    }
}

/// Water that saturated air holds, kg per kg of dry air. Above 90 C held at its value there.
pub fn saturated_ratio(t_c: f64) -> f64 {
    ratio(saturation_kpa(t_c.min(90.0)))
}

/// kJ per kg of dry air with `w` kg of vapour, from dry air and liquid water at 0 C (ASHRAE's form).
pub fn enthalpy(t_c: f64, w: f64) -> f64 {
    1.006 * t_c + w * (2501.0 + 1.86 * t_c)
}

/// Saturation pressure over water in kPa, Magnus form: within 1.6 % of the ASHRAE equations up to 75 C.
fn saturation_kpa(t_c: f64) -> f64 {
    0.610_94 * (17.625 * t_c / (t_c + 243.04)).exp()
}

fn ratio(vapour_kpa: f64) -> f64 {
    0.621_945 * vapour_kpa / (101.325 - vapour_kpa)
}

// === impl Weather ===

impl Weather {
    pub fn new(seed: u64, mean_c: f64, swing_c: f64) -> Weather {
        Weather { chance: Chance::new(seed).branch("weather"), mean_c, swing_c }
    }

    pub fn at(&self, at: At) -> Air {
        #[expect(clippy::cast_precision_loss, reason = "milliseconds of one day")]
        let of_day = |ms: i64| ms as f64 / DAY_MS as f64;
        let day = at.0.div_euclid(DAY_MS);
        let within = of_day(at.0.rem_euclid(DAY_MS));
        let spell = self.spell_c(day) * (1.0 - within) + self.spell_c(day + 1) * within;
        let phase = of_day(at.0.rem_euclid(DAY_MS) - WARMEST_MS) * std::f64::consts::TAU;
        let sun = phase.cos();
        Air { t_c: self.mean_c + spell + self.swing_c * sun, humidity: 0.72 - 0.18 * sun }
    }

    /// How much warmer than usual a day is.
    fn spell_c(&self, day: i64) -> f64 {
        let of = |day: i64| self.chance.branch(&day.to_string()).normal();
        // Three days share a spell, so that it does not jump from one day to the next.
        1.8 * (of(day) + of(day.div_euclid(3)) + of(day.div_euclid(7)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Saturated enthalpies by the ASHRAE equations, kJ/kg, with the error that the Magnus form is known to have.
    #[test]
    fn saturated_air_holds_the_heat_of_the_handbook() {
        for (t_c, expected, tolerance) in [(20.0, 57.42, 0.3), (40.0, 166.13, 0.6), (60.0, 458.57, 3.0)] {
            let got = enthalpy(t_c, saturated_ratio(t_c));
            assert!((got - expected).abs() < tolerance, "{t_c} C: {got} instead of {expected}");
        }
    }

    #[test]
    fn afternoons_are_warmer_than_nights() {
        let weather = Weather::new(3, 14.0, 6.0);
        let day = 20_000 * DAY_MS;
        let (noon, night) = (weather.at(At(day + WARMEST_MS)), weather.at(At(day + WARMEST_MS - DAY_MS / 2)));
        assert!(noon.t_c > night.t_c + 5.0, "{noon:?} {night:?}");
        assert!(noon.humidity < night.humidity);
    }
}
