//! The build card: one page to take to the bay, in buckets and layers.

use std::fmt::Write as _;

use heapward_rules::recipe::water::lb_to_gallons;

use super::advice;
use super::amount::{Sizes, buckets};
use super::recipe::{Outcome, Part, Range, Recipe};
use super::solve::Offer;

/// More layers than this nobody counts.
const LAYERS_MAX: f64 = 8.0;

/// The recipe in whole buckets, as it will really be built, and never more of anything than is offered; parts without a
/// bulk density stay as they are.
#[must_use]
pub fn in_whole_buckets(recipe: &Recipe, offers: &[Offer], sizes: Sizes) -> Recipe {
    let most = |part: &Part| {
        let offered = offers.iter().filter(|offer| offer.feedstock.id == part.feedstock.id);
        offered.map(|offer| offer.pounds_max.unwrap_or(f64::INFINITY)).fold(0.0, f64::max)
    };
    let parts = recipe.parts.iter().map(|part| {
        let pounds = per_bucket(part, sizes).map_or(part.pounds, |of_one| {
            let nearest = (part.pounds / of_one).round().max(1.0);
            // What was offered in buckets is a whole number of them but for the last digits.
            let count = if nearest * of_one > most(part) * (1.0 + 1e-9) { nearest - 1.0 } else { nearest };
            if count < 1.0 { part.pounds } else { count * of_one }
        });
        Part { pounds, amount: None, ..part.clone() }
    });
    Recipe { parts: parts.collect(), water_pounds: recipe.water_pounds }
}

/// The whole card.
pub fn card(recipe: &Recipe, outcome: &Outcome, sizes: Sizes) -> String {
    let mut out = String::from("BUILD CARD\n\n");
    let _ = writeln!(out, "{}\n", figures(outcome));
    let layers = layers(recipe, sizes);
    let _ = writeln!(out, "In {layers:.0} layers, each of them:");
    for part in &recipe.parts {
        let _ = writeln!(out, "  {:>12}  {}", share(part, layers, sizes), part.feedstock.name);
    }
    if recipe.water_pounds > 0.0 {
        let gallons = lb_to_gallons(recipe.water_pounds) / layers;
        let _ = writeln!(out, "  {:>12}  water, with the hose while you fork", format!("{gallons:.0} gal"));
    }
    let _ = writeln!(out, "\nIn all:");
    for part in &recipe.parts {
        let _ = writeln!(out, "  {}", total(part, sizes));
    }
    if recipe.water_pounds > 0.0 {
        let _ = writeln!(out, "  water: {:.0} gallons", lb_to_gallons(recipe.water_pounds));
    }
    let _ = write!(
        out,
        "\n[ ] 6 to 12 inches of coarse chips over the pipes\n\
         [ ] each layer forked through with the one below; wetted while you build, dry stuff sheds water later\n\
         [ ] squeeze test: a few drops are right, a stream is too wet, crumbs are too dry\n\
         [ ] all of it within about three days, so that it is one batch\n\
         [ ] 6 to 12 inches of finished compost or chips on top; probes 12 to 18 inches under the cover\n\
         [ ] who brought what, and when: ______________________________\n\n{}\n{}\n\n\
         Wear a fitted mask (N95 or FFP3) where it is dusty, lift half-full buckets, two people.\n",
        advice::class_sentence(recipe),
        advice::provenance(recipe)
    );
    out
}

/// What a mix comes to, name and figure: `C:N` and `30.1 (24.0 to 38.2)`, `moisture` and `57 (52 to 61) %`, ...
pub fn rows(outcome: &Outcome) -> Vec<(&'static str, String)> {
    let range = |range: Range, decimals: usize| {
        format!("{:.decimals$} ({:.decimals$} to {:.decimals$})", range.typical, range.lo, range.hi)
    };
    let mut rows = vec![
        ("C:N", range(outcome.cn, 1)),
        ("moisture", format!("{} %", range(outcome.moisture, 0))),
        ("nitrogen", format!("{} lb", range(outcome.nitrogen, 0))),
        ("weight", format!("{:.0} lb with water", outcome.pounds)),
    ];
    if let Some(pile) = outcome.pile {
        rows.extend([
            ("size", format!("{} cubic yards", range(pile.cubic_yards, 1))),
            ("bulk density", format!("{} lb a cubic yard", range(pile.bulk_density, 0))),
            ("free air", format!("{} % of the volume", range(pile.free_air, 0))),
        ]);
    }
    rows
}

/// The same in lines.
pub fn figures(outcome: &Outcome) -> String {
    let line = |(name, figure): &(&str, String)| format!("{name:<14}{figure}");
    rows(outcome).iter().map(line).collect::<Vec<_>>().join("\n")
}

