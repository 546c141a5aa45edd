//! Seasons side by side: how many piles, how many qualified, how long it took, where it went.

use std::collections::BTreeMap;

use chrono_tz::Tz;
use heapward_rules::units::{At, Span};
use heapward_rules::verdict::{Judgement, Status};

use super::day_of;
use super::uses::Use;
use crate::model::pile::PileRecord;

/// One pile of a season.
#[derive(Clone, Copy, Debug)]
pub struct Piled<'a> {
    pub record: &'a PileRecord,
    pub judgement: &'a Judgement,
    pub uses: &'a [Use],
}

/// Piles that were built in one year.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Season {
    pub year: i32,
    pub piles: usize,
    pub qualified: usize,
    /// Of those that did not qualify: worked in as raw manure.
    pub used_raw: usize,
    /// Median days from building to qualifying.
    pub days_to_qualify: Option<f64>,
    /// Cubic yards of built piles, where a recipe says it.
    pub built_yd3: Option<f64>,
    /// Cubic yards that went onto beds, as written down.
    pub used_yd3: f64,
}

/// The newest first.
pub fn seasons<'a>(piles: impl IntoIterator<Item = Piled<'a>>, zone: Tz) -> Vec<Season> {
    let mut by_year: BTreeMap<i32, Vec<Piled<'a>>> = BTreeMap::new();
    for pile in piles {
        let year =
            day_of(At(pile.record.built_ms), zone).map_or(0, heapward_rules::recipe::dates::Date::year);
        by_year.entry(year).or_default().push(pile);
    }
    by_year.into_iter().rev().map(|(year, piles)| season(year, &piles)).collect()
}

fn season(year: i32, piles: &[Piled<'_>]) -> Season {
    let mut days: Vec<f64> = piles.iter().filter_map(Piled::days_to_qualify).collect();
    days.sort_by(f64::total_cmp);
    let built =
        piles.iter().filter_map(|pile| Some(pile.record.recipe.as_ref()?.cubic_yards.as_ref()?.typical));
    let built: Vec<f64> = built.collect();
    Season {
        year,
        piles: piles.len(),
        qualified: days.len(),
        used_raw: piles.iter().filter(|pile| pile.uses.iter().any(|one| one.not_before.is_some())).count(),
        days_to_qualify: median(&days),
        built_yd3: (!built.is_empty()).then(|| built.iter().sum()),
        // An empty sum of floats is minus nothing.
        used_yd3: piles
            .iter()
            .flat_map(|pile| pile.uses)
            .filter_map(|one| one.cubic_yards)
            .fold(0.0, |a, b| a + b),
    }
}

fn median(sorted: &[f64]) -> Option<f64> {
    let (low, high) = (sorted.get(sorted.len().checked_sub(1)? / 2)?, sorted.get(sorted.len() / 2)?);
    Some(f64::midpoint(*low, *high))
}

// === impl Piled ===

impl Piled<'_> {
    fn days_to_qualify(&self) -> Option<f64> {
        let met = self.judgement.verdicts.iter().filter(|verdict| verdict.status == Status::Qualified);
        let first = met.filter_map(|verdict| verdict.at).min()?;
        Some((first - At(self.record.built_ms)).as_hours() / Span::days(1).as_hours())
    }
}
