//! Something wrong (or good news) that has a beginning, a worst point and an end, as it is stored and shown.

use serde::{Deserialize, Serialize};

/// Where an incident is in its life.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Stage {
    /// Open in the data, not yet told to anybody (quiet hours, a note for the summary, a mute).
    Noted,
    Told,
    Reminded,
    /// A person has seen it: silent until it gets worse.
    Seen,
    Over,
}

/// One telling of an incident: what went out when, for which stage.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Telling {
    pub at_ms: i64,
    /// `opened`, `worsened-{level}`, `reminder-{n}`, `second-person`, `unstable`, `week-before`, `all-clear`; and,
    /// without messages, `noted` (found late) and `seen` (by a person).
    pub step: String,
    /// The level at which it was told.
    #[serde(default)]
    pub level: String,
    /// Ids of the outbox messages.
    pub messages: Vec<String>,
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Incident {
    /// `{pile}/{kind}/{spot or probe or -}/{opened_ms}`: the same after any replay.
    pub id: String,
    pub pile: Option<String>,
    /// The kind of finding in kebab-case.
    pub kind: String,
    /// `note`, `act`, `urgent` or `danger`: the worst so far.
    pub level: String,
    pub spot: Option<String>,
    /// The spot of the newest temperature in the figures, where any may be it: the hottest of an overheating.
    #[serde(default)]
    pub read_spot: Option<String>,
    pub probe: Option<String>,
    pub opened_ms: i64,
    pub closed_ms: Option<i64>,
    pub stage: Stage,
    /// By name with their unit: what decided (`temperature_c`, ...), the worst so far (`worst_c`), and while it is open
    /// the newest (`now_c` at `now_ms`, `counted_ms`).
    pub figures: std::collections::BTreeMap<String, f64>,
    pub tellings: Vec<Telling>,
    #[serde(default)]
    pub muted_until_ms: Option<i64>,
}
