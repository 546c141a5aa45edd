//! From a message to dated readings that are on the card: decode, date, hand in, and only then acknowledge.

pub mod date;
pub mod decode;
pub mod json;
pub mod mapping;
pub mod number;
pub mod pointer;
pub mod reason;
pub mod time_of;
pub mod trust;
