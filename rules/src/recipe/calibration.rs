//! Checking and correcting a thermometer.

use crate::units::Celsius;

/// Ice slush of clean water.
pub const ICE_POINT: Celsius = Celsius(0.0);
/// A probe that reads the ice or boiling point within this passes (common practice). In °F.
pub const ACCEPT_F: f64 = 2.0;
/// Tolerance of the usual 1-wire sensor between -10 and 85 °C, its finest step, and what it says at power-on; what its
/// usual driver says of a lost one. In °C (data sheet).
pub const ONE_WIRE_TOLERANCE_C: f64 = 0.5;
pub const ONE_WIRE_STEP_C: f64 = 0.0625;
pub const ONE_WIRE_POWER_ON: Celsius = Celsius(85.0);
pub const ONE_WIRE_LOST: Celsius = Celsius(-127.0);

/// A straight correction: true = gain x read + offset.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Correction {
    pub gain: f64,
    pub offset: f64,
}

impl Correction {
    /// From what was read at the ice point and at the boiling point; `None` if both were read the same.
    pub fn two_point(ice_read: Celsius, boil_read: Celsius, boil_true: Celsius) -> Option<Correction> {
        let gain = (boil_true.0 - ICE_POINT.0) / (boil_read.0 - ice_read.0);
        gain.is_finite().then_some(Correction { gain, offset: ICE_POINT.0 - gain * ice_read.0 })
    }

    pub fn apply(&self, read: Celsius) -> Celsius {
        Celsius(self.gain * read.0 + self.offset)
    }
}

/// Tolerance of a platinum thermometer of class B in °C: 0.3 + 0.005 |t| (IEC 60751).
pub fn class_b_tolerance_c(temperature: Celsius) -> f64 {
    0.3 + 0.005 * temperature.0.abs()
}

/// A limit made stricter by the tolerance of the probe, both in °F.
pub fn guarded_limit_f(limit_f: f64, tolerance_f: f64) -> f64 {
    limit_f + tolerance_f
}
