//! How a pile gets less: volatile solids, mass and volume.

/// Share of the volatile solids lost, from the ash that stays: 1 - (ash0 VS1) / (VS0 ash1); percentages of the dry mass.
pub fn volatile_solids_lost(ash_start: f64, ash_end: f64) -> f64 {
    1.0 - (ash_start * (100.0 - ash_end)) / ((100.0 - ash_start) * ash_end)
}

/// Share of the dry mass lost: 1 - ash0/ash1.
pub fn dry_mass_lost(ash_start: f64, ash_end: f64) -> f64 {
    1.0 - ash_start / ash_end
}

/// (wet mass at the end, water lost) from the wet mass and moisture at the start, the share of the dry mass lost and the
/// moisture at the end; the water that microbes make is left out.
pub fn mass_at_the_end(wet_start: f64, moisture_start: f64, dry_lost: f64, moisture_end: f64) -> (f64, f64) {
    let dry_start = wet_start * (100.0 - moisture_start) / 100.0;
    let wet_end = dry_start * (1.0 - dry_lost) * 100.0 / (100.0 - moisture_end);
    let water_lost = wet_start * moisture_start / 100.0 - wet_end * moisture_end / 100.0;
    (wet_end, water_lost)
}

/// Volume after a share of it is lost; 25 to 50 % in the active stage (NRAES-54).
pub fn volume_at_the_end(volume_start: f64, share_lost: f64) -> f64 {
    volume_start * (1.0 - share_lost)
}
