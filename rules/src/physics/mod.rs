//! Physics of a heap that breathes: moist air, the water and heat that a blower carries off, boiling point for
//! calibration, a time-temperature index, and advice on the blower's timer.

mod advice;
mod air;
mod boiling;
mod carried_off;
mod index;

pub use advice::{Advice, Air, PileNow, Reason, Timer, timer_advice};
pub use air::{MoistAir, SEA_LEVEL_PA, saturation_pressure_pa};
pub use boiling::{
    boiling_point_at_altitude, boiling_point_at_pressure, pressure_at_altitude_pa, rule_of_thumb_f,
};
pub use carried_off::{CarriedOff, carried_off};
pub use index::{Regime, TimeTemperatureIndex, required_days, required_time, temperature_for_days};
