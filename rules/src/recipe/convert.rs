//! Between the units of the trade.

/// Pounds in a kilogram, cubic yards and gallons in a cubic metre: all follow from definitions.
const KG_PER_LB: f64 = 0.453_592_37;
const M3_PER_YD3: f64 = 0.764_554_857_984;
const M3_PER_FT3: f64 = 0.028_316_846_592;
const GALLONS_PER_YD3: f64 = 46_656.0 / 231.0;

/// A difference of temperatures: no 32 here.
pub fn delta_c_to_f(delta_c: f64) -> f64 {
    delta_c * 1.8
}

pub fn lb_per_yd3_to_kg_per_m3(density: f64) -> f64 {
    density * KG_PER_LB / M3_PER_YD3
}

pub fn kg_per_m3_to_lb_per_yd3(density: f64) -> f64 {
    density / KG_PER_LB * M3_PER_YD3
}

pub fn lb_per_gallon_to_lb_per_yd3(density: f64) -> f64 {
    density * GALLONS_PER_YD3
}

/// Cubic feet a minute to cubic metres an hour.
pub fn cfm_to_m3_per_h(flow: f64) -> f64 {
    flow * M3_PER_FT3 * 60.0
}

/// Cubic feet a minute to litres a second.
pub fn cfm_to_litres_per_s(flow: f64) -> f64 {
    flow * M3_PER_FT3 * 1_000.0 / 60.0
}

/// Cubic metres a minute to cubic feet a minute.
pub fn m3_per_min_to_cfm(flow: f64) -> f64 {
    flow / M3_PER_FT3
}

/// Inches of water column (4 °C) to Pa.
pub fn inches_of_water_to_pa(pressure: f64) -> f64 {
    pressure * 249.089
}

pub fn cubic_feet_to_cubic_yards(volume: f64) -> f64 {
    volume / 27.0
}
