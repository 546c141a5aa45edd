//! Water: how much there is, how much to add.

/// Pounds of water in a US gallon at 60 F.
const LB_PER_GALLON: f64 = 8.345;

/// Moisture in percent of the wet mass from weighing before and after drying at 105 °C; all masses in one unit, the
/// last two with the dish for the dried one: 10 g in a dish of 4 g, 6.3 g after a day, are 77 %.
pub fn moisture_by_drying(wet: f64, dish: f64, dried_with_dish: f64) -> f64 {
    (wet - (dried_with_dish - dish)) / wet * 100.0
}

/// Percent of the wet mass to percent of the dry mass.
pub fn wet_to_dry_basis(percent: f64) -> f64 {
    percent / (100.0 - percent) * 100.0
}

/// Percent of the wet mass to percent of the volume, by the bulk density in kg/m³; what a capacitive probe reads.
pub fn wet_basis_to_volume(percent: f64, bulk_density_kg_per_m3: f64) -> f64 {
    percent * bulk_density_kg_per_m3 / 1_000.0
}

/// Water to add to a wet mass: W = m (Mt - Mi) / (100 - Mt), in the unit of the mass. Negative where it is too wet: dry
/// it, or add something dry. `None` for a target of 100 % or above, which no amount of water reaches.
pub fn water_to_add(wet_mass: f64, percent: f64, target_percent: f64) -> Option<f64> {
    (target_percent < 100.0).then(|| wet_mass * (target_percent - percent) / (100.0 - target_percent))
}

/// Water to add by the dry mass: D (m2/(1-m2) - m1/(1-m1)). `None` outside 0..100 %.
pub fn water_to_add_by_dry_mass(dry_mass: f64, percent: f64, target_percent: f64) -> Option<f64> {
    let per_dry = |percent: f64| (0.0..100.0).contains(&percent).then(|| percent / (100.0 - percent));
    Some(dry_mass * (per_dry(target_percent)? - per_dry(percent)?))
}

/// What is left of a wet mass that dries: m2 = m1 (100 - M1) / (100 - M2). `None` for 100 %.
pub fn mass_after_drying(wet_mass: f64, percent: f64, target_percent: f64) -> Option<f64> {
    (target_percent < 100.0).then(|| wet_mass * (100.0 - percent) / (100.0 - target_percent))
}

pub fn lb_to_gallons(water_lb: f64) -> f64 {
    water_lb / LB_PER_GALLON
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn litres_for_a_pile_of_1300_kg_dry() {
        for (from, to, litres) in [(45.0, 55.0, 525.0), (40.0, 50.0, 433.0), (40.0, 55.0, 722.0)] {
            let water = water_to_add_by_dry_mass(1300.0, from, to).expect("below 100 %");
            assert!((water - litres).abs() < 0.7, "{water}");
        }
        assert_eq!(water_to_add_by_dry_mass(1300.0, 40.0, 100.0), None);
        assert_eq!(water_to_add_by_dry_mass(1300.0, -1.0, 50.0), None);
    }

    proptest! {
        #[test]
        fn both_ways_agree_and_give_the_target(mass in 1.0..1e5, from in 0.0..99.0, to in 0.0..99.0) {
            let water = water_to_add(mass, from, to).expect("below 100 %");
            let by_dry = water_to_add_by_dry_mass(mass * (100.0 - from) / 100.0, from, to).expect("below 100 %");
            prop_assert!((water - by_dry).abs() < 1e-6 * mass.max(water.abs()));
            let moisture = (mass * from / 100.0 + water) / (mass + water) * 100.0;
            prop_assert!((moisture - to).abs() < 1e-6);
            prop_assert!((mass_after_drying(mass, from, to).expect("below 100 %") - mass - water).abs() < 1e-6 * mass.max(water.abs()));
        }
    }
}
