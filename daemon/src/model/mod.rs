//! Stored twins of the rules' types: what goes to the store, into JSON and onto pages. The rules' own types know no
//! serde; the conversions are here.
//!
//! Instants are UTC milliseconds in the store and RFC 3339 on the outside (`model::time`).

pub mod entry;
pub mod incident;
pub mod message;
pub mod pile;
pub mod reading;
pub mod recipe;
pub mod time;
pub mod words;
