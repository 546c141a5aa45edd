//! Bulk density and free air space.

use super::convert::{kg_per_m3_to_lb_per_yd3, lb_per_gallon_to_lb_per_yd3};

/// From a bucket filled in three lifts, dropped ten times from a foot after each, and topped up to the line (WSU
/// Puyallup): pounds per cubic yard from pounds and gallons.
pub fn by_bucket_lb_per_yd3(net_lb: f64, gallons: f64) -> f64 {
    lb_per_gallon_to_lb_per_yd3(net_lb / gallons)
}

/// The same in kilograms and litres: kg per litre.
pub fn by_bucket_kg_per_litre(full_kg: f64, bucket_kg: f64, litres: f64) -> f64 {
    (full_kg - bucket_kg) / litres
}

pub fn kg_per_litre_to_lb_per_yd3(density: f64) -> f64 {
    kg_per_m3_to_lb_per_yd3(density * 1_000.0)
}

/// Free air space in percent by filling a full bucket with water; 35 to 60 % is aimed at, 20 % the least.
pub fn free_air_space_by_filling(water_litres: f64, bucket_litres: f64) -> f64 {
    water_litres / bucket_litres * 100.0
}

/// Free air space in percent from the bulk density in kg/m³, the dry share of the mass and the organic share of the dry
/// mass: 100 (1 - BD ((1-DM)/1000 + DM OM/1600 + DM (1-OM)/2500)). Densities of water, organic matter and ash by van
/// Ginkel 1999.
pub fn free_air_space(bulk_density_kg_per_m3: f64, dry_share: f64, organic_share: f64) -> f64 {
    let solid = (1.0 - dry_share) / 1_000.0
        + dry_share * organic_share / 1_600.0
        + dry_share * (1.0 - organic_share) / 2_500.0;
    100.0 * (1.0 - bulk_density_kg_per_m3 * solid)
}

/// The straight line through measured piles: 100 - 0.0889 BD (Agnew et al. 2003).
pub fn free_air_space_linear(bulk_density_kg_per_m3: f64) -> f64 {
    100.0 - 0.0889 * bulk_density_kg_per_m3
}
