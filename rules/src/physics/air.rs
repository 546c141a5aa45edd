use crate::units::Celsius;

/// Standard pressure at sea level, Pa.
pub const SEA_LEVEL_PA: f64 = 101_325.0;
/// Ratio of the molar masses of water and dry air.
const MASS_RATIO: f64 = 0.621_945;
/// Gas constant of dry air, J/(kg K).
const R_DRY_AIR: f64 = 287.042;
const KELVIN: f64 = 273.15;

/// Moist air at one pressure.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MoistAir {
    pub temperature: Celsius,
    /// kg of water vapour per kg of dry air.
    pub humidity_ratio: f64,
    pub pressure_pa: f64,
}

/// Pressure of saturated water vapour in Pa, over ice up to the triple point, over water above it; -100..200 °C.
///
/// ASHRAE Handbook of Fundamentals (2017), chapter 1, equations 5 and 6; as `psychrolib.GetSatVapPres`. Magnus' formula
/// is up to 1.6 % off at the temperatures of a heap.
pub fn saturation_pressure_pa(temperature: Celsius) -> f64 {
    let t = temperature.0 + KELVIN;
    let ln = if temperature.0 <= 0.01 {
        let terms = [6.392_524_7, -9.677_843e-3, 6.221_570_1e-7, 2.074_782_5e-9, -9.484_024e-13];
        -5.674_535_9e3 / t + polynomial(t, &terms) + 4.163_501_9 * t.ln()
    } else {
        let terms = [1.391_499_3, -4.864_023_9e-2, 4.176_476_8e-5, -1.445_209_3e-8];
        -5.800_220_6e3 / t + polynomial(t, &terms) + 6.545_967_3 * t.ln()
    };
    ln.exp()
}

fn polynomial(x: f64, terms: &[f64]) -> f64 {
    terms.iter().rev().fold(0.0, |sum, term| sum * x + term)
}

// === impl MoistAir ===

impl MoistAir {
    /// From the relative humidity (0..1): w = 0.621945 pv / (p - pv). ASHRAE (2017), chapter 1, equation 20.
    pub fn new(temperature: Celsius, relative_humidity: f64, pressure_pa: f64) -> MoistAir {
        let vapour = relative_humidity * saturation_pressure_pa(temperature);
        MoistAir { temperature, humidity_ratio: MASS_RATIO * vapour / (pressure_pa - vapour), pressure_pa }
    }

    /// Air that leaves a moist heap: saturated.
    pub fn saturated(temperature: Celsius, pressure_pa: f64) -> MoistAir {
        MoistAir::new(temperature, 1.0, pressure_pa)
    }

    /// kJ per kg of dry air: h = 1.006 t + w (2501 + 1.86 t). ASHRAE (2017), chapter 1, equation 30.
    pub fn enthalpy_kj_per_kg(&self) -> f64 {
        let t = self.temperature.0;
        1.006 * t + self.humidity_ratio * (2501.0 + 1.86 * t)
    }

    /// m³ per kg of dry air: v = R T (1 + 1.607858 w) / p. ASHRAE (2017), chapter 1, equation 26.
    pub fn volume_m3_per_kg(&self) -> f64 {
        R_DRY_AIR * (self.temperature.0 + KELVIN) * (1.0 + 1.607_858 * self.humidity_ratio) / self.pressure_pa
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn near(a: f64, b: f64, relative: f64) -> bool {
        (a - b).abs() <= relative * b.abs()
    }

    #[test]
    fn values_of_the_reference_library() {
        // psychrolib 2.5, SI
        let pressures = [
            (-20.0, 103.260_378_580_504),
            (0.0, 611.153_570_890_768),
            (20.0, 2_338.803_700_074),
            (55.0, 15_759.706_943_242),
            (65.0, 25_038.699_296_577),
        ];
        for (t, pa) in pressures {
            assert!(
                near(saturation_pressure_pa(Celsius(t)), pa, 1e-12),
                "{t}: {}",
                saturation_pressure_pa(Celsius(t))
            );
        }
        for (t, kj) in
            [(20.0, 57.42), (40.0, 166.13), (60.0, 458.57), (65.0, 600.61), (70.0, 798.44), (75.0, 1085.74)]
        {
            let air = MoistAir::saturated(Celsius(t), SEA_LEVEL_PA);
            assert!(near(air.enthalpy_kj_per_kg(), kj, 5e-5), "{t}: {}", air.enthalpy_kj_per_kg());
        }
        let room = MoistAir::new(Celsius(20.0), 0.6, SEA_LEVEL_PA);
        assert!(near(room.humidity_ratio, 0.008_734, 1e-4), "{room:?}");
        assert!(near(room.volume_m3_per_kg(), 0.842_12, 1e-5), "{}", room.volume_m3_per_kg());
    }
}
