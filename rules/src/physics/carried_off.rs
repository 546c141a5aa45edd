use super::air::MoistAir;
use crate::units::Celsius;

/// Heat of liquid water, kJ/(kg K).
const WATER_KJ_PER_KG_K: f64 = 4.186;

/// What a blower carries off, by its own air alone: natural draught comes on top and is often the larger part.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CarriedOff {
    /// kg of dry air an hour.
    pub dry_air_kg_per_h: f64,
    /// Litres of water a day.
    pub water_litres_per_day: f64,
    /// Heat, gross: kJ per kg of dry air.
    pub gross_kj_per_kg: f64,
    /// Heat less what the evaporated water had as a liquid: kJ per kg of dry air. Leaving that out overstates the
    /// cooling by a tenth.
    pub net_kj_per_kg: f64,
    pub net_kw: f64,
}

/// Water and heat carried off by a blower that moves `flow_m3_per_s` of the outside air while it runs, for
/// `minutes_per_hour`; the air leaves saturated at the temperature of the pile.
///
/// w (kg/kg), h (kJ/kg) and v (m³/kg) by ASHRAE (2017), chapter 1: mass = flow / v(in), water = mass (w(out) - w(in)),
/// net heat = h(out) - h(in) - 4.186 T (w(out) - w(in)). An upper bound of the cooling: above about 60 °C a cooler pile
/// works faster and pays part of it back.
pub fn carried_off(
    outside: MoistAir,
    pile: Celsius,
    flow_m3_per_s: f64,
    minutes_per_hour: f64,
) -> CarriedOff {
    let leaving = MoistAir::saturated(pile, outside.pressure_pa);
    let dry_air_kg_per_h = flow_m3_per_s * 60.0 * minutes_per_hour / outside.volume_m3_per_kg();
    let water = leaving.humidity_ratio - outside.humidity_ratio;
    let gross_kj_per_kg = leaving.enthalpy_kj_per_kg() - outside.enthalpy_kj_per_kg();
    let net_kj_per_kg = gross_kj_per_kg - WATER_KJ_PER_KG_K * pile.0 * water;
    CarriedOff {
        dry_air_kg_per_h,
        water_litres_per_day: dry_air_kg_per_h * water * 24.0,
        gross_kj_per_kg,
        net_kj_per_kg,
        net_kw: net_kj_per_kg * dry_air_kg_per_h / 3_600.0,
    }
}

#[cfg(test)]
mod tests {
    use super::super::air::SEA_LEVEL_PA;
    use super::*;

    #[test]
    fn the_worked_example_of_a_pile_at_65_c() {
        let outside = MoistAir::new(Celsius(20.0), 0.6, SEA_LEVEL_PA);
        let off = carried_off(outside, Celsius(65.0), 0.05, 1.0);
        let near = |a: f64, b: f64, tolerance: f64| assert!((a - b).abs() <= tolerance, "{a} {b}");
        near(off.dry_air_kg_per_h, 3.5624, 1e-4);
        near(off.gross_kj_per_kg, 558.32, 0.01);
        near(off.net_kj_per_kg, 505.15, 0.01);
        near(off.net_kw, 0.500, 0.0005);
        near(off.water_litres_per_day, 16.7, 0.05);
        near(carried_off(outside, Celsius(65.0), 0.05, 10.0).dry_air_kg_per_h, 35.624, 1e-3);
    }
}
