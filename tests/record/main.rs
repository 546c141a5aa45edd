//! The record of a pile: what it says, how it prints, and whether it can be checked by anybody.
#![expect(clippy::unwrap_used, reason = "a test that can't go on has to fail")]

mod document;
mod exchange;
mod farm;
mod forger;
mod sealed;
mod tools;
