//! What the rules tell the shell: something began, got worse, eased or ended.

use crate::ids::{ProbeId, SpotName};
use crate::units::{At, Celsius, Span};

/// Everything that is watched (design 5.3). The first dozen are about the pile, then probes and air, then good news.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Kind {
    /// Above 160 F; levels for 170 F and for the fire caution.
    Overheating,
    /// A forecast that 160 F will be crossed.
    OverheatingAhead,
    /// A run with at least 12 h counted is about to break.
    RunAtRisk,
    /// Not yet at 131 F after three days.
    SlowToHeat,
    /// Not at 131 F and not on the way there.
    Stalled,
    /// The other spots are done and this one will not get there.
    SpotShort,
    /// Was hot, is young and fell out of the range before its time.
    FellOutEarly,
    /// Moisture falls towards the low limit, or is below it.
    Drying,
    ProbeSilent,
    ProbeStuck,
    ProbeFaulty,
    ProbePulledOut,
    ProbeMoved,
    /// The probe's figures look like another unit than the one declared.
    WrongUnit,
    /// All probes fell silent at once: gateway, broker or power.
    AllSilent,
    BatteryLow,
    BlowerOff,
    BlowerStuckOn,
    /// Rises again while curing.
    Reheating,
    Qualified,
    ReadyToMove,
    Cured,
}

/// How grave a finding is. Ordered: a later one is worse.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Level {
    /// For the daily summary only.
    Note,
    /// Worth a text in waking hours.
    Act,
    /// Worth a text at once.
    Urgent,
    /// Somebody may be hurt: every channel, at any hour, and the second person.
    Danger,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Change {
    Opened,
    /// A worse level of an open one, or its worst figure by a notable step.
    Worsened,
    Closed,
}

/// Figures that make the finding's sentence; only those that apply are set.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Figures {
    /// The temperature that decided.
    pub temperature: Option<Celsius>,
    /// When it was read, where that is not the instant that decided.
    pub read_at: Option<At>,
    /// The spot at which it was read, where that need not be the one at which it opened.
    pub read_spot: Option<SpotName>,
    /// The worst temperature since it opened.
    pub worst: Option<Celsius>,
    /// Degrees C per hour.
    pub slope_c_per_h: Option<f64>,
    /// When a limit will be crossed.
    pub expected_at: Option<At>,
    /// Time counted in the open run.
    pub counted: Option<Span>,
    /// Time that the standard asks for.
    pub required: Option<Span>,
    pub moisture_percent: Option<f64>,
    pub water_litres: Option<f64>,
    pub battery_percent: Option<f64>,
    /// The standard's figures are from memory: what is said of it has to be checked.
    pub from_memory: bool,
    /// Since when, where it is not the instant of opening (last reading of a silent probe).
    pub since: Option<At>,
    /// What makes the usual advice the wrong one.
    pub circumstance: Option<Circumstance>,
}

/// A circumstance in which the usual advice would do harm.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Circumstance {
    /// A spot that is short of its time is within 5 F of 131 F: more air would end its run.
    RunNearItsLimit,
    /// A run is open: cold water can end it.
    RunOpen,
    /// The spot lies in the core, where no cover helps.
    InTheCore,
}

/// One change of something watched in a pile.
#[derive(Clone, Debug, PartialEq)]
pub struct Finding {
    pub kind: Kind,
    pub level: Level,
    pub change: Change,
    /// The instant of the reading, entry or deadline that decided; never the time of looking.
    pub at: At,
    /// When this incident opened: with `kind`, `spot` and `probe` its identity within the pile.
    pub opened: At,
    pub spot: Option<SpotName>,
    pub probe: Option<ProbeId>,
    pub figures: Figures,
}
