//! What the judge says of a pile: verdicts, runs, breaks and counts (shapes of design 5.4).

use crate::ids::{SpotName, StandardId};
use crate::units::{At, Celsius, Span};

#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Status {
    Qualified,
    /// Heat and turns were enough; something else that the standard asks for is not recorded or not right.
    TemperatureMet,
    Running,
    NotMet,
    /// The standard asks for no heat of this material.
    NotRequired,
}

#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Caution {
    /// The readings of this spot could be another unit than declared; a hand reading would settle it.
    UnitUnconfirmed(SpotName),
    /// Two turns lie less than 12 h apart.
    TurnsCloseTogether,
    /// The standard asks for curing as well.
    CuringNotRecorded,
}

#[derive(Clone, Debug, PartialEq)]
pub struct Verdict {
    pub standard: StandardId,
    /// Whether the standard's figures were seen in its text; else they are from memory, and so is the verdict.
    pub verified: bool,
    pub status: Status,
    /// When it was met; only for `Qualified` and `TemperatureMet`.
    pub at: Option<At>,
    pub held_up_by: Option<SpotName>,
    pub cautions: Vec<Caution>,
    /// All spots, in the pile's order.
    pub spots: Vec<SpotVerdict>,
    pub breaks: Vec<Break>,
    /// Time and turns that the shown profile asks for; none where the standard knows no way for the method.
    pub required: Option<Required>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Required {
    pub time: Span,
    pub turns: usize,
}

#[derive(Clone, Debug, PartialEq)]
pub struct SpotVerdict {
    pub spot: SpotName,
    pub required: bool,
    /// First qualifying instant in the present lot.
    pub qualified_at: Option<At>,
    pub longest_run: Option<Run>,
    /// The run that holds the newest reading of the present segment, if any.
    pub open_run: Option<Run>,
    pub given_up: Option<GivenUp>,
}

/// A stretch of proven time, with its allowances.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Run {
    /// First proven instant.
    pub start: At,
    /// Last proven instant.
    pub end: At,
    /// Proven time inside it.
    pub counted: Span,
    pub turns: usize,
}

#[derive(Clone, Debug, PartialEq, Eq)]
pub struct GivenUp {
    pub at: At,
    pub reason: String,
}

#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Break {
    pub at: At,
    pub spot: SpotName,
    pub reason: BreakReason,
    /// Time that the run had counted.
    pub counted: Span,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum BreakReason {
    TooCold,
    TooHot,
    NoEvidence,
    Turned,
    MaterialAdded,
}

/// What became of a reading under design 5.1.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Class {
    Counts,
    Conflict,
    Fault,
    Unplaced,
    WarmingUp,
    Held,
}

/// How many temperature readings fell into each class, repetitions removed.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Counts {
    pub counting: u64,
    pub conflict: u64,
    pub fault: u64,
    pub unplaced: u64,
    pub warming_up: u64,
    pub held: u64,
}

/// A pile above 160 F (design 5.3).
#[derive(Clone, Debug, PartialEq)]
pub struct Overheating {
    pub opened: At,
    pub closed: Option<At>,
    pub peak: Celsius,
    /// The spot that opened it.
    pub spot: SpotName,
}

/// Everything that the judge says of a pile; a function of the set of its readings and log entries alone.
#[derive(Clone, Debug, PartialEq)]
pub struct Judgement {
    pub verdicts: Vec<Verdict>,
    pub counts: Counts,
    pub overheating: Vec<Overheating>,
}
