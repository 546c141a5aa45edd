//! Pipes, holes and fans of small piles. Lengths in inches and feet, flow in cubic feet a minute, pressure in inches of
//! water column, as fan tables give them.

use std::f64::consts::PI;

use super::convert::inches_of_water_to_pa;

const M_PER_IN: f64 = 0.0254;
const M_PER_FT: f64 = 0.3048;
const M3_PER_FT3: f64 = 0.028_316_846_592;

/// Velocity in feet a minute: V = Q / A.
pub fn velocity_fpm(cfm: f64, diameter_in: f64) -> f64 {
    let feet = diameter_in / 12.0;
    cfm / (PI * feet * feet / 4.0)
}

/// Velocity pressure of standard air: (V / 4005)².
pub fn velocity_pressure_in(velocity_fpm: f64) -> f64 {
    (velocity_fpm / 4_005.0).powi(2)
}

/// Friction of a round duct per 100 ft: 0.109136 q^1.9 / d^5.02 (rule of ASHRAE and SMACNA).
pub fn friction_in_per_100_ft(cfm: f64, diameter_in: f64) -> f64 {
    0.109_136 * cfm.powf(1.9) / diameter_in.powf(5.02)
}

/// Air and wall of a pipe.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Pipe {
    pub diameter_in: f64,
    pub length_ft: f64,
    /// Roughness of the wall, m.
    pub roughness_m: f64,
    /// kg/m³.
    pub density: f64,
    /// Pa s.
    pub viscosity: f64,
}

/// Flow in a pipe by Darcy and Weisbach.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Flow {
    pub velocity_m_per_s: f64,
    pub reynolds: f64,
    /// Colebrook's friction factor.
    pub friction: f64,
    /// Swamee and Jain's explicit one.
    pub friction_explicit: f64,
    pub pressure_pa: f64,
    pub pressure_in: f64,
}

impl Pipe {
    /// Pressure lost at a flow: f L/D times density v²/2, f by Colebrook.
    pub fn flow(&self, cfm: f64) -> Flow {
        let diameter = self.diameter_in * M_PER_IN;
        let velocity = cfm * M3_PER_FT3 / 60.0 / (PI * diameter * diameter / 4.0);
        let reynolds = self.density * velocity * diameter / self.viscosity;
        let rough = self.roughness_m / diameter / 3.7;
        let friction_explicit = 0.25 / (rough + 5.74 / reynolds.powf(0.9)).log10().powi(2);
        let mut friction = friction_explicit;
        for _ in 0..50 {
            friction = (-2.0 * (rough + 2.51 / (reynolds * friction.sqrt())).log10()).powi(-2);
        }
        let pressure_pa =
            friction * self.length_ft * M_PER_FT / diameter * self.density * velocity * velocity / 2.0;
        Flow {
            velocity_m_per_s: velocity,
            reynolds,
            friction,
            friction_explicit,
            pressure_pa,
            pressure_in: pressure_pa / inches_of_water_to_pa(1.0),
        }
    }
}

/// Friction of a pipe with so many outlets as a share of the same pipe without: 1/(m+1) + 1/(2N) + √(m-1)/(6N²)
/// (Christiansen 1942).
pub fn christiansen_factor(m: f64, outlets: f64) -> f64 {
    1.0 / (m + 1.0) + 1.0 / (2.0 * outlets) + (m - 1.0).sqrt() / (6.0 * outlets * outlets)
}

/// Diameter of the holes whose whole area is the pipe's: d = √(D² S / (12 L)), for one or more rows (NRAES-54).
pub fn hole_diameter_in(pipe_in: f64, spacing_in: f64, length_ft: f64, rows: f64) -> f64 {
    (pipe_in * pipe_in * spacing_in / (12.0 * length_ft) / rows).sqrt()
}

/// Holes of one row.
pub fn holes(spacing_in: f64, length_ft: f64) -> f64 {
    length_ft * 12.0 / spacing_in
}

/// Power in the air: hp = cfm x in WC / 6356.
pub fn air_hp(cfm: f64, pressure_in: f64) -> f64 {
    cfm * pressure_in / 6_356.0
}

/// Watts at the shaft from its horsepower.
pub fn hp_to_watts(hp: f64) -> f64 {
    hp * 745.699_87
}
