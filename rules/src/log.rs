//! What people did to a pile, as far as the rules look at it.

use crate::ids::SpotName;
use crate::units::At;

/// One entry of a pile's log.
#[derive(Clone, Debug, PartialEq)]
pub struct LogEntry {
    pub at: At,
    pub event: LogEvent,
}

#[derive(Clone, Debug, PartialEq)]
pub enum LogEvent {
    /// The whole pile was turned or remixed.
    Turned,
    /// Fresh material was added: a new lot.
    MaterialAdded,
    /// A spot was given up, with the reason that the record prints.
    SpotGivenUp { spot: SpotName, reason: String },
    /// Water was added, in litres if it was measured.
    Watered { litres: Option<f64> },
    /// The blower's timer or valve was changed.
    AerationChanged,
    /// The active phase is over and the pile cures.
    MovedToCuring,
    /// The pile was spread, sold or given away: it is watched no more.
    Used,
    /// Kept in the record; the rules look at none of it.
    Other,
}
