//! `heapward demo`: an invented farm with three piles, run through the real path on a virtual clock.
//!
//! [`heap`] is a pile as heat, water and food, [`air`] the weather around it, [`stock`] what it is built of. Everything is a
//! function of a seed. None of it is a statement about real piles.

pub mod air;
pub mod chance;
pub mod heap;
mod layer;
pub mod stock;
