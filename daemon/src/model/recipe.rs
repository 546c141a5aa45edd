//! What a pile was built of, as it is stored and shown: with the figures of the day, so that a later table changes nothing.

use serde::{Deserialize, Serialize};

/// Feedstocks with what they came to, computed when the pile was entered.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RecipeRecord {
    pub parts: Vec<RecipePart>,
    /// Water added from the hose while it was built.
    pub water_lb: f64,
    /// Carbon to nitrogen ratio by mass.
    pub cn: FigureRecord,
    /// % of the wet mass.
    pub moisture: FigureRecord,
    /// Of the mixed pile; none where a bulk density is not known.
    pub cubic_yards: Option<FigureRecord>,
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RecipePart {
    /// Id of the table of feedstocks.
    pub feedstock: String,
    pub name: String,
    /// `plant`, `manure`, `animal`, `mixed` or `paper`.
    pub class: String,
    /// As it was entered: `2 yd3`.
    pub amount: String,
    pub wet_lb: f64,
    /// Who brought it, and when.
    #[serde(default)]
    pub source: Option<String>,
    /// % of the dry mass.
    pub nitrogen: FigureRecord,
    pub cn: FigureRecord,
    /// % of the wet mass.
    pub moisture: FigureRecord,
    /// Pounds per cubic yard as it lies.
    pub bulk_density: Option<FigureRecord>,
}

/// A figure with the range in which the true one most likely lies.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FigureRecord {
    pub typical: f64,
    pub lo: f64,
    pub hi: f64,
    /// `table`, `handbook`, `practice`, `computed` or `lab`.
    pub from: String,
}

// === impl RecipeRecord ===

impl RecipeRecord {
    /// Which of the judge's materials it is: `manure`, `animal` or `plant`. What may hold animal material counts as such.
    pub fn material(&self) -> &'static str {
        let has = |class: &str| self.parts.iter().any(|part| part.class == class);
        match () {
            () if has("manure") => "manure",
            () if has("animal") || has("mixed") => "animal",
            () => "plant",
        }
    }
}
