//! What a mix comes to: typical figures, and the range that the spread of its feedstocks gives.

use heapward_rules::recipe::convert::lb_per_yd3_to_kg_per_m3;
use heapward_rules::recipe::density::free_air_space_linear;
use heapward_rules::recipe::mix::{Material, mix};

use super::amount::Amount;
use super::table::{Feedstock, Figure};

/// A feedstock and how much of it.
#[derive(Clone, Debug, PartialEq)]
pub struct Part {
    pub feedstock: Feedstock,
    /// Wet mass.
    pub pounds: f64,
    /// As it was given; none where the planner chose it.
    pub amount: Option<Amount>,
    /// Who brought it, and when.
    pub source: Option<String>,
}

/// A mix that is planned.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Recipe {
    pub parts: Vec<Part>,
    /// Water added from the hose.
    pub water_pounds: f64,
}

/// A typical value with the range in which the true one most likely lies.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Range {
    pub typical: f64,
    pub lo: f64,
    pub hi: f64,
}

#[derive(Clone, Debug, PartialEq)]
pub struct Outcome {
    /// Wet mass with water, pounds.
    pub pounds: f64,
    pub cn: Range,
    /// % of the wet mass.
    pub moisture: Range,
    /// Nitrogen, pounds.
    pub nitrogen: Range,
    /// Of the mixed pile: fines fill voids. `None` where a bulk density is not known; the names are in `unknown`.
    pub pile: Option<PileSize>,
    pub unknown: Vec<String>,
}

#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PileSize {
    pub cubic_yards: Range,
    /// Pounds per cubic yard.
    pub bulk_density: Range,
    /// % of the volume.
    pub free_air: Range,
}

/// Share of the summed volumes that a mix takes: 10 to 20 % less than the sum (common practice).
const MIXED_SHARE: Range = Range { typical: 0.85, lo: 0.80, hi: 0.90 };

/// One figure of one feedstock that may be another.
#[derive(Clone, Copy)]
enum Knob {
    Nitrogen,
    Cn,
    Moisture,
    Density,
}

const KNOBS: [Knob; 4] = [Knob::Nitrogen, Knob::Cn, Knob::Moisture, Knob::Density];

// === impl Part ===

impl Part {
    pub fn new(feedstock: Feedstock, pounds: f64) -> Part {
        Part { feedstock, pounds, amount: None, source: None }
    }
}

// === impl Recipe ===

impl Recipe {
    /// What comes of it; `None` without anything that has mass and nitrogen.
    pub fn outcome(&self) -> Option<Outcome> {
        let typical: Vec<Feedstock> = self.parts.iter().map(|part| part.feedstock.clone()).collect();
        let base = self.with(&typical)?;
        let unknown: Vec<String> = self
            .parts
            .iter()
            .filter(|part| part.feedstock.bulk_density.is_none())
            .map(|part| part.feedstock.id.clone())
            .collect();
        let mut spread = Spread::new(base);
        for index in 0..typical.len() {
            for knob in KNOBS {
                for end in [End::Low, End::High] {
                    let mut turned = typical.clone();
                    let Some(feedstock) = turned.get_mut(index) else { continue };
                    if knob.turn(feedstock, end) {
                        spread.add(self.with(&turned)?);
                    }
                }
            }
        }
        let [cn, moisture, nitrogen, volume, density] = spread.ranges();
        let pile = unknown.is_empty().then(|| {
            let cubic_yards = widen(volume);
            let density_of = |cubic: f64| cubic * volume.typical / cubic_yards.typical;
            let bulk_density = Range {
                typical: density_of(density.typical),
                lo: density.lo / MIXED_SHARE.hi,
                hi: density.hi / MIXED_SHARE.lo,
            };
            let air =
                |density: f64| free_air_space_linear(lb_per_yd3_to_kg_per_m3(density)).clamp(0.0, 100.0);
            let free_air = Range {
                typical: air(bulk_density.typical),
                lo: air(bulk_density.hi),
                hi: air(bulk_density.lo),
            };
            PileSize { cubic_yards, bulk_density, free_air }
        });
        Some(Outcome { pounds: base.pounds, cn, moisture, nitrogen, pile, unknown })
    }

