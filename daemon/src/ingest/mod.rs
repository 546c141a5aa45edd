//! From a message to dated readings that are on the card: decode, date, hand in, and only then acknowledge.

pub mod allowance;
pub mod backlog;
pub mod broker;
pub mod date;
pub mod decode;
pub mod held;
pub mod intake;
pub mod json;
pub mod mapping;
pub mod number;
pub mod pointer;
pub mod reason;
pub mod router;
pub mod seen;
pub mod status;
pub mod time_of;
pub mod trust;
