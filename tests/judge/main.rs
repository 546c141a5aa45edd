//! The judge against cases with exact expected answers, against its own properties and against the outside world.

#![allow(clippy::unwrap_used, clippy::expect_used, reason = "a test that cannot go on stops with the place")]

mod cases;
mod gaps;
mod memory_disk;
mod properties;
mod reference;
mod scene;
mod three_ways;