    /// Figures of the mix with these feedstocks in place of its own, in the same order and amounts.
    fn with(&self, feedstocks: &[Feedstock]) -> Option<Sums> {
        let mut parts: Vec<(f64, Material)> = self
            .parts
            .iter()
            .zip(feedstocks)
            .map(|(part, feedstock)| (part.pounds, feedstock.material()))
            .collect();
        parts.push((self.water_pounds, Material::WATER));
        let mixed = mix(&parts)?;
        let volume: f64 = self
            .parts
            .iter()
            .zip(feedstocks)
            .filter_map(|(part, feedstock)| Some(part.pounds / feedstock.bulk_density?.typical))
            .sum();
        // Water takes the place of air.
        let density = if volume > 0.0 { mixed.mass / volume } else { 0.0 };
        Some(Sums {
            pounds: mixed.mass,
            values: [mixed.cn?, mixed.moisture, mixed.nitrogen, volume, density],
        })
    }
}

fn widen(volume: Range) -> Range {
    Range {
        typical: volume.typical * MIXED_SHARE.typical,
        lo: volume.lo * MIXED_SHARE.lo,
        hi: volume.hi * MIXED_SHARE.hi,
    }
}

/// C:N, moisture, nitrogen, summed volume and density on it.
#[derive(Clone, Copy)]
struct Sums {
    pounds: f64,
    values: [f64; 5],
}

/// Squares of how far each figure alone can push a value down and up. The figures err independently of each other, so
/// the squares add up; that every one of them is at its end at once is not what happens.
struct Spread {
    base: Sums,
    down: [f64; 5],
    up: [f64; 5],
}

#[derive(Clone, Copy)]
enum End {
    Low,
    High,
}

// === impl Spread ===

impl Spread {
    fn new(base: Sums) -> Spread {
        Spread { base, down: [0.0; 5], up: [0.0; 5] }
    }

    fn add(&mut self, turned: Sums) {
        let pairs = turned.values.iter().zip(self.base.values);
        for ((by, down), up) in pairs.map(|(value, base)| value - base).zip(&mut self.down).zip(&mut self.up)
        {
            let side = if by < 0.0 { down } else { up };
            *side += by * by;
        }
    }

    fn ranges(&self) -> [Range; 5] {
        let mut ranges = [Range { typical: 0.0, lo: 0.0, hi: 0.0 }; 5];
        let sides = self.base.values.iter().zip(self.down).zip(self.up);
        for (range, ((typical, down), up)) in ranges.iter_mut().zip(sides) {
            *range = Range { typical: *typical, lo: typical - down.sqrt(), hi: typical + up.sqrt() };
        }
        ranges
    }
}

// === impl Knob ===

impl Knob {
    /// Sets the figure to one end of its range; false where there is none.
    fn turn(self, feedstock: &mut Feedstock, end: End) -> bool {
        let figure = match self {
            Knob::Nitrogen => Some(&mut feedstock.nitrogen),
            Knob::Cn => Some(&mut feedstock.cn),
            Knob::Moisture => Some(&mut feedstock.moisture),
            Knob::Density => feedstock.bulk_density.as_mut(),
        };
        let Some(figure) = figure else { return false };
        let Figure { lo, hi, .. } = *figure;
        figure.typical = match end {
            End::Low => lo,
            End::High => hi,
        };
        true
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::mix::table;

    fn recipe(parts: &[(&str, f64)], water: f64) -> Recipe {
        let table = table::built_in().unwrap();
        let parts = parts.iter().map(|(id, pounds)| Part::new(table[*id].clone(), *pounds));
        Recipe { parts: parts.collect(), water_pounds: water }
    }

    #[test]
    fn a_mix_has_its_typical_figures_and_a_range_around_them() {
        let outcome = recipe(&[("leaves", 500.0), ("hen-manure", 150.0)], 200.0).outcome().unwrap();
        assert!((outcome.cn.typical - 26.571).abs() < 1e-3, "{outcome:?}");
        assert!((outcome.moisture.typical - 58.059).abs() < 1e-3);
        // Leaves are met from 40:1 to 80:1: the mix may well be above 30:1.
        assert!(outcome.cn.lo < 22.0 && outcome.cn.hi > 31.0, "{:?}", outcome.cn);
        let pile = outcome.pile.unwrap();
        // 2.5 and 0.101 cubic yards, less what fines fill.
        assert!((pile.cubic_yards.typical - 2.601_42 * 0.85).abs() < 1e-4, "{pile:?}");
        assert!(pile.free_air.lo < pile.free_air.typical && pile.free_air.typical < pile.free_air.hi);
        assert!((pile.bulk_density.typical - 850.0 / pile.cubic_yards.typical).abs() < 1e-6);
    }

    #[test]
    fn without_a_bulk_density_there_is_no_size() {
        let outcome = recipe(&[("hay", 100.0), ("hen-manure", 50.0)], 0.0).outcome().unwrap();
        assert_eq!((outcome.pile, outcome.unknown), (None, vec!["hay".to_owned()]));
        assert_eq!(recipe(&[], 10.0).outcome(), None);
    }
}
