//! Telling people: the few messages that change what the grower does, and none lost.
//!
//! Two halves. The pure one decides and words, with the time as an argument:
//! * [`topic`]: a rule's finding or a trouble of the daemon, as one [`topic::Matter`];
//! * [`moment`]: which topic at which level is worth a message, and when (T1 to T15);
//! * [`policy`]: the life of an incident. `Teller::take(&matter, scene)` gives the incident as it is now and the
//!   messages to write with it in one transaction; `Teller::due(scene)` the same for what the passing of time asks
//!   for (call it at every tick); `Teller::seen` and `Teller::summary` complete it;
//! * [`wording`]: texts of at most 160 characters, subjects and mail bodies;
//! * [`trouble`]: what the daemon's own health gives to tell;
//! * [`harvest`]: harvests that are planned too early;
//! * [`digest`]: one message in place of several that waited.
//!
//! The other half sends:
//! * [`worker`]: `worker::run(deps, shutdown)` takes waiting messages from the outbox and tries their channels;
//! * [`unwritten`]: what the store can't take yet goes out all the same;
//! * [`ways`]: `connect` makes the channels of a configuration, `send_test` proves them;
//! * [`mail`], [`request`], [`publish`], [`modem`], [`terminal`]: the channels;
//! * [`signs`] and [`heartbeat`]: the dead-man switch and the watchdog.
//!
//! Quiet hours need no timer: a held message is written at once with the end of the quiet hours as its due time.
//!
//! Invariant: `moment`, `policy`, `wording` and `digest` do no I/O and ask no clock.
//! Invariant: a message is written with its incident in one transaction, and its id depends on nothing but incident,
//! step, channel and contact.

pub mod address;
pub mod backoff;
pub mod board;
pub mod channel;
pub mod digest;
#[cfg(test)]
pub(crate) mod fixture;
pub mod gsm;
pub mod harvest;
pub mod heartbeat;
pub mod hours;
pub mod mail;
pub mod modem;
pub mod moment;
pub mod policy;
pub mod publish;
pub mod request;
#[cfg(test)]
pub(crate) mod scripted;
pub mod signs;
pub mod step;
pub mod template;
pub mod terminal;
pub mod topic;
pub mod trouble;
pub mod unwritten;
pub mod ways;
pub mod wording;
pub mod worker;

/// Makes `ring` the one TLS provider of the process. The first line of main; harmless when called again.
pub fn install_tls() {
    let _ = rustls::crypto::ring::default_provider().install_default();
}
