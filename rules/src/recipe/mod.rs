//! The arithmetic of building a pile: recipe, water, density, size, air, shrinkage, calendar dates, and the classes of
//! handbooks. Planning aids and yardsticks; none of it is a verdict.
//!
//! Masses are wet masses in any one unit, percentages of the wet mass (moisture) or of the dry mass (N, C, ash), as
//! handbooks give them. Formulas by the Cornell Waste Management Institute unless a function says otherwise.

pub mod aeration;
pub mod calibration;
pub mod carbon;
pub mod classes;
pub mod convert;
pub mod dates;
pub mod density;
pub mod duct;
pub mod mix;
pub mod reduction;
pub mod size;
pub mod water;

#[cfg(test)]
mod tests;
