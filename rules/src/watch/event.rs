//! What a watch is told, and in which form its rules see it.

use super::progress::Progress;
use crate::ids::{ProbeId, SpotName};
use crate::log::LogEntry;
use crate::reading::Quantity;
use crate::units::{At, Celsius};
use crate::verdict::Class;

/// Everything that may happen to a pile, in order of time.
#[derive(Clone, Debug, PartialEq)]
pub enum Event {
    Reading(Observation),
    Entry(LogEntry),
    /// The judge has something new to say of the runs.
    Progress(Progress),
    /// Time has passed.
    Tick(At),
}

/// A reading with what the judge made of it. A held one comes as `Held` at its time, and once more as `Counts` or
/// `Fault` when the next reading has decided on it.
#[derive(Clone, Debug, PartialEq)]
pub struct Observation {
    pub at: At,
    pub spot: SpotName,
    /// None for a reading by hand.
    pub probe: Option<ProbeId>,
    pub quantity: Quantity,
    /// Temperature in °C after calibration; moisture, oxygen and battery in %; blower 0 for off, else on.
    pub value: f64,
    pub class: Class,
}

/// A counting temperature reading, in order.
#[derive(Clone, Copy, Debug)]
pub(super) struct Sample<'a> {
    pub(super) at: At,
    /// Index of the spot in the pile.
    pub(super) spot: usize,
    pub(super) probe: Option<&'a ProbeId>,
    pub(super) value: Celsius,
}

/// What the rules see, after the scene has taken it in.
#[derive(Clone, Copy, Debug)]
pub(super) enum Happening<'a> {
    Temperature(Sample<'a>),
    /// A temperature reading that does not count.
    Rejected {
        seen: &'a Observation,
        spot: usize,
    },
    /// A reading of another quantity.
    Other {
        seen: &'a Observation,
        spot: usize,
    },
    Entry(&'a LogEntry),
    /// The scene holds new progress.
    Progress,
    /// A probe was placed, moved or taken out.
    Placed,
    /// A day of 24 h since the building is complete.
    Day,
    /// A deadline that some rule asked for has come.
    Time,
}

// === impl Event ===

impl Event {
    pub fn at(&self) -> At {
        match self {
            Event::Reading(seen) => seen.at,
            Event::Entry(entry) => entry.at,
            Event::Progress(progress) => progress.at,
            Event::Tick(at) => *at,
        }
    }
}
