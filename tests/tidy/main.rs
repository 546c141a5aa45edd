//! The rules of the house, as tests: what a reviewer would otherwise have to look for.
#![expect(clippy::unwrap_used, reason = "what can't be read fails the test")]

mod supply;
mod tree;
