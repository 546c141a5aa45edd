//! What to say about a planned mix: where it leaves the usual ranges, and the questions that are asked once.

use heapward_rules::recipe::water::{lb_to_gallons, water_to_add};

use super::recipe::{Outcome, Range, Recipe};
use super::table::{Class, Origin};

/// 7 CFR 205.203(c)(2)(i): both ends included.
const CN: (f64, f64) = (25.0, 40.0);
/// So near to an end the figures of a table decide nothing.
const NEAR: f64 = 0.1;
/// % of the wet mass: aimed at 55 to 60, workable up to 65 (handbooks).
const MOISTURE_LOW: f64 = 55.0;
const MOISTURE_HIGH: f64 = 65.0;
const MOISTURE_GOAL: f64 = 57.0;
/// Pounds per cubic yard; denser than this it lets little air through (handbooks: 800 to 1,000).
const DENSE: f64 = 1_000.0;
/// Whole buckets may make a little more than was asked for.
const ROUNDING: f64 = 1.02;
/// % of the volume.
const FREE_AIR_LOW: f64 = 35.0;

/// Warnings, the gravest first.
pub fn warnings(recipe: &Recipe, outcome: &Outcome) -> Vec<String> {
    let mut said = Vec::new();
    said.extend(about_cn(recipe, outcome));
    said.extend(about_moisture(recipe, outcome));
    if let Some(pile) = outcome.pile {
        if pile.bulk_density.typical > DENSE {
            said.push(format!(
                "It will lie dense, about {:.0} pounds a cubic yard: add coarse chips or straw, or air will not pass.",
                pile.bulk_density.typical
            ));
        } else if pile.free_air.typical < FREE_AIR_LOW {
            said.push(format!(
                "About {:.0} % of it is free for air, less than 35 %: add something coarse.",
                pile.free_air.typical
            ));
        }
    } else {
        said.push(format!(
            "No size and density: the bulk density of {} is not known. Weigh a bucket of it.",
            outcome.unknown.join(", ")
        ));
    }
    said.extend(about_averages(recipe, outcome));
    said
}

/// What comes of averaging C:N ratios by weight, as handed-down recipes do, where it leads astray.
fn about_averages(recipe: &Recipe, outcome: &Outcome) -> Option<String> {
    let pounds: f64 = recipe.parts.iter().map(|part| part.pounds).sum();
    let average =
        recipe.parts.iter().map(|part| part.pounds * part.feedstock.cn.typical).sum::<f64>() / pounds;
    ((average - outcome.cn.typical).abs() > NEAR * outcome.cn.typical).then(|| {
        format!(
            "Averaging the ratios by weight would say {average:.0}:1; that is wrong, since lean and wet stuff brings little \
             nitrogen. Here carbon and nitrogen are added up."
        )
    })
}

/// Whether it fits a bay.
pub fn about_bay(outcome: &Outcome, bay_yd3: f64) -> Option<String> {
    let pile = outcome.pile?;
    let Range { typical, lo, hi } = pile.cubic_yards;
    (hi > bay_yd3).then(|| {
        let what = if typical > bay_yd3 * ROUNDING {
            "It makes more than the bay holds"
        } else {
            "It may not fit the bay"
        };
        format!("{what}: {typical:.1} cubic yards ({lo:.1} to {hi:.1}), the bay holds {bay_yd3:.1}.")
    })
}

fn about_cn(recipe: &Recipe, outcome: &Outcome) -> Option<String> {
    let cn = outcome.cn;
    let (lo, hi) = CN;
    let is_measured = recipe.parts.iter().all(|part| part.feedstock.is_measured());
    let advice =
        if is_measured { "" } else { " A laboratory's nitrogen and carbon of your own material settle it." };
    Some(if cn.typical < lo {
        format!(
            "C:N {:.1}:1 is below 25:1: too rich. It will smell and run hot, and the organic rule asks for 25:1 to 40:1. Add leaves, straw or chips.",
            cn.typical
        )
    } else if cn.typical > hi {
        format!(
            "C:N {:.1}:1 is above 40:1: too lean. It will be slow to heat, and the organic rule asks for 25:1 to 40:1. Add manure or green stuff.",
            cn.typical
        )
    } else if cn.typical < lo * (1.0 + NEAR) || cn.typical > hi * (1.0 - NEAR) {
        let end = if cn.typical < lo * (1.0 + NEAR) { lo } else { hi };
        format!("C:N {:.1}:1 is within 10 % of {end:.0}:1, where the organic rule ends.{advice}", cn.typical)
    } else if cn.lo < lo || cn.hi > hi {
        format!(
            "By the spread of the figures C:N may be anything from {:.0}:1 to {:.0}:1; the organic rule asks for 25:1 to 40:1.{advice}",
            cn.lo, cn.hi
        )
    } else {
        return None;
    })
}

fn about_moisture(recipe: &Recipe, outcome: &Outcome) -> Option<String> {
    let typical = outcome.moisture.typical;
    if typical < MOISTURE_LOW {
        let water = water_to_add(outcome.pounds, typical, MOISTURE_GOAL)?;
        Some(format!(
            "{typical:.0} % moisture is too dry: add about {:.0} gallons of water while you build, for {MOISTURE_GOAL:.0} %. Dry stuff sheds water later.",
            lb_to_gallons(water)
        ))
    } else if typical > MOISTURE_HIGH {
        let water = if recipe.water_pounds > 0.0 { "leave the water out, " } else { "" };
        Some(format!(
            "{typical:.0} % moisture is too wet, above 65 %: {water}add something dry and coarse, and give more air."
        ))
    } else {
        None
    }
}

