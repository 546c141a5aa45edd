//! A pile as it is stored and shown.

use serde::{Deserialize, Serialize};

use super::recipe::RecipeRecord;

/// Stored form of [`heapward_rules::pile::Pile`] with what only people need.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PileRecord {
    pub id: String,
    #[serde(default)]
    pub bay: Option<String>,
    /// `aerated-static`, `in-vessel` or `windrow`.
    pub method: String,
    /// `plant`, `animal` or `manure`.
    pub material: String,
    pub built_ms: i64,
    #[serde(default)]
    pub initial_cn: Option<f64>,
    /// What went in; none where nobody wrote it down.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub recipe: Option<Box<RecipeRecord>>,
    pub standards: Vec<String>,
    pub spots: Vec<SpotRecord>,
    pub placements: Vec<PlacementRecord>,
    #[serde(default)]
    pub settings: SettingsRecord,
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SpotRecord {
    pub name: String,
    /// `core`, `middle`, `outer`, `base`, `cover` or `ambient`.
    pub zone: String,
    #[serde(default)]
    pub depth_in: Option<f64>,
    #[serde(default)]
    pub watched_only: bool,
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PlacementRecord {
    pub probe: String,
    pub spot: String,
    pub from_ms: i64,
    #[serde(default)]
    pub until_ms: Option<i64>,
    pub every_ms: i64,
    #[serde(default)]
    pub offset_c: f64,
}

/// What differs from the default settings of the judge.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct SettingsRecord {
    pub max_gap_ms: Option<i64>,
    pub hand_gap_ms: Option<i64>,
    pub turn_allowance_ms: Option<i64>,
    pub guard_c: Option<f64>,
    /// `each` or `together`.
    pub agreement: Option<String>,
    pub settle_ms: Option<i64>,
    pub fault_values_c: Option<Vec<f64>>,
}
