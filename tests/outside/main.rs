//! Our figures against the outside world: published checks with their own tolerances, and reference libraries.

#![allow(clippy::unwrap_used, clippy::expect_used, reason = "a test that cannot go on stops with the place")]

mod air;
mod checks;
mod dates;
mod dice;
mod python;
mod statistics;
