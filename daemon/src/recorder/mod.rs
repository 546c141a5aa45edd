//! The recorder: one thread that owns the store and the judges. Nothing else writes.
//!
//! Everybody else holds a [`Handle`]: ingest hands in dated readings and is told when they are on the card; pages,
//! API and commands hand in entries and look at the last judgement of each pile.
//!
//! One turn: take commands until the queue is empty -> commit the readings that wait -> acknowledge -> judge ->
//! write conclusions, incidents and messages in one transaction -> show the new judgements -> wake the sender.

mod ack;
pub mod batch;
pub mod conclusions;
pub mod entering;
pub mod facts;
pub mod handle;
pub mod history;
pub mod keeper;
pub mod pile_desk;
mod probe_facts;
mod records;
pub mod tell;
pub mod thermometers;
mod work;

#[cfg(test)]
mod tests;

use std::collections::BTreeMap;
use std::sync::Arc;

use heapward_rules::ids::StandardId;
use heapward_rules::standard::Standard;
use heapward_rules::units::Span;
use tokio::sync::Notify;

pub use ack::{Ack, Settle};
pub use handle::{Command, Handle, PileView, Refusal, StoreTrouble};
pub use probe_facts::{ProbeFacts, Probes, meaning};
pub use work::{Recorder, all_entries};

use crate::clock::SharedClock;
use crate::config::WatchConfig;
use crate::store::{Reader, StoreOptions};
use crate::telling::policy::Teller;
use crate::telling::signs::Signs;
use crate::telling::trouble::Vitals;
use crate::telling::unwritten::Unwritten;

/// What a recorder is made of.
pub struct Parts {
    pub store: StoreOptions,
    pub clock: SharedClock,
    pub zone: chrono_tz::Tz,
    pub commit_every: Span,
    pub standards: BTreeMap<StandardId, Standard>,
    pub probes: Probes,
    /// Probes that the store itself keeps; those in `probes` count before them.
    pub probes_kept: fn(&Reader, chrono_tz::Tz) -> Probes,
    pub watch: WatchConfig,
    pub teller: Teller,
    /// Woken when there is something new in the outbox.
    pub outbox: Arc<Notify>,
    /// Where the recorder says that it is alive, and whether the store ails.
    pub signs: Signs,
    /// How broker, clock, card and channels are doing.
    pub vitals: Vitals,
    /// Where the sender finds what the store can't take yet.
    pub unwritten: Unwritten,
}
