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
//! What gets a text. The moments T1 to T15 of [`moment`], each of which names something that still can be done. Beside
//! them, once each, what would cost the evidence or the heat of a run if nobody looked: a probe that is stuck, pulled
//! out, moved or speaks in another unit (T11 in other clothes), a pile that is stuck before the time of T4 or cooled too
//! early, a blower that never pauses. The daemon's own troubles (card, broker, clock, channel, copies) are told because
//! a Heapward that can't keep or say anything looks like a quiet day. A forecast of 160 F has no text of its own: it
//! stands on the page and is the day's job in the summary; the text comes with T6, when it has come true. What asks for
//! nothing (rising, halfway, a battery at 60 %, a probe that is back) is for the summary alone.
//!
//! Whom it reaches. All ways to a person are used at once, so a telephone that is down delays no mail. What is grave
//! goes to the second person too when nobody has seen it after two reminders, or when it has reached nobody for ten
//! minutes; danger goes to everybody at once.
//!
//! Figures. A text gives the newest figure, the worst, and since when: the recorder hands the present figures of what
//! is open to `Teller::follow` with every tick, so that a reminder does not repeat the first one.
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
pub mod roots;
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
