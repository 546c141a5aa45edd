//! What is known of a pile apart from its readings: method, material, spots, placements and settings.

use crate::ids::{PileId, ProbeId, SpotName, StandardId};
use crate::units::{At, Celsius, Span};

/// How the pile is treated, in the regulations' own words.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Method {
    AeratedStatic,
    InVessel,
    Windrow,
}

/// What the pile is made of; decides which rule asks for heat at all.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Material {
    /// Plant material only.
    Plant,
    /// Animal material that is not manure.
    Animal,
    /// Any manure at all.
    Manure,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Zone {
    Core,
    Middle,
    Outer,
    Base,
    Cover,
    Ambient,
}

#[derive(Clone, Debug, PartialEq)]
pub struct Spot {
    pub name: SpotName,
    pub zone: Zone,
    pub depth_in: Option<f64>,
    /// Shown, but not required for the verdict.
    pub watched_only: bool,
}

/// A probe stuck into a spot from one instant (included) to another (excluded).
#[derive(Clone, Debug, PartialEq)]
pub struct Placement {
    pub probe: ProbeId,
    pub spot: SpotName,
    pub from: At,
    pub until: Option<At>,
    /// Interval declared for the probe.
    pub every: Span,
    /// Calibration, added to the reported temperature in °C.
    pub offset_c: f64,
}

/// Whether every required spot has to hold for itself, or all of them at the same time.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Agreement {
    Each,
    Together,
}

/// The settings of design 5.1 and 5.2.
#[derive(Clone, Debug, PartialEq)]
pub struct Settings {
    pub max_gap: Span,
    pub hand_gap: Span,
    pub turn_allowance: Span,
    /// Distance from both ends of a standard's range, in °C.
    pub guard_c: f64,
    pub agreement: Agreement,
    pub settle: Span,
    /// Values that a failing sensor reports, in °C, as reported.
    pub fault_values: Vec<Celsius>,
}

/// A pile as the judge sees it. `spots` are in the order of the file or of the record: it decides between equals.
#[derive(Clone, Debug, PartialEq)]
pub struct Pile {
    pub id: PileId,
    pub method: Method,
    pub material: Material,
    pub built: At,
    /// Initial carbon to nitrogen ratio of the recipe, if it was recorded.
    pub initial_cn: Option<f64>,
    pub standards: Vec<StandardId>,
    pub spots: Vec<Spot>,
    pub placements: Vec<Placement>,
    pub settings: Settings,
}

// === impl Zone ===

impl Zone {
    /// Zones that have to heat; the cover and the air around never have to (design 5.2 rule 3).
    pub fn has_to_heat(self) -> bool {
        matches!(self, Zone::Core | Zone::Middle | Zone::Outer | Zone::Base)
    }
}

// === impl Spot ===

impl Spot {
    pub fn is_required(&self) -> bool {
        self.zone.has_to_heat() && !self.watched_only
    }
}

// === impl Settings ===

impl Default for Settings {
    /// The defaults of design 5.1 and 5.2: what common 1-wire sensors say at power-on and when disconnected.
    fn default() -> Settings {
        Settings {
            max_gap: Span::hours(4),
            hand_gap: Span::hours(26),
            turn_allowance: Span::hours(24),
            guard_c: 0.0,
            agreement: Agreement::Each,
            settle: Span::minutes(30),
            fault_values: vec![Celsius(85.0), Celsius(-127.0)],
        }
    }
}