/// Whole gallons of so many pounds of water.
pub fn gallons(water_pounds: f64) -> String {
    format!("{:.0}", lb_to_gallons(water_pounds))
}

fn per_bucket(part: &Part, sizes: Sizes) -> Option<f64> {
    part.feedstock.bulk_density.map(|density| density.typical / buckets(1.0, sizes))
}

/// So many layers that each holds at least a bucket of everything.
fn layers(recipe: &Recipe, sizes: Sizes) -> f64 {
    let counts = recipe.parts.iter().filter_map(|part| Some(part.pounds / per_bucket(part, sizes)?));
    counts.fold(LAYERS_MAX, f64::min).floor().max(1.0)
}

fn share(part: &Part, layers: f64, sizes: Sizes) -> String {
    match per_bucket(part, sizes) {
        Some(of_one) => format!("{} buckets", trimmed(part.pounds / of_one / layers)),
        None => format!("{:.0} lb", part.pounds / layers),
    }
}

fn total(part: &Part, sizes: Sizes) -> String {
    let source = part.source.as_ref().map(|source| format!(", {source}")).unwrap_or_default();
    let name = format!("{}{source}", part.feedstock.name);
    match (per_bucket(part, sizes), part.feedstock.bulk_density) {
        (Some(of_one), Some(density)) => format!(
            "{name}: {:.0} buckets of {} gallons ({:.1} cubic yards, {:.0} lb)",
            part.pounds / of_one,
            trimmed(sizes.bucket_gallons),
            part.pounds / density.typical,
            part.pounds
        ),
        _ => format!("{name}: {:.0} lb", part.pounds),
    }
}

/// One decimal, unless it is a whole number.
fn trimmed(number: f64) -> String {
    let text = format!("{number:.1}");
    text.strip_suffix(".0").map_or(text.clone(), str::to_owned)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::mix::table;

    #[test]
    fn a_card_counts_buckets_and_layers() {
        let table = table::built_in().unwrap();
        let part = |id: &str, pounds: f64| Part::new(table[id].clone(), pounds);
        let offer = |id: &str, pounds_max| Offer {
            feedstock: table[id].clone(),
            pounds_max,
            price: None,
            source: None,
        };
        let recipe =
            Recipe { parts: vec![part("horse-manure", 2_050.0), part("leaves", 300.0)], water_pounds: 835.0 };
        let rounded = in_whole_buckets(
            &recipe,
            &[offer("horse-manure", None), offer("leaves", None)],
            Sizes::default(),
        );
        // 34.14 and 4.95 pounds a bucket.
        assert!(
            (rounded.parts[0].pounds - 60.0 * 34.137).abs() < 0.1
                && (rounded.parts[1].pounds - 61.0 * 4.951).abs() < 0.1
        );
        let card = card(&rounded, &rounded.outcome().unwrap(), Sizes::default());
        assert!(
            card.contains("In 8 layers, each of them:\n   7.5 buckets  Horse manure, general with bedding\n"),
            "{card}"
        );
        assert!(card.contains("7.6 buckets  Leaves (dry, loose)"), "{card}");
        assert!(card.contains("13 gal  water"), "{card}");
        assert!(
            card.contains(
                "Horse manure, general with bedding: 60 buckets of 5 gallons (1.5 cubic yards, 2048 lb)"
            ),
            "{card}"
        );
        assert!(card.lines().count() <= 45, "one page");
    }

    #[test]
    fn no_bucket_is_counted_that_nobody_has() {
        let table = table::built_in().unwrap();
        let manure = &table["horse-manure"];
        // 34.137 pounds a bucket. Wanted, at hand: buckets on the card.
        for (pounds, pounds_max, wanted) in [
            (2_050.0, None, 60.05),
            (2_045.0, Some(2_045.0), 59.0),
            (2_050.0, Some(2_050.0), 60.0),
            (20.0, Some(20.0), 0.586),
            (20.0, Some(40.0), 1.0),
        ] {
            let recipe = Recipe { parts: vec![Part::new(manure.clone(), pounds)], water_pounds: 0.0 };
            let offer = Offer { feedstock: manure.clone(), pounds_max, price: None, source: None };
            let rounded = in_whole_buckets(&recipe, &[offer], Sizes::default()).parts[0].pounds;
            assert!((rounded / 34.137 - wanted).abs() < 0.06, "{pounds} of {pounds_max:?}: {rounded}");
            assert!(rounded <= pounds_max.unwrap_or(f64::INFINITY), "{pounds} of {pounds_max:?}: {rounded}");
        }
    }
}
