//! A mix as people write it, on the command line or in the form: one line for each feedstock,
//! `horse-manure=2yd3 from the stable at the ford`.

use super::advice;
use super::amount::{Amount, Sizes, Unit};
use super::card;
use super::recipe::{Outcome, Part, Recipe};
use super::solve::{Blocked, Goals, Offer, Size, solve};
use super::table::{Feedstock, Table};
use crate::limits::{MIX_LINE_BYTES_MAX, MIX_LINES_MAX};
use crate::model::recipe::{FigureRecord, RecipePart, RecipeRecord};

/// What the planner is asked.
#[derive(Clone, Debug, PartialEq)]
pub struct Request {
    /// `FEEDSTOCK=AMOUNT`, then where it came from. With `make`, the amount is the most there is and may be left out,
    /// and `@PRICE/UNIT` may follow it.
    pub lines: Vec<String>,
    /// How much is to be made, such as `8yd3`: then the planner says how much of each.
    pub make: Option<String>,
    pub cn: f64,
    /// `55-60`, % of the wet mass.
    pub moisture: String,
    /// What the bay holds, such as `8yd3`.
    pub bay: Option<String>,
    pub sizes: Sizes,
}

/// A mix with what it comes to.
#[derive(Clone, Debug, PartialEq)]
pub struct Plan {
    pub recipe: Recipe,
    pub outcome: Outcome,
    /// The gravest first.
    pub warnings: Vec<String>,
    pub sizes: Sizes,
}

/// A line, taken apart.
struct Line<'a> {
    id: &'a str,
    amount: Option<Amount>,
    /// `12/yd3`.
    price: Option<&'a str>,
    source: Option<&'a str>,
}

/// C:N that is aimed at unless somebody says otherwise.
pub const CN: f64 = 30.0;
pub const MOISTURE: &str = "55-60";
/// Feedstocks that a mistyped name may have meant.
const HINTS_MAX: usize = 6;

// === impl Request ===

impl Default for Request {
    fn default() -> Request {
        Request {
            lines: Vec::new(),
            make: None,
            cn: CN,
            moisture: MOISTURE.to_owned(),
            bay: None,
            sizes: Sizes::default(),
        }
    }
}

impl Request {
    /// What comes of it; the error says which line is wrong and what to write, or which goal stands in the way.
    pub fn plan(&self, table: &Table) -> Result<Plan, String> {
        let sizes = self.sizes;
        if !(0.1..=1_000.0).contains(&sizes.bucket_gallons) || !(0.01..=100.0).contains(&sizes.load_yd3) {
            return Err(
                "write 0.1 to 1000 gallons of a bucket and 0.01 to 100 cubic yards of a load".to_owned()
            );
        }
        let lines: Vec<&str> = self.lines.iter().map(|line| line.trim()).filter(|l| !l.is_empty()).collect();
        if lines.is_empty() {
            return Err("name at least one feedstock, such as horse-manure=2yd3".to_owned());
        }
        if lines.len() > MIX_LINES_MAX || lines.iter().any(|line| line.len() > MIX_LINE_BYTES_MAX) {
            return Err(format!("write at most {MIX_LINES_MAX} lines of {MIX_LINE_BYTES_MAX} bytes"));
        }
        let recipe = match &self.make {
            None => planned(&lines, table, sizes)?,
            Some(make) => self.solved(make, &lines, table)?,
        };
        let outcome = recipe.outcome().ok_or("nothing in it holds nitrogen; add manure or green stuff")?;
        let mut warnings = advice::warnings(&recipe, &outcome);
        if let Some(bay) = &self.bay {
            let yards = Amount::parse(bay)?
                .cubic_yards(sizes)
                .ok_or_else(|| format!("bay {bay}: write what it holds, such as 8yd3"))?;
            warnings.extend(advice::about_bay(&outcome, yards));
        }
        Ok(Plan { recipe, outcome, warnings, sizes })
    }

    fn solved(&self, make: &str, lines: &[&str], table: &Table) -> Result<Recipe, String> {
        if !(10.0..=100.0).contains(&self.cn) {
            return Err(format!("C:N {}: write a number from 10 to 100, such as 30", self.cn));
        }
        let goals = Goals { cn: self.cn, moisture: moisture(&self.moisture)?, size: size(make, self.sizes)? };
        let offers =
            lines.iter().map(|line| offer(line, table, self.sizes)).collect::<Result<Vec<_>, _>>()?;
        match solve(&offers, goals).map_err(|error| error.to_string())? {
            Ok(recipe) => Ok(card::in_whole_buckets(&recipe, &offers, self.sizes)),
            Err(blocked) => Err(in_the_way(&blocked, goals)),
        }
    }
}

