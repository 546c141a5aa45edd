//! The rules of Heapward: events in, findings out.
//!
//! No I/O, no threads, no async, no clock and no randomness: time is an argument, and the same code judges the live
//! stream, a replay of stored history, a CSV file and the tests. Nothing here can fail for want of the world;
//! functions return values and findings.

pub mod finding;
pub mod ids;
pub mod judge;
pub mod log;
pub mod physics;
pub mod pile;
pub mod reading;
pub mod recipe;
pub mod standard;
pub mod stats;
pub mod units;
pub mod verdict;
pub mod watch;
