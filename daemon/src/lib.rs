//! The shell around the rules: broker, store, clock, network and pages.

pub mod clock;
pub mod config;
pub mod limits;
pub mod model;
pub mod recorder;
pub mod standards;
