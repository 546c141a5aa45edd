//! Carbon from ash, and what of it microbes can eat.

/// Carbon in percent of the dry mass: (100 - ash) / 1.8 (Haug).
pub fn from_ash(ash_percent: f64) -> f64 {
    (100.0 - ash_percent) / 1.8
}

/// Carbon from organic matter, both in percent: 0.54 OM (TMECC).
pub fn from_organic_matter(organic_percent: f64) -> f64 {
    0.54 * organic_percent
}

/// Biodegradable share of the volatile solids by their lignin in percent: 0.83 - 0.028 X, never below 0 (Chandler et al.
/// 1980, coefficients from memory).
pub fn biodegradable_share(lignin_percent_of_vs: f64) -> f64 {
    (0.83 - 0.028 * lignin_percent_of_vs).max(0.0)
}

/// C:N of the carbon that is biodegradable: the carbon of the volatile solids taken down by their share.
pub fn biodegradable_cn(carbon_percent: f64, nitrogen_percent: f64, lignin_percent_of_vs: f64) -> f64 {
    carbon_percent * biodegradable_share(lignin_percent_of_vs) / nitrogen_percent
}
