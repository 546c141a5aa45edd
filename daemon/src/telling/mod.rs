//! Telling people: the few messages that change what the grower does, and none lost.
//!
//! Two halves. The pure one decides and words, with the time as an argument:
//! * [`topic`]: a rule's finding or a trouble of the daemon, as one [`topic::Matter`];
//! * [`moment`]: which topic at which level is worth a message, and when (T1 to T15);
//! * [`policy`]: the life of an incident. `Teller::take(&matter, scene)` gives the incident as it is now and the
//!   messages to write with it in one transaction; `Teller::due(scene)` the same for what the passing of time asks
//!   for (call it at every tick); `Teller::seen` and `Teller::summary` complete it;
//! * [`wording`]: texts of at most 160 characters, subjects and mail bodies.
//!
//! Quiet hours need no timer: a held message is written at once with the end of the quiet hours as its due time.

pub mod address;
pub mod backoff;
pub mod channel;
pub mod digest;
#[cfg(test)]
pub(crate) mod fixture;
pub mod gsm;
pub mod hours;
pub mod moment;
pub mod policy;
pub mod step;
pub mod topic;
pub mod wording;
pub mod worker;
