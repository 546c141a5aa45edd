//! How much of each, within what is at hand, to reach the goals: a small linear programme.
//!
//! Unknowns are the wet masses and the water. With R the wanted C:N, N and C in % of the dry mass and M in % of the wet
//! mass, C:N is the equation sum q (100 - M) (C - R N) = 0; a moisture between G and H are the two inequalities
//! sum q (M - G) >= 0 and sum q (M - H) <= 0, with water at M = 100. The size is sum q / density, less what fines fill.

use microlp::{ComparisonOp, OptimizationDirection, Problem, Variable};

use super::recipe::{Part, Recipe};
use super::table::Feedstock;
use heapward_rules::recipe::mix::Material;

/// A feedstock that may be used.
#[derive(Clone, Debug, PartialEq)]
pub struct Offer {
    pub feedstock: Feedstock,
    /// What is at hand; none where there is as much as one likes.
    pub pounds_max: Option<f64>,
    /// Cost of a pound.
    pub price: Option<f64>,
    /// Who brings it, and when.
    pub source: Option<String>,
}

#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Goals {
    pub cn: f64,
    /// % of the wet mass, from and to.
    pub moisture: (f64, f64),
    pub size: Size,
}

/// How much is to be made.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Size {
    /// Cubic yards of the mixed pile.
    CubicYards(f64),
    /// Wet mass, water included.
    Pounds(f64),
}

/// A goal that stands in the way.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Blocked {
    /// With what is there, C:N comes at best to this.
    Cn { nearest: f64 },
    /// Moisture, likewise.
    Moisture { nearest: f64 },
    /// There is not enough of it all: at most so many parts of the wanted size.
    AtHand { share: f64 },
    /// Every goal alone can be met, but not all of them.
    Together,
}

#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum SolveError {
    #[error("nothing to mix: name at least one feedstock")]
    Nothing,
    #[error(
        "{0} has no bulk density in the table: give the size in pounds, or weigh a bucket of it and put bulk_density into a file of your own"
    )]
    NoDensity(String),
    #[error("the mix can't be computed: {0}")]
    Solver(String),
}

/// Share of the summed volumes that a mix takes.
const MIXED_SHARE: f64 = 0.85;
/// Masses are counted in this many pounds, so that the numbers of the programme lie near each other.
const UNIT_LB: f64 = 100.0;
/// Amounts below this share of the mix are the solver's dust.
const DUST: f64 = 1e-6;

/// Which goals a try has to keep, and what it makes least.
#[derive(Clone, Copy)]
struct Try {
    cn: Keep,
    moisture: Keep,
    at_hand: bool,
    size: Keep,
}

#[derive(Clone, Copy, PartialEq)]
enum Keep {
    Exactly,
    /// As near as it goes; the distance is what is made least.
    Nearly,
    No,
}

/// The cheapest recipe, or the one with the least to carry where no price is known; or what stands in the way.
pub fn solve(offers: &[Offer], goals: Goals) -> Result<Result<Recipe, Vec<Blocked>>, SolveError> {
    if offers.is_empty() {
        return Err(SolveError::Nothing);
    }
    if let (Size::CubicYards(_), Some(offer)) =
        (goals.size, offers.iter().find(|offer| offer.feedstock.bulk_density.is_none()))
    {
        return Err(SolveError::NoDensity(offer.feedstock.id.clone()));
    }
    let all = Try { cn: Keep::Exactly, moisture: Keep::Exactly, at_hand: true, size: Keep::Exactly };
    if let Some(recipe) = attempt(offers, goals, all)? {
        return Ok(Ok(recipe));
    }
    Ok(Err(blocked(offers, goals, all)?))
}

/// Gives up one goal at a time: each that alone stands in the way, with how near it comes.
fn blocked(offers: &[Offer], goals: Goals, all: Try) -> Result<Vec<Blocked>, SolveError> {
    let mut found = Vec::new();
    let nearest = |recipe: Recipe| recipe.outcome();
    if let Some(outcome) = attempt(offers, goals, Try { cn: Keep::Nearly, ..all })?.and_then(nearest) {
        found.push(Blocked::Cn { nearest: outcome.cn.typical });
    }
    if let Some(outcome) = attempt(offers, goals, Try { moisture: Keep::Nearly, ..all })?.and_then(nearest) {
        found.push(Blocked::Moisture { nearest: outcome.moisture.typical });
    }
    if attempt(offers, goals, Try { at_hand: false, ..all })?.is_some() {
        let most = attempt(offers, goals, Try { size: Keep::Nearly, ..all })?;
        found.push(Blocked::AtHand { share: most.map_or(0.0, |recipe| size_of(&recipe, goals.size)) });
    }
    if found.is_empty() {
        found.push(Blocked::Together);
    }
    Ok(found)
}

