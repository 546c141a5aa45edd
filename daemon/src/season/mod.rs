//! Planning a season: how much compost the beds want by when, and when which pile has to be started for it.
//!
//! [`plan`] is what the grower writes down, [`schedule`] lays the piles into bays and days. Everything by whole days; a
//! planning aid, no promise of nature.

pub mod plan;
pub mod schedule;
