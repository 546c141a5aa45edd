//! An entry of the log: what a person did or the daemon concluded. Append-only and chained (design 4).

use serde::{Deserialize, Serialize};

/// What happened. People's entries first, the daemon's own conclusions last.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(tag = "event", rename_all = "kebab-case")]
pub enum Event {
    Built,
    /// Something that the pile was built of. `class`: plant, manure, animal, mixed or paper; `amount` and `source` in
    /// words, as `6 loads` from `Tansy Ford stables`.
    Feedstock {
        name: String,
        class: String,
        #[serde(default)]
        amount: Option<String>,
        #[serde(default)]
        source: Option<String>,
    },
    /// The recipe as it was built. `how`: how the figures were come by, as `table values` or a laboratory's report.
    Recipe {
        initial_cn: Option<f64>,
        moisture_percent: Option<f64>,
        how: String,
    },
    /// The usual questions about what came from outside: was there any of it? Each `no`, `yes` or `unknown`.
    Asked {
        /// One that survives composting: aminopyralid, clopyralid, picloram.
        #[serde(default)]
        herbicide: Option<String>,
        /// Paper with glossy or coloured print.
        #[serde(default)]
        glossy_paper: Option<String>,
        #[serde(default)]
        sewage_sludge: Option<String>,
        /// Treated, painted or glued.
        #[serde(default)]
        treated_wood: Option<String>,
    },
    Turned,
    MaterialAdded {
        what: String,
    },
    SpotGivenUp {
        spot: String,
        reason: String,
    },
    Watered {
        litres: Option<f64>,
    },
    Covered {
        depth_in: Option<f64>,
    },
    AerationChanged {
        on_seconds: Option<u32>,
        off_seconds: Option<u32>,
    },
    /// A thermometer reading by hand. `unit` is `C` or `F`.
    HandReading {
        spot: String,
        value: f64,
        unit: String,
    },
    /// `squeeze`: dry, right or wet; `smell`: none, earthy, sour, ammonia, rotten; `blower`: running or not.
    Check {
        squeeze: Option<String>,
        smell: Option<String>,
        blower_heard: Option<bool>,
    },
    ProbePlaced {
        probe: String,
        spot: String,
        every_ms: i64,
        offset_c: f64,
    },
    ProbeRemoved {
        probe: String,
    },
    Calibration {
        probe: String,
        reference_c: f64,
        read_c: f64,
    },
    MovedToCuring,
    /// `test`: self-heating (figure: highest rise over the room, °C), carbon-dioxide (mg of carbon per g of organic matter
    /// and day), oxygen (mg per kg of volatile solids and hour), pot (passed or not).
    MaturityTested {
        test: String,
        figure: Option<f64>,
        passed: Option<bool>,
    },
    Used {
        bed: String,
        cubic_yards: Option<f64>,
        crop: Option<String>,
        /// Whether the edible part touches soil or its particles.
        #[serde(default)]
        touches_soil: Option<bool>,
        /// Planned harvest, as `2026-08-29`.
        #[serde(default)]
        harvest: Option<String>,
    },
    /// An entry that was wrong: the entry named by `corrects` no longer counts. Nothing is overwritten.
    Withdrawn {
        reason: String,
    },
    Note,
    RunQualified {
        standard: String,
    },
    RunBroken {
        standard: String,
        spot: String,
        reason: String,
    },
    VerdictAmended {
        standard: String,
        was: String,
        is: String,
    },
    /// Something about the record itself: a gap, a restart, a clock step.
    RecordEvent {
        what: String,
    },
}

/// An entry before it has its place in the chain.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct NewEntry {
    /// The pile it is about; none for the farm as a whole.
    pub pile: Option<String>,
    /// When it happened, as told by the person.
    pub at_ms: i64,
    /// When it was entered.
    pub entered_ms: i64,
    /// Initials of who entered it, or `heapward`.
    pub by: String,
    #[serde(default)]
    pub note: String,
    /// The entry that this one stands in for.
    #[serde(default)]
    pub corrects: Option<u64>,
    #[serde(flatten)]
    pub event: Event,
}

/// An entry in the chain.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Entry {
    /// Position in the log, from 1.
    pub seq: u64,
    /// SHA-256 of the canonical text of the entry before, in lower-case hex; 64 zeros for the first.
    pub prev: String,
    #[serde(flatten)]
    pub entry: NewEntry,
}
