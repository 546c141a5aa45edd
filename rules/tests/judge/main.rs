//! The judge against cases with exact answers, without the readers of files: fast enough for mutation testing.

#![allow(clippy::unwrap_used, clippy::expect_used, reason = "a test that cannot go on stops with the place")]

mod amendment;
mod answer;
mod cases;
mod fixture;
mod sources;
mod standards;
mod told;