// === impl Plan ===

impl Plan {
    /// The same mix as lines in pounds, whatever a bucket or a load holds.
    pub fn lines(&self) -> Vec<String> {
        let mut lines: Vec<String> = self
            .recipe
            .parts
            .iter()
            .map(|part| {
                let source = part.source.as_ref().map(|source| format!(" {source}")).unwrap_or_default();
                format!("{}={:.0}lb{source}", part.feedstock.id, part.pounds)
            })
            .collect();
        if self.recipe.water_pounds >= 1.0 {
            lines.push(format!("water={:.0}lb", self.recipe.water_pounds));
        }
        lines
    }

    /// For keeping with a pile.
    pub fn record(&self) -> RecipeRecord {
        let computed = |range: super::recipe::Range| FigureRecord {
            typical: range.typical,
            lo: range.lo,
            hi: range.hi,
            from: "computed".to_owned(),
        };
        RecipeRecord {
            parts: self.recipe.parts.iter().map(part_record).collect(),
            water_lb: self.recipe.water_pounds,
            cn: computed(self.outcome.cn),
            moisture: computed(self.outcome.moisture),
            cubic_yards: self.outcome.pile.map(|pile| computed(pile.cubic_yards)),
        }
    }
}

fn part_record(part: &Part) -> RecipePart {
    let feedstock = &part.feedstock;
    RecipePart {
        feedstock: feedstock.id.clone(),
        name: feedstock.name.clone(),
        class: feedstock.class.word().to_owned(),
        amount: part.amount.map_or_else(|| format!("{:.0} lb", part.pounds), |amount| amount.to_string()),
        wet_lb: part.pounds,
        source: part.source.clone(),
        nitrogen: feedstock.nitrogen.record(),
        cn: feedstock.cn.record(),
        moisture: feedstock.moisture.record(),
        bulk_density: feedstock.bulk_density.map(super::table::Figure::record),
    }
}

// === impl Line ===

impl<'a> Line<'a> {
    fn parse(text: &'a str) -> Result<Line<'a>, String> {
        let end = text.find(|c: char| c == '=' || c == '@' || c.is_whitespace()).unwrap_or(text.len());
        let (id, rest) = text.split_at(end);
        let (amount, rest) = match rest.strip_prefix('=') {
            Some(rest) => {
                let (amount, rest) = split_amount(rest);
                (Some(Amount::parse(amount)?), rest)
            }
            None => (None, rest),
        };
        let (price, rest) = match rest.strip_prefix('@') {
            Some(rest) => {
                let (price, rest) = rest.split_at(rest.find(char::is_whitespace).unwrap_or(rest.len()));
                (Some(price), rest)
            }
            None => (None, rest),
        };
        let source = Some(rest.trim()).filter(|source| !source.is_empty());
        Ok(Line { id, amount, price, source })
    }
}

/// The number with its unit, with or without a space between, and what follows.
fn split_amount(text: &str) -> (&str, &str) {
    let text = text.trim_start();
    let digits = text.find(|c: char| !(c.is_ascii_digit() || c == '.')).unwrap_or(text.len());
    let unit = text[digits..].trim_start();
    let word = unit.find(|c: char| !c.is_ascii_alphanumeric()).unwrap_or(unit.len());
    // Without a number or a unit, the error shows the whole word.
    let end = if digits == 0 || word == 0 {
        text.find(char::is_whitespace).unwrap_or(text.len())
    } else {
        text.len() - unit.len() + word
    };
    text.split_at(end)
}

/// Amounts that are given.
fn planned(lines: &[&str], table: &Table, sizes: Sizes) -> Result<Recipe, String> {
    let mut recipe = Recipe::default();
    for text in lines {
        let line = Line::parse(text)?;
        let id = line.id;
        let amount = line.amount.ok_or_else(|| format!("`{text}`: write {id}=AMOUNT, such as {id}=2yd3"))?;
        if line.price.is_some() {
            return Err(format!("`{text}`: a price is only asked for when the planner chooses the amounts"));
        }
        if id == "water" {
            recipe.water_pounds += amount.pounds_of_water(sizes);
            continue;
        }
        let feedstock = find(table, id)?;
        let pounds = amount.pounds_of(feedstock, sizes)?;
        let source = line.source.map(str::to_owned);
        recipe.parts.push(Part { feedstock: feedstock.clone(), pounds, amount: Some(amount), source });
    }
    Ok(recipe)
}

/// `leaves`, `leaves=6yd3`, `leaves=6yd3@12` or `leaves@12/yd3`.
fn offer(text: &str, table: &Table, sizes: Sizes) -> Result<Offer, String> {
    let line = Line::parse(text)?;
    if line.id == "water" {
        return Err("water is added as needed; leave it out".to_owned());
    }
    let feedstock = find(table, line.id)?.clone();
    let pounds_max = line.amount.map(|amount| amount.pounds_of(&feedstock, sizes)).transpose()?;
    let price = line.price.map(|price| price_of_pound(price, line.amount, &feedstock, sizes)).transpose()?;
    Ok(Offer { feedstock, pounds_max, price, source: line.source.map(str::to_owned) })
}

fn price_of_pound(
    text: &str,
    amount: Option<Amount>,
    feedstock: &Feedstock,
    sizes: Sizes,
) -> Result<f64, String> {
    let wrong = || format!("`@{text}`: write a price and its unit, such as @12/yd3");
    let (price, unit) = text.split_once('/').map_or((text, None), |(price, unit)| (price, Some(unit)));
    let price: f64 = price.parse().ok().filter(|price: &f64| (0.0..1e6).contains(price)).ok_or_else(wrong)?;
    let one = match (unit, amount) {
        (Some(unit), _) => Amount::parse(&format!("1{unit}")).map_err(|_| wrong())?,
        (None, Some(amount)) => Amount { number: 1.0, ..amount },
        (None, None) => return Err(wrong()),
    };
    Ok(price / one.pounds_of(feedstock, sizes)?)
}

fn find<'t>(table: &'t Table, id: &str) -> Result<&'t Feedstock, String> {
    table.get(id).ok_or_else(|| {
        let word = id.split('-').next().unwrap_or(id).to_lowercase();
        let near: Vec<&str> = table
            .values()
            .filter(|feedstock| !word.is_empty() && feedstock.is_named(&word))
            .map(|feedstock| feedstock.id.as_str())
            .take(HINTS_MAX)
            .collect();
        let hint = if near.is_empty() {
            "look at the list of feedstocks".to_owned()
        } else {
            format!("is it {}?", near.join(", "))
        };
        format!("there is no feedstock `{id}`; {hint}")
    })
}

