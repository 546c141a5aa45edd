//! What a summary is made from: the farm at one instant.

use std::collections::BTreeMap;

use heapward_rules::units::{At, Span};
use heapward_rules::verdict::Status;

use super::chart::Series;
use super::week::Week;
use crate::model::incident::Incident;
use crate::telling::wording::Site;
use crate::telling::worker::ChannelState;

#[derive(Clone, Debug)]
pub struct Snapshot {
    pub now: At,
    /// When the last summary was made; what happened since is in this one.
    pub since: At,
    pub site: Site,
    /// Piles that are not used up, in the order of their names.
    pub piles: Vec<PileDay>,
    pub probes: Vec<ProbeDay>,
    /// Open, or ended since the last summary.
    pub incidents: Vec<Incident>,
    /// Beds with raw manure whose first day of harvest is near, a sentence each.
    pub harvests: Vec<String>,
    pub house: House,
}

/// A pile on its day.
#[derive(Clone, Debug, Default)]
pub struct PileDay {
    pub id: String,
    pub built: At,
    pub curing_since: Option<At>,
    /// For each of its standards.
    pub verdicts: Vec<VerdictDay>,
    /// In the pile's order.
    pub spots: Vec<SpotDay>,
    pub water: WaterDay,
    pub air: AirDay,
    /// The last week or less.
    pub chart: Vec<Series>,
}

#[derive(Clone, Debug)]
pub struct VerdictDay {
    pub standard: String,
    /// Whether the standard's figures were seen in its text.
    pub verified: bool,
    pub status: Status,
    pub at: Option<At>,
    pub held_up_by: Option<String>,
    /// Cautions as words: `unit-unconfirmed:core-north`.
    pub cautions: Vec<String>,
}

#[derive(Clone, Debug, Default)]
pub struct SpotDay {
    pub name: String,
    /// Minimum, mean and maximum of the counting readings of the last 24 h, °C.
    pub range_c: Option<(f64, f64, f64)>,
    /// Time counted in its open run, or in its longest; of the first standard.
    pub counted: Option<Span>,
    pub qualified: bool,
    pub given_up: bool,
}

#[derive(Clone, Debug, Default)]
pub struct WaterDay {
    /// The newest moisture reading as its probe says it: an index, not a percentage of water.
    pub moisture: Option<f64>,
    pub last_watered: Option<At>,
}

#[derive(Clone, Debug, Default)]
pub struct AirDay {
    /// Part of the last 24 h in which the blower ran, 0 to 1.
    pub on_share: Option<f64>,
    pub last_changed: Option<At>,
}

#[derive(Clone, Debug, Default)]
pub struct ProbeDay {
    pub id: String,
    pub heard: Option<At>,
    /// It stands in a pile and has said nothing for too long.
    pub is_silent: bool,
    pub battery_percent: Option<f64>,
}

/// The machine and its record.
#[derive(Clone, Debug, Default)]
pub struct House {
    pub free_mb: Option<u64>,
    pub clock_trusted: bool,
    pub last_copy: Option<At>,
    /// Number of the newest sealed day and its digest in hex: `HEAD`.
    pub sealed: Option<(u64, String)>,
    /// Number of the newest entry of the log, and the digest of the chain up to it in hex.
    pub record: Option<(u64, String)>,
    /// Time counted that the first standard of most piles asks for: for the words `41 of 72 h`.
    pub required: Option<Span>,
    pub channels: BTreeMap<String, ChannelState>,
    /// What was told in the last seven days, and what came of it.
    pub week: Week,
    /// Messages of probes refused since the last summary (unreadable, impossible time).
    pub refused: u64,
}
