//! `heapward demo`: an invented farm with three piles, run through the real path on a virtual clock.
//!
//! [`heap`] is a pile as heat, water and food, [`air`] the weather around it, [`stock`] what it is built of; a [`bay`] is
//! its place and blower, [`probes`] what is stuck into it, and [`farm`] all of it. Everything is a function of a seed.
//! None of it is a statement about real piles.

pub mod air;
pub mod barn;
pub mod bay;
pub mod chance;
pub mod ending;
pub mod errands;
pub mod farm;
pub mod grower;
pub mod heap;
mod layer;
pub mod messages;
pub mod mishaps;
pub mod probes;
pub mod publisher;
pub mod run;
pub mod scene;
pub mod screen;
pub mod setup;
pub mod stock;
