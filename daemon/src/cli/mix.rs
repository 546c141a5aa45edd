//! `heapward mix`: what a mix comes to, or how much of each it takes.

use std::fmt::Write as _;
use std::path::PathBuf;

use heapward_rules::recipe::water::lb_to_gallons;
use serde_json::{Value, json};

use super::{Failure, Outcome, WRONG_USE, print};
use crate::mix::amount::{Sizes, buckets};
use crate::mix::asked::QUESTIONS;
use crate::mix::recipe::{Range, Recipe};
use crate::mix::request::{CN, MOISTURE, Plan, Request};
use crate::mix::table::{self, Figure, Table};
use crate::mix::{advice, card};

const EXAMPLES: &str = "\
Examples:
  heapward mix horse-manure=2yd3 leaves=4yd3 water=60gal
  heapward mix --make 8yd3 horse-manure=3yd3 hen-manure=10buckets leaves
  heapward mix --make 8yd3 horse-manure@0/yd3 grass-clippings@0/yd3 straw@45/yd3 --card
  heapward mix \"horse-manure=2yd3 Ford stable, 3 May\" leaves=4yd3
  heapward mix --list straw

Units: lb, kg, yd3, ft3, m3, buckets, loads, gal, l. What stands behind an amount is where it came from.";

/// Plan a mix: what these amounts come to, or (with --make) how much of each to take
#[derive(Debug, clap::Args)]
#[command(after_help = EXAMPLES)]
pub struct MixArgs {
    /// FEEDSTOCK=AMOUNT; with --make the most there is (or nothing: any amount), and @PRICE/UNIT
    #[arg(value_name = "FEEDSTOCK=AMOUNT")]
    parts: Vec<String>,
    /// Make this much, such as 8yd3 or 4000lb, and say how much of each it takes
    #[arg(long, value_name = "AMOUNT")]
    make: Option<String>,
    /// C:N that is aimed at
    #[arg(long, value_name = "N", default_value_t = CN)]
    cn: f64,
    /// Moisture that is aimed at, % of the wet mass
    #[arg(long, value_name = "FROM-TO", default_value = MOISTURE)]
    moisture: String,
    /// What the bay holds, such as 8yd3
    #[arg(long, value_name = "AMOUNT")]
    bay: Option<String>,
    /// Gallons of a bucket
    #[arg(long, value_name = "GALLONS", default_value_t = 5.0)]
    bucket: f64,
    /// Cubic yards of a load
    #[arg(long, value_name = "YARDS", default_value_t = 1.0)]
    load: f64,
    /// A table of your own with a laboratory's figures; its rows win
    #[arg(long, value_name = "FILE")]
    feedstocks: Option<PathBuf>,
    /// Print the build card
    #[arg(long)]
    card: bool,
    /// List the feedstocks, or those whose names hold a word
    #[arg(long, value_name = "WORD", num_args = 0..=1, default_missing_value = "")]
    list: Option<String>,
    /// For programs
    #[arg(long, conflicts_with = "card")]
    json: bool,
}

/// Plans a mix and prints it.
pub fn run(args: &MixArgs) -> Outcome {
    let table = table::load(args.feedstocks.as_deref()).map_err(|problems| {
        let lines: Vec<String> = problems.iter().map(ToString::to_string).collect();
        Failure::new(WRONG_USE, lines.join("\n"))
    })?;
    print(&answer(args, &table).map_err(|text| Failure::new(WRONG_USE, text))?)
}

fn answer(args: &MixArgs, table: &Table) -> Result<String, String> {
    if let Some(word) = &args.list {
        return Ok(if args.json { list_json(table, word) } else { list(table, word) });
    }
    let request = Request {
        lines: args.parts.clone(),
        make: args.make.clone(),
        cn: args.cn,
        moisture: args.moisture.clone(),
        bay: args.bay.clone(),
        sizes: Sizes { bucket_gallons: args.bucket, load_yd3: args.load },
    };
    let plan = request.plan(table)?;
    Ok(match (args.card, args.json) {
        (true, _) => card::card(&plan.recipe, &plan.outcome, plan.sizes),
        (_, true) => in_json(&plan),
        _ => in_words(&plan),
    })
}

fn in_words(plan: &Plan) -> String {
    let mut out = amounts(&plan.recipe, plan.sizes);
    let _ = writeln!(out, "\n{}\n", card::figures(&plan.outcome));
    for line in &plan.warnings {
        let _ = writeln!(out, "! {line}");
    }
    let _ = writeln!(
        out,
        "{}\n{}\n\nTo ask, once:",
        advice::class_sentence(&plan.recipe),
        advice::provenance(&plan.recipe)
    );
    for question in advice::questions(&plan.recipe) {
        let _ = writeln!(out, "- {question}");
    }
    let no = QUESTIONS.map(|question| format!("{}=no", question.key)).join(" ");
    let _ = writeln!(
        out,
        "The answers (no, yes or unknown) are kept with:\n  heapward pile enter PILE asked {no}"
    );
    let lines: Vec<String> = plan.lines().iter().map(|line| format!("--mix {}", quoted(line))).collect();
    let _ = writeln!(
        out,
        "\nOnce it is built, this keeps it with the pile:\n  heapward pile new PILE {} --spot ...",
        lines.join(" ")
    );
    out
}