/// How many parts of the wanted size a recipe makes.
fn size_of(recipe: &Recipe, size: Size) -> f64 {
    match size {
        Size::Pounds(wanted) => {
            (recipe.parts.iter().map(|part| part.pounds).sum::<f64>() + recipe.water_pounds) / wanted
        }
        Size::CubicYards(wanted) => {
            let of = |part: &Part| Some(part.pounds / part.feedstock.bulk_density?.typical * MIXED_SHARE);
            recipe.parts.iter().filter_map(of).sum::<f64>() / wanted
        }
    }
}

fn attempt(offers: &[Offer], goals: Goals, keep: Try) -> Result<Option<Recipe>, SolveError> {
    let is_distance = [keep.cn, keep.moisture, keep.size].contains(&Keep::Nearly);
    let has_price = offers.iter().any(|offer| offer.price.is_some());
    let mut problem = Problem::new(OptimizationDirection::Minimize);
    let vars: Vec<Variable> = offers
        .iter()
        .map(|offer| {
            let cost = if has_price { offer.price.unwrap_or(0.0) * UNIT_LB } else { 1.0 };
            let most = offer.pounds_max.filter(|_| keep.at_hand).map_or(f64::INFINITY, |max| max / UNIT_LB);
            problem.add_var(if is_distance { 0.0 } else { cost }, (0.0, most))
        })
        .collect();
    let water = problem.add_var(0.0, (0.0, f64::INFINITY));
    let materials: Vec<Material> = offers.iter().map(|offer| offer.feedstock.material()).collect();

    let lean = |m: &Material| (100.0 - m.moisture) / 100.0 * (m.carbon - goals.cn * m.nitrogen);
    let terms = vars.iter().copied().zip(materials.iter().map(lean)).collect();
    constrain(&mut problem, keep.cn, terms, ComparisonOp::Eq, 0.0);

    let (from, to) = goals.moisture;
    for (goal, side) in [(from, ComparisonOp::Ge), (to, ComparisonOp::Le)] {
        let wet = materials.iter().map(|m| m.moisture - goal);
        let terms = vars.iter().copied().zip(wet).chain([(water, 100.0 - goal)]).collect();
        constrain(&mut problem, keep.moisture, terms, side, 0.0);
    }

    let (terms, wanted): (Vec<(Variable, f64)>, f64) = match goals.size {
        Size::Pounds(pounds) => {
            (vars.iter().copied().chain([water]).map(|var| (var, 1.0)).collect(), pounds / UNIT_LB)
        }
        Size::CubicYards(yards) => {
            let volume = |offer: &Offer| {
                offer.feedstock.bulk_density.map_or(0.0, |density| UNIT_LB / density.typical * MIXED_SHARE)
            };
            (vars.iter().copied().zip(offers.iter().map(volume)).collect(), yards)
        }
    };
    constrain(&mut problem, keep.size, terms, ComparisonOp::Eq, wanted);

    let solved = match problem.solve() {
        Ok(outcome) => {
            outcome.into_solution().map_err(|_| SolveError::Solver("it was interrupted".to_owned()))?
        }
        Err(microlp::Error::Infeasible) => return Ok(None),
        Err(error) => return Err(SolveError::Solver(error.to_string())),
    };
    let amounts: Vec<f64> = vars.iter().map(|var| solved.var_value(*var) * UNIT_LB).collect();
    let total: f64 = amounts.iter().sum();
    let parts = offers.iter().zip(&amounts).filter(|(_, pounds)| **pounds > total * DUST);
    Ok(Some(Recipe {
        parts: parts
            .map(|(offer, pounds)| Part {
                source: offer.source.clone(),
                ..Part::new(offer.feedstock.clone(), *pounds)
            })
            .collect(),
        water_pounds: (solved.var_value(water) * UNIT_LB).max(0.0),
    }))
}