/// What the mix is by the rules of use, in one sentence.
pub fn class_sentence(recipe: &Recipe) -> &'static str {
    let has = |class: Class| recipe.parts.iter().any(|part| part.feedstock.class == class);
    if has(Class::Manure) {
        "Holds manure: without the three days of heat it is raw manure, with 120 or 90 days between use and harvest."
    } else if has(Class::Animal) || has(Class::Mixed) {
        "May hold animal material that is no manure: ask your certifier how it is to be treated."
    } else {
        "Plant material only: the organic rule asks for no heat (7 CFR 205.203(c)(3)); weeds and diseases do."
    }
}

/// The usual questions about what comes from outside, each once.
pub fn questions(recipe: &Recipe) -> Vec<&'static str> {
    let named = |words: &[&str]| {
        recipe.parts.iter().any(|part| words.iter().any(|word| part.feedstock.id.contains(word)))
    };
    let has = |class: Class| recipe.parts.iter().any(|part| part.feedstock.class == class);
    let mut asked = Vec::new();
    if has(Class::Manure) || named(&["hay", "straw", "grass"]) {
        asked.push(
            "Hay, straw, grass and what ate them: was a herbicide with aminopyralid, clopyralid or picloram used? They survive \
             composting. A pot test with beans takes 3 to 4 weeks: start it before you build.",
        );
    }
    if has(Class::Paper) {
        asked.push("Paper and cardboard: no glossy or coloured print, no wax, no tape.");
    }
    if named(&["chips", "sawdust", "shavings", "bark", "trimmings"]) {
        asked.push("Wood: none that was treated, painted or glued.");
    }
    if has(Class::Mixed) {
        asked.push("Food scraps: from whom, and is there meat or dairy in them?");
    }
    asked.push(
        "From anywhere: no sewage sludge or anything made of it. Write down who brought what, and when.",
    );
    asked
}

/// Where the figures come from.
pub fn provenance(recipe: &Recipe) -> String {
    let of = |origin: Origin| {
        let ids: Vec<&str> = recipe
            .parts
            .iter()
            .filter(|part| {
                let feedstock = &part.feedstock;
                [feedstock.nitrogen, feedstock.cn, feedstock.moisture]
                    .iter()
                    .any(|figure| figure.from == origin)
            })
            .map(|part| part.feedstock.id.as_str())
            .collect();
        ids.join(", ")
    };
    let sources = [
        (Origin::Lab, "a laboratory's"),
        (Origin::Table, "typical values of a handbook (NRAES-54) as a public table gives them"),
        (Origin::Handbook, "typical values of a handbook (NRAES-54), from memory"),
        (Origin::Practice, "common practice"),
    ];
    let said = sources.map(|(origin, words)| (of(origin), words));
    let said: Vec<String> = said
        .iter()
        .filter(|(ids, _)| !ids.is_empty())
        .map(|(ids, words)| format!("{ids}: {words}"))
        .collect();
    format!("Figures: {}.", said.join("; "))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::mix::recipe::Part;
    use crate::mix::table;

    fn said(parts: &[(&str, f64)]) -> (Vec<String>, Recipe) {
        let table = table::built_in().unwrap();
        let parts = parts.iter().map(|(id, pounds)| Part::new(table[*id].clone(), *pounds));
        let recipe = Recipe { parts: parts.collect(), water_pounds: 0.0 };
        (warnings(&recipe, &recipe.outcome().unwrap()), recipe)
    }

    #[test]
    fn each_end_of_a_range_has_its_warning() {
        let cases: [(&[(&str, f64)], &str); 6] = [
            (&[("hen-manure", 100.0)], "C:N 6.0:1 is below 25:1"),
            (&[("sawdust", 100.0)], "C:N 442.0:1 is above 40:1"),
            (&[("horse-manure-straw", 100.0)], "is within 10 % of 25:1"),
            (&[("horse-manure", 100.0)], "By the spread of the figures C:N may be anything from"),
            (&[("straw", 60.0), ("broiler-litter", 60.0)], "gallons of water while you build"),
            (&[("horse-manure", 100.0)], "It will lie dense, about 1622 pounds a cubic yard"),
        ];
        for (parts, wanted) in cases {
            let (said, _) = said(parts);
            assert!(said.iter().any(|line| line.contains(wanted)), "{parts:?}: {said:?}");
        }
    }

    #[test]
    fn questions_are_asked_once_and_only_where_they_fit() {
        let (_, recipe) = said(&[("horse-manure", 10.0), ("straw", 10.0), ("chips-hardwood", 5.0)]);
        let asked = questions(&recipe);
        assert_eq!(asked.len(), 3);
        assert!(
            asked[0].contains("aminopyralid") && asked[1].starts_with("Wood") && asked[2].contains("sewage")
        );
        assert!(class_sentence(&recipe).starts_with("Holds manure"));
        let (_, recipe) = said(&[("leaves", 10.0), ("cardboard", 1.0)]);
        assert_eq!(questions(&recipe).len(), 2);
        assert!(class_sentence(&recipe).starts_with("Plant material only"));
        assert!(provenance(&recipe).contains("leaves, cardboard: typical values"));
    }
}
