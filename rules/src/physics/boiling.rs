use super::air::{SEA_LEVEL_PA, saturation_pressure_pa};
use crate::units::Celsius;

/// Feet in a metre, by definition of the foot.
const METRES_PER_FOOT: f64 = 0.3048;

/// Pressure of the standard atmosphere at an altitude in feet: p = 101325 (1 - 2.25577e-5 h)^5.25588, h in m. ISO 2533.
pub fn pressure_at_altitude_pa(altitude_ft: f64) -> f64 {
    SEA_LEVEL_PA * (1.0 - 2.255_77e-5 * altitude_ft * METRES_PER_FOOT).powf(5.255_88)
}

/// Temperature at which water boils under a station pressure (not one reduced to sea level); `None` outside
/// 30..120 kPa, where nobody calibrates a thermometer.
///
/// The saturation formula solved by halving; within 0.01 °C of IAPWS-IF97 there.
pub fn boiling_point_at_pressure(pressure_pa: f64) -> Option<Celsius> {
    if !(30_000.0..=120_000.0).contains(&pressure_pa) {
        return None;
    }
    let (mut low, mut high) = (60.0, 110.0);
    while high - low > 1e-9 {
        let middle = f64::midpoint(low, high);
        if saturation_pressure_pa(Celsius(middle)) < pressure_pa {
            low = middle;
        } else {
            high = middle;
        }
    }
    Some(Celsius(f64::midpoint(low, high)))
}

/// Temperature at which water boils in the standard atmosphere at an altitude in feet. Weather moves it by about
/// 0.8 F either way.
pub fn boiling_point_at_altitude(altitude_ft: f64) -> Option<Celsius> {
    boiling_point_at_pressure(pressure_at_altitude_pa(altitude_ft))
}

/// The rule of thumb that people know: 212 F less 0.0018 F for each foot. In °F.
pub fn rule_of_thumb_f(altitude_ft: f64) -> f64 {
    212.0 - 0.0018 * altitude_ft
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn boiling_points_of_iapws_and_the_rule_of_thumb() {
        for (feet, hpa, c) in [(0.0, 1013.25, 99.974), (5_280.0, 834.28, 94.618), (10_000.0, 696.82, 89.812)]
        {
            let pressure = pressure_at_altitude_pa(feet) / 100.0;
            assert!((pressure - hpa).abs() < 0.02, "{feet}: {pressure}");
            let at = boiling_point_at_altitude(feet).expect("in range").0;
            assert!((at - c).abs() < 0.01, "{feet}: {at}");
        }
        assert_eq!(boiling_point_at_pressure(29_999.0), None);
        assert_eq!(boiling_point_at_pressure(120_001.0), None);
        assert!(
            boiling_point_at_pressure(30_000.0).is_some() && boiling_point_at_pressure(120_000.0).is_some()
        );
        assert!((rule_of_thumb_f(5_000.0) - 203.0).abs() < 1e-9);
    }
}
