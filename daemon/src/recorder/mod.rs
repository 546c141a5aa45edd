//! The recorder: one thread that owns the store and the judges. Nothing else writes.
//!
//! Everybody else holds a [`Handle`]: ingest hands in dated readings and is told when they are on the card; pages,
//! API and commands hand in entries and look at the last judgement of each pile.

pub mod handle;

pub use handle::{Ack, Command, Handle, PileView, Refusal};
