//! How much air a pile needs, and how long it lasts.

use super::convert::m3_per_min_to_cfm;
use crate::physics::{SEA_LEVEL_PA, saturation_pressure_pa};
use crate::units::Celsius;

/// Oxygen in dry air by mass.
const OXYGEN_OF_AIR: f64 = 0.2314;
/// kg per mole of oxygen; J/(mol K).
const OXYGEN_KG_PER_MOL: f64 = 0.031_998;
const GAS_CONSTANT: f64 = 8.314_462_618;

/// Part of the time that a cycle timer runs, from any one unit of time.
pub fn duty(on: f64, off: f64) -> f64 {
    on / (on + off)
}

/// Minutes in which a flow in cubic feet a minute changes the air in a pile once.
pub fn minutes_per_exchange(void_ft3: f64, cfm: f64) -> f64 {
    void_ft3 / cfm
}

/// Cubic feet of air in so many cubic yards, by the free share of the volume.
pub fn void_ft3(cubic_yards: f64, free_share: f64) -> f64 {
    cubic_yards * 27.0 * free_share
}

/// kg of oxygen that a cubic metre of pile can give off while the share in its moist air falls from one to another:
/// ideal gas, saturated with water vapour.
pub fn oxygen_store_kg_per_m3(free_share: f64, temperature: Celsius, from_share: f64, to_share: f64) -> f64 {
    let dry = SEA_LEVEL_PA - saturation_pressure_pa(temperature);
    let moles = dry * free_share / (GAS_CONSTANT * (temperature.0 + 273.15));
    moles * (from_share - to_share) * OXYGEN_KG_PER_MOL
}

/// Minutes until the store is used up by an uptake in grams of oxygen per kg of volatile solids and hour: why a pause of
/// more than half an hour starves an active pile.
pub fn minutes_of_store(store_kg_per_m3: f64, uptake_g_per_kg_h: f64, vs_kg_per_m3: f64) -> f64 {
    store_kg_per_m3 / (uptake_g_per_kg_h / 1_000.0 * vs_kg_per_m3) * 60.0
}

/// Oxygen and air for a batch.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Demand {
    pub oxygen_kg: f64,
    pub air_kg: f64,
    /// At 1.2 kg/m³.
    pub air_m3: f64,
    pub mean_m3_per_min: f64,
    pub mean_cfm: f64,
}

/// What a dry mass uses in so many days, by the share that is degraded and the oxygen for each kg of it (1.2 to 2.0 kg,
/// Haug 1993).
pub fn demand(dry_kg: f64, degraded_share: f64, oxygen_per_kg: f64, days: f64) -> Demand {
    let oxygen_kg = dry_kg * degraded_share * oxygen_per_kg;
    let air_kg = oxygen_kg / OXYGEN_OF_AIR;
    let air_m3 = air_kg / 1.2;
    let mean_m3_per_min = air_m3 / (days * 1_440.0);
    Demand { oxygen_kg, air_kg, air_m3, mean_m3_per_min, mean_cfm: m3_per_min_to_cfm(mean_m3_per_min) }
}

/// Blower for a dry mass in US tons under a timer: 10 cfm a ton, all the time (NRAES-54).
pub fn cfm_by_timer(dry_tons: f64, duty: f64) -> f64 {
    10.0 * dry_tons / duty
}

/// Peak flow for a dry mass in US tons if the temperature is to be held: 100 cfm a ton (NRAES-54).
pub fn cfm_by_temperature(dry_tons: f64) -> f64 {
    100.0 * dry_tons
}

/// Peak flow for a volume: about 5 cfm a cubic yard.
pub fn cfm_by_volume(cubic_yards: f64, cfm_per_yd3: f64) -> f64 {
    cubic_yards * cfm_per_yd3
}