fn moisture(text: &str) -> Result<(f64, f64), String> {
    let (from, to) = text.split_once('-').unwrap_or((text, text));
    let number = |text: &str| text.trim().parse().ok().filter(|n: &f64| (20.0..=80.0).contains(n));
    match (number(from), number(to)) {
        (Some(from), Some(to)) if from <= to => Ok((from, to)),
        _ => Err(format!("moisture {text}: write two numbers from 20 to 80, such as 55-60")),
    }
}

fn size(text: &str, sizes: Sizes) -> Result<Size, String> {
    let amount = Amount::parse(text)?;
    match (amount.pounds(), amount.cubic_yards(sizes)) {
        (Some(pounds), _) => Ok(Size::Pounds(pounds)),
        (None, Some(yards)) if !matches!(amount.unit, Unit::Gallon | Unit::Litre) => {
            Ok(Size::CubicYards(yards))
        }
        _ => Err(format!("make {text}: write how big the pile shall be, such as 8yd3 or 4000lb")),
    }
}

/// Which goal blocks, in words.
fn in_the_way(blocked: &[Blocked], goals: Goals) -> String {
    let (from, to) = goals.moisture;
    let lines = blocked.iter().map(|goal| match goal {
        Blocked::Cn { nearest } => {
            let add = if *nearest < goals.cn { "leaves, straw or chips" } else { "manure or green stuff" };
            format!("C:N stands in the way: it comes to {nearest:.1}:1 at best. Add {add}, or aim at that C:N.")
        }
        Blocked::Moisture { nearest } => {
            let add = if *nearest > to { "something dry" } else { "something wet" };
            format!(
                "Moisture stands in the way: it comes to {nearest:.0} % at best. Add {add}, or aim at that moisture."
            )
        }
        Blocked::AtHand { share } => format!(
            "What is at hand stands in the way: it is enough for {:.0} % of this size. Get more of it, or make less.",
            share * 100.0
        ),
        Blocked::Together => {
            "No single goal alone is to blame: give up one of them, or add another feedstock.".to_owned()
        }
    });
    let lines: Vec<String> = lines.collect();
    format!(
        "With these feedstocks C:N {:.0}:1 and {from:.0} to {to:.0} % moisture can't both be reached in this size.\n- {}",
        goals.cn,
        lines.join("\n- ")
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::mix::table;

    fn plan(lines: &[&str], make: Option<&str>) -> Result<Plan, String> {
        let lines = lines.iter().map(|line| (*line).to_owned()).collect();
        let make = make.map(str::to_owned);
        Request { lines, make, ..Request::default() }.plan(&table::built_in().unwrap())
    }

    #[test]
    fn lines_are_taken_apart() {
        for (text, id, amount, price, source) in [
            ("leaves", "leaves", None, None, None),
            ("leaves=6yd3", "leaves", Some("6 yd3"), None, None),
            ("leaves=6 yd3@12", "leaves", Some("6 yd3"), Some("12"), None),
            ("leaves@12/yd3 the village", "leaves", None, Some("12/yd3"), Some("the village")),
            ("straw=40 buckets, Bram, 3 May", "straw", Some("40 bucket"), None, Some(", Bram, 3 May")),
            ("leaves from the lane", "leaves", None, None, Some("from the lane")),
        ] {
            let line = Line::parse(text).unwrap();
            assert_eq!((line.id, line.price), (id, price), "{text}");
            assert_eq!(line.amount.map(|amount| amount.to_string()).as_deref(), amount, "{text}");
            assert_eq!(line.source, source, "{text}");
        }
    }

    #[test]
    fn a_plan_can_be_written_again_and_is_the_same_mix() {
        let first = plan(&["horse-manure=2yd3 Ford stable", "leaves=4 yd3", "water=60gal"], None).unwrap();
        let lines = first.lines();
        assert_eq!(lines, ["horse-manure=2758lb Ford stable", "leaves=800lb", "water=501lb"]);
        let again = plan(&lines.iter().map(String::as_str).collect::<Vec<_>>(), None).unwrap();
        assert!((again.outcome.cn.typical - first.outcome.cn.typical).abs() < 1e-3);
        let record = first.record();
        assert_eq!(record.parts[0].source.as_deref(), Some("Ford stable"));
        assert_eq!((record.parts[0].amount.as_str(), record.parts[0].class.as_str()), ("2 yd3", "manure"));
        assert_eq!(record.parts[0].cn.from, "table");
        assert!(record.cn.lo < record.cn.typical && record.cn.typical < record.cn.hi);
    }

    #[test]
    fn mistakes_say_what_to_write() {
        for (lines, make, wanted) in [
            (&["manure=2yd3"][..], None, "is it cattle-manure, dairy-manure"),
            (&["leaves"], None, "write leaves=AMOUNT"),
            (&["leaves=2heaps"], None, "`2heaps` is no amount"),
            (&["leaves=lots of it"], None, "`lots` is no amount"),
            (&["leaves=2yd3@4"], None, "a price is only asked for"),
            (&["hay=2yd3"], None, "has no bulk density"),
            (&["water=20gal"], None, "nothing in it holds nitrogen"),
            (&["leaves@12"], Some("8yd3"), "write a price and its unit"),
            (&["leaves"], Some("80gal"), "write how big the pile shall be"),
            (&["leaves", "water=3gal"], Some("8yd3"), "water is added as needed"),
            (
                &["hen-manure", "broiler-litter"],
                Some("8yd3"),
                "C:N stands in the way: it comes to 14.0:1 at best",
            ),
            (&[" "], None, "name at least one feedstock"),
        ] {
            let error = plan(lines, make).unwrap_err();
            assert!(error.contains(wanted), "{lines:?}: {error}");
        }
        let wet = Request { moisture: "wet".to_owned(), make: Some("8yd3".to_owned()), ..Request::default() };
        let wet = Request { lines: vec!["leaves".to_owned()], ..wet };
        assert!(wet.plan(&table::built_in().unwrap()).unwrap_err().contains("write two numbers"));
    }

    #[test]
    fn a_bay_that_is_too_small_is_said() {
        let lines = vec!["horse-manure=2yd3".to_owned(), "leaves=4yd3".to_owned()];
        let asked =
            |bay: &str| Request { bay: Some(bay.to_owned()), lines: lines.clone(), ..Request::default() };
        let table = table::built_in().unwrap();
        let small = asked("4yd3").plan(&table).unwrap();
        assert!(small.warnings.iter().any(|line| line.contains("the bay holds 4.0")), "{:?}", small.warnings);
        let big = asked("8yd3").plan(&table).unwrap();
        assert!(!big.warnings.iter().any(|line| line.contains("the bay")), "{:?}", big.warnings);
    }
}