fn in_json(plan: &Plan) -> String {
    let range = |range: Range| json!({ "typical": range.typical, "lo": range.lo, "hi": range.hi });
    let outcome = &plan.outcome;
    let answer = json!({
        "recipe": plan.record(),
        "wet_lb": outcome.pounds,
        "nitrogen_lb": range(outcome.nitrogen),
        "bulk_density_lb_per_yd3": outcome.pile.map(|pile| range(pile.bulk_density)),
        "free_air_percent": outcome.pile.map(|pile| range(pile.free_air)),
        "water_gallons": lb_to_gallons(plan.recipe.water_pounds),
        "warnings": plan.warnings,
        "lines": plan.lines(),
    });
    format!("{answer:#}\n")
}

fn list_json(table: &Table, word: &str) -> String {
    let word = word.to_lowercase();
    let found = table.values().filter(|feedstock| feedstock.is_named(&word));
    let rows: Value = found
        .map(|feedstock| {
            json!({
                "feedstock": feedstock.id,
                "name": feedstock.name,
                "class": feedstock.class.word(),
                "nitrogen": feedstock.nitrogen.record(),
                "cn": feedstock.cn.record(),
                "moisture": feedstock.moisture.record(),
                "bulk_density": feedstock.bulk_density.map(Figure::record),
                "note": feedstock.note,
            })
        })
        .collect();
    format!("{rows:#}\n")
}

/// For a shell.
fn quoted(text: &str) -> String {
    let plain = text.chars().all(|c| c.is_ascii_alphanumeric() || matches!(c, '-' | '=' | '.' | '_'));
    if plain { text.to_owned() } else { format!("'{}'", text.replace('\'', "'\\''")) }
}

fn amounts(recipe: &Recipe, sizes: Sizes) -> String {
    let mut out = String::new();
    for part in &recipe.parts {
        let yards = part.feedstock.bulk_density.map(|density| {
            let yards = part.pounds / density.typical;
            format!(", {yards:.2} yd3, {:.0} buckets", buckets(yards, sizes))
        });
        let _ =
            writeln!(out, "{:<28} {:>6.0} lb{}", part.feedstock.id, part.pounds, yards.unwrap_or_default());
    }
    if recipe.water_pounds > 0.0 {
        let gallons = lb_to_gallons(recipe.water_pounds);
        let _ = writeln!(out, "{:<28} {:>6.0} lb, {gallons:.0} gal", "water", recipe.water_pounds);
    }
    out
}

fn list(table: &Table, word: &str) -> String {
    let mut out = format!(
        "{:<22} {:<7} {:>7} {:>14} {:>12} {:>8}\n",
        "", "class", "N %", "C:N", "moisture %", "lb/yd3"
    );
    let word = word.to_lowercase();
    for feedstock in table.values().filter(|feedstock| feedstock.is_named(&word)) {
        let range = |figure: Figure| format!("{:.0} ({:.0}-{:.0})", figure.typical, figure.lo, figure.hi);
        let density =
            feedstock.bulk_density.map_or("-".to_owned(), |density| format!("{:.0}", density.typical));
        let _ = writeln!(
            out,
            "{:<22} {:<7} {:>7} {:>14} {:>12} {density:>8}",
            feedstock.id,
            feedstock.class.word(),
            feedstock.nitrogen.typical,
            range(feedstock.cn),
            range(feedstock.moisture)
        );
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    fn said(args: &[&str]) -> Result<String, String> {
        use clap::Parser;
        #[derive(Parser)]
        struct Line {
            #[command(flatten)]
            mix: MixArgs,
        }
        let line =
            Line::try_parse_from(std::iter::once(&"mix").chain(args)).map_err(|error| error.to_string())?;
        answer(&line.mix, &table::built_in().unwrap())
    }

    #[test]
    fn a_mix_is_computed_advised_and_can_be_kept() {
        let text = said(&["horse-manure=2yd3 Ford's stable", "leaves=4yd3", "water=60gal"]).unwrap();
        assert!(text.contains("horse-manure                   2758 lb, 2.00 yd3, 81 buckets"), "{text}");
        assert!(text.contains("C:N           36.4 ("), "{text}");
        assert!(text.contains("Holds manure") && text.contains("- Hay, straw, grass"), "{text}");
        let kept = "pile new PILE --mix 'horse-manure=2758lb Ford'\\''s stable' --mix leaves=800lb --mix water=501lb";
        assert!(text.contains(kept), "{text}");
    }

    #[test]
    fn a_recipe_is_found_in_whole_buckets() {
        let text = said(&["--make", "8yd3", "horse-manure", "leaves", "hen-manure", "--card"]).unwrap();
        assert!(text.starts_with("BUILD CARD") && text.contains("layers, each of them:"), "{text}");
    }

    #[test]
    fn feedstocks_are_listed_by_a_word() {
        let text = said(&["--list", "straw"]).unwrap();
        assert!(text.lines().count() > 3 && text.contains("straw-wheat"), "{text}");
        assert!(said(&[]).unwrap_err().contains("name at least one feedstock"));
    }
}