/// Adds a constraint, or one that may be missed at the price of the distance.
fn constrain(
    problem: &mut Problem,
    keep: Keep,
    mut terms: Vec<(Variable, f64)>,
    side: ComparisonOp,
    right: f64,
) {
    if keep == Keep::No {
        return;
    }
    if keep == Keep::Nearly {
        let (under, over) =
            (problem.add_var(1.0, (0.0, f64::INFINITY)), problem.add_var(1.0, (0.0, f64::INFINITY)));
        terms.extend([(under, 1.0), (over, -1.0)]);
    }
    problem.add_constraint(&terms, side, right);
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::mix::table::{self, Figure, Origin};

    fn offer(id: &str, max: Option<f64>) -> Offer {
        let table = table::built_in().unwrap();
        Offer { feedstock: table[id].clone(), pounds_max: max, price: None, source: None }
    }

    const GOALS: Goals = Goals { cn: 30.0, moisture: (55.0, 60.0), size: Size::Pounds(4_000.0) };

    #[test]
    fn goals_are_met_with_the_least_to_carry() {
        let offers = [offer("horse-manure-straw", None), offer("leaves", None), offer("hen-manure", None)];
        let recipe = solve(&offers, GOALS).unwrap().unwrap();
        let outcome = recipe.outcome().unwrap();
        assert!((outcome.cn.typical - 30.0).abs() < 1e-6, "{outcome:?}");
        assert!((55.0 - 1e-6..=60.0 + 1e-6).contains(&outcome.moisture.typical));
        assert!((outcome.pounds - 4_000.0).abs() < 1e-6);
        // Water is not carried: as much of it as the moisture allows.
        assert!((outcome.moisture.typical - 60.0).abs() < 1e-6);
        assert!(recipe.water_pounds > 0.0);
    }

    #[test]
    fn the_same_answer_as_two_equations_with_two_unknowns() {
        // Hen manure 100 with leaves and water at 58 % and 30:1 needs leaves 444.44 and water 185.45.
        let goals =
            Goals { cn: 30.0, moisture: (58.0, 58.0), size: Size::Pounds(100.0 + 444.4444 + 185.4497) };
        let recipe = solve(&[offer("hen-manure", None), offer("leaves", None)], goals).unwrap().unwrap();
        let pounds: Vec<f64> = recipe.parts.iter().map(|part| part.pounds).collect();
        assert!((pounds[0] - 100.0).abs() < 0.01 && (pounds[1] - 444.444).abs() < 0.01, "{pounds:?}");
        assert!((recipe.water_pounds - 185.45).abs() < 0.01);
    }

    #[test]
    fn a_price_chooses_the_cheaper_one() {
        let priced = |id: &str, price: f64| Offer { price: Some(price), ..offer(id, None) };
        let offers = [priced("hen-manure", 0.0), priced("leaves", 0.0), priced("straw", 0.1)];
        let recipe = solve(&offers, GOALS).unwrap().unwrap();
        assert!(recipe.parts.iter().all(|part| part.feedstock.id != "straw"));
    }

    #[test]
    fn what_stands_in_the_way_is_named() {
        // Culls are far too wet, and nothing dry is there.
        let wet =
            solve(&[offer("culls", None), offer("hen-manure", None), offer("leaf-mould", Some(1.0))], GOALS);
        let blocked = wet.unwrap().unwrap_err();
        assert!(blocked.iter().any(|b| matches!(b, Blocked::AtHand { .. })), "{blocked:?}");
        // Only rich stuff: C:N can't rise to 30.
        let rich =
            solve(&[offer("hen-manure", None), offer("broiler-litter", None)], GOALS).unwrap().unwrap_err();
        let Some(Blocked::Cn { nearest }) = rich.iter().find(|b| matches!(b, Blocked::Cn { .. })) else {
            panic!("{rich:?}")
        };
        assert!((nearest - 14.0).abs() < 1e-3, "{nearest}");
        // Enough of neither.
        let few = [offer("hen-manure", Some(100.0)), offer("leaves", Some(9_000.0))];
        let short = solve(&few, GOALS).unwrap().unwrap_err();
        let Some(Blocked::AtHand { share }) = short.iter().find(|b| matches!(b, Blocked::AtHand { .. }))
        else {
            panic!("{short:?}")
        };
        assert!((0.1..0.3).contains(share), "{share}");
    }

    #[test]
    fn a_volume_needs_every_bulk_density() {
        let goals = Goals { size: Size::CubicYards(8.0), ..GOALS };
        let error = solve(&[offer("hay", None), offer("hen-manure", None)], goals).unwrap_err();
        assert_eq!(error, SolveError::NoDensity("hay".to_owned()));
        let mut hay = offer("hay", None);
        hay.feedstock.bulk_density = Some(Figure { typical: 150.0, lo: 120.0, hi: 180.0, from: Origin::Lab });
        let recipe = solve(&[hay, offer("hen-manure", None), offer("leaves", None)], goals).unwrap().unwrap();
        assert!((recipe.outcome().unwrap().pile.unwrap().cubic_yards.typical - 8.0).abs() < 1e-6);
    }
}
