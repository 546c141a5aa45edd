//! The figures of what is watched, for the whole farm and for single piles.

use std::collections::BTreeMap;

use heapward_rules::watch::{Params, SilenceParams};

#[derive(Clone, Debug, Default, PartialEq)]
pub struct WatchConfig {
    pub farm: Params,
    pub silence: SilenceParams,
    /// Piles that have figures of their own.
    pub piles: BTreeMap<String, Params>,
}

// === impl WatchConfig ===

impl WatchConfig {
    pub fn of(&self, pile: &str) -> &Params {
        self.piles.get(pile).unwrap_or(&self.farm)
    }
}
