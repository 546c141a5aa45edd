//! Feedstocks as data: the table that comes with the program, and a file of the user's own with a laboratory's figures.

use std::collections::BTreeMap;
use std::ops::Range;
use std::path::Path;

use heapward_rules::ids::is_plain_name;
use heapward_rules::recipe::mix::Material;
use serde::Deserialize;
use toml::Spanned;

use crate::limits::{FEEDSTOCK_FILE_BYTES_MAX, FEEDSTOCKS_MAX};
use crate::model::recipe::FigureRecord;
use crate::standards::Problem;

/// What a feedstock is, as the rules of use ask.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Class {
    Plant,
    Manure,
    /// Of animals, but no manure.
    Animal,
    /// May hold animal material.
    Mixed,
    Paper,
}

/// A figure with the range in which it is met.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Figure {
    pub typical: f64,
    pub lo: f64,
    pub hi: f64,
    pub from: Origin,
}

/// Where a figure comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Origin {
    /// A public table with the typical values of the On-Farm Composting Handbook (NRAES-54, 1992).
    Table,
    /// Of the same kind, from memory.
    Handbook,
    /// What growers commonly use.
    Practice,
    Computed,
    /// A laboratory's, for this very material.
    Lab,
}

#[derive(Clone, Debug, PartialEq)]
pub struct Feedstock {
    pub id: String,
    pub name: String,
    pub class: Class,
    /// % of the dry mass.
    pub nitrogen: Figure,
    pub cn: Figure,
    /// % of the wet mass.
    pub moisture: Figure,
    /// Pounds per cubic yard as it lies.
    pub bulk_density: Option<Figure>,
    pub note: Option<String>,
    /// Of the user's own file.
    pub is_own: bool,
}

pub type Table = BTreeMap<String, Feedstock>;

const BUILT_IN: &str = include_str!("../../../config/feedstocks.toml");
/// A figure without a range is taken to be off by a fifth to either side, as handbooks warn; a laboratory's by a
/// twentieth.
const SPREAD: f64 = 0.2;
const LAB_SPREAD: f64 = 0.05;
/// Water can't be more of a material that is forked.
const MOISTURE_MAX: f64 = 98.0;

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawTable {
    feedstock: Vec<Spanned<RawFeedstock>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawFeedstock {
    id: String,
    name: String,
    class: String,
    nitrogen: f64,
    /// One of the two may be left out.
    cn: Option<f64>,
    carbon: Option<f64>,
    moisture: f64,
    bulk_density: Option<f64>,
    nitrogen_range: Option<[f64; 2]>,
    cn_range: Option<[f64; 2]>,
    moisture_range: Option<[f64; 2]>,
    bulk_density_range: Option<[f64; 2]>,
    #[serde(default)]
    from: RawFrom,
    note: Option<String>,
}

#[derive(Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
struct RawFrom {
    nitrogen: Option<String>,
    cn: Option<String>,
    carbon: Option<String>,
    moisture: Option<String>,
    bulk_density: Option<String>,
}

const CLASSES: [(&str, Class); 5] = [
    ("plant", Class::Plant),
    ("manure", Class::Manure),
    ("animal", Class::Animal),
    ("mixed", Class::Mixed),
    ("paper", Class::Paper),
];

const ORIGINS: [(&str, Origin); 5] = [
    ("table", Origin::Table),
    ("handbook", Origin::Handbook),
    ("practice", Origin::Practice),
    ("computed", Origin::Computed),
    ("lab", Origin::Lab),
];

/// The table that comes with the program.
pub fn built_in() -> Result<Table, Vec<Problem>> {
    read("feedstocks.toml", BUILT_IN, false)
}

/// The table that comes with the program and the user's own, which wins where both have an id.
pub fn load(own: Option<&Path>) -> Result<Table, Vec<Problem>> {
    let mut table = built_in()?;
    if let Some(path) = own {
        let file = path.display().to_string();
        let problem = |what: String| vec![Problem { file: file.clone(), line: 1, what }];
        let size =
            std::fs::metadata(path).map_err(|error| problem(format!("cannot be read ({error})")))?.len();
        if size > FEEDSTOCK_FILE_BYTES_MAX {
            return Err(problem(format!(
                "is longer than {FEEDSTOCK_FILE_BYTES_MAX} bytes; this is no table"
            )));
        }
        let text =
            std::fs::read_to_string(path).map_err(|error| problem(format!("cannot be read ({error})")))?;
        table.extend(read(&file, &text, true)?);
    }
    Ok(table)
}

/// Reads a table; all that is wrong with it at once.
pub fn read(file: &str, text: &str, is_own: bool) -> Result<Table, Vec<Problem>> {
    let problem = |span: &Range<usize>, what: String| {
        let before = text.get(..span.start).unwrap_or(text);
        Problem { file: file.to_owned(), line: before.bytes().filter(|b| *b == b'\n').count() + 1, what }
    };
    let raw: RawTable = toml::from_str(text)
        .map_err(|error| vec![problem(&error.span().unwrap_or(0..0), error.message().to_owned())])?;
    let mut problems = Vec::new();
    let mut table = Table::new();
    if raw.feedstock.len() > FEEDSTOCKS_MAX {
        problems
            .push(problem(&(0..0), format!("more than {FEEDSTOCKS_MAX} feedstocks; nobody mixes so many")));
    }
    for row in raw.feedstock {
        let span = row.span();
        match row.into_inner().feedstock(is_own) {
            Err(what) => problems.extend(what.into_iter().map(|what| problem(&span, what))),
            Ok(feedstock) if table.contains_key(&feedstock.id) => {
                let what = format!("id = \"{}\" stands here a second time; choose another", feedstock.id);
                problems.push(problem(&span, what));
            }
            Ok(feedstock) => {
                table.insert(feedstock.id.clone(), feedstock);
            }
        }
    }
    if problems.is_empty() { Ok(table) } else { Err(problems) }
}

// === impl RawFeedstock ===

impl RawFeedstock {
    fn feedstock(self, is_own: bool) -> Result<Feedstock, Vec<String>> {
        let mut wrong = Vec::new();
        if !is_plain_name(&self.id) {
            wrong.push(format!("id = \"{}\": write small letters, digits and hyphens only", self.id));
        }
        let class = CLASSES.iter().find(|(word, _)| *word == self.class).map(|(_, class)| *class);
        if class.is_none() {
            let choices = "plant, manure, animal, mixed or paper";
            wrong.push(format!("class = \"{}\" is not known; write {choices}", self.class));
        }
        let default = if is_own { Origin::Lab } else { Origin::Practice };
        let mut figure =
            |key: &str, typical: f64, range: Option<[f64; 2]>, from: Option<&str>, within: Range<f64>| {
                figure(key, typical, range, origin(from, default), &within)
                    .map_err(|what| wrong.push(what))
                    .ok()
            };
        let cn = match (self.cn, self.carbon) {
            (Some(cn), _) => cn,
            (None, Some(carbon)) => carbon / self.nitrogen,
            (None, None) => f64::NAN,
        };
        let nitrogen = figure(
            "nitrogen",
            self.nitrogen,
            self.nitrogen_range,
            self.from.nitrogen.as_deref(),
            0.005..20.0,
        );
        let cn = figure("cn", cn, self.cn_range, self.from.cn.as_deref(), 1.0..2_000.0);
        let moisture = figure(
            "moisture",
            self.moisture,
            self.moisture_range,
            self.from.moisture.as_deref(),
            0.0..MOISTURE_MAX,
        );
        let bulk_density = self.bulk_density.map(|density| {
            figure(
                "bulk_density",
                density,
                self.bulk_density_range,
                self.from.bulk_density.as_deref(),
                10.0..3_000.0,
            )
        });
        if let (Some(nitrogen), Some(cn)) = (nitrogen, cn) {
            wrong.extend(impossible_carbon(nitrogen.typical, cn.typical, self.carbon));
        }
        match (class, nitrogen, cn, moisture, bulk_density) {
            (Some(class), Some(nitrogen), Some(cn), Some(moisture), bulk_density)
                if wrong.is_empty() && bulk_density != Some(None) =>
            {
                let Self { id, name, note, .. } = self;
                let bulk_density = bulk_density.flatten();
                Ok(Feedstock { id, name, class, nitrogen, cn, moisture, bulk_density, note, is_own })
            }
            _ => Err(wrong),
        }
    }
}

fn origin(word: Option<&str>, default: Origin) -> Result<Origin, String> {
    let Some(word) = word else { return Ok(default) };
    ORIGINS.iter().find(|(known, _)| *known == word).map(|(_, origin)| *origin).ok_or_else(|| {
        format!("from: `{word}` is not known; write table, handbook, practice, computed or lab")
    })
}

fn figure(
    key: &str,
    typical: f64,
    range: Option<[f64; 2]>,
    from: Result<Origin, String>,
    within: &Range<f64>,
) -> Result<Figure, String> {
    let from = from?;
    if !within.contains(&typical) {
        return Err(format!(
            "{key} = {typical}: write a number from {} to {}, and give `cn` or `carbon`",
            within.start, within.end
        ));
    }
    let spread = if from == Origin::Lab { LAB_SPREAD } else { SPREAD };
    let [lo, hi] = range.unwrap_or([typical * (1.0 - spread), typical * (1.0 + spread)]);
    if !(lo <= typical && typical <= hi) {
        return Err(format!(
            "{key}_range = [{lo}, {hi}] does not hold {key} = {typical}; write the lower one first"
        ));
    }
    Ok(Figure { typical, lo: lo.max(within.start), hi: hi.min(within.end), from })
}

/// Nitrogen and C:N that come from different samples give more carbon than there is matter.
fn impossible_carbon(nitrogen: f64, cn: f64, carbon: Option<f64>) -> Option<String> {
    let computed = nitrogen * cn;
    if let Some(carbon) = carbon
        && (carbon - computed).abs() > 0.02 * carbon
    {
        return Some(format!(
            "carbon = {carbon}, but nitrogen x cn = {computed:.1} %; leave one of the three out or put it right"
        ));
    }
    // Finished compost is poorer than anything fresh.
    let is_possible = Material::from_cn(0.0, nitrogen, cn).is_plausible() || (15.0..20.0).contains(&computed);
    (!is_possible).then(|| {
        format!(
            "nitrogen x cn = {computed:.1} % carbon can't be: dry matter holds 20 to 60 %. The two figures come from \
             different samples"
        )
    })
}

// === impl Feedstock ===

impl Feedstock {
    /// The typical material.
    pub fn material(&self) -> Material {
        Material::from_cn(self.moisture.typical, self.nitrogen.typical, self.cn.typical)
    }

    /// Whether id or name hold a word in small letters.
    pub fn is_named(&self, word: &str) -> bool {
        self.id.contains(word) || self.name.to_lowercase().contains(word)
    }

    /// Whether each figure is a laboratory's.
    pub fn is_measured(&self) -> bool {
        [self.nitrogen, self.cn, self.moisture].iter().all(|figure| figure.from == Origin::Lab)
    }
}

// === impl Figure ===

impl Figure {
    pub fn record(self) -> FigureRecord {
        FigureRecord { typical: self.typical, lo: self.lo, hi: self.hi, from: self.from.word().to_owned() }
    }
}

// === impl Class ===

impl Class {
    pub fn word(self) -> &'static str {
        CLASSES.iter().find(|(_, class)| *class == self).map_or("", |(word, _)| word)
    }
}

// === impl Origin ===

impl Origin {
    pub fn word(self) -> &'static str {
        ORIGINS.iter().find(|(_, origin)| *origin == self).map_or("", |(word, _)| word)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_table_that_comes_with_the_program_is_good() {
        let table = built_in().unwrap();
        assert_eq!(table.len(), 48);
        let horse = &table["horse-manure"];
        assert_eq!((horse.cn.lo, horse.cn.typical, horse.cn.hi), (22.0, 30.0, 50.0));
        assert_eq!((horse.class, horse.cn.from), (Class::Manure, Origin::Table));
        // No range of its own: a fifth to either side.
        assert!((horse.nitrogen.lo - 1.28).abs() < 1e-9 && (horse.nitrogen.hi - 1.92).abs() < 1e-9);
        let with_density = table.values().filter(|feedstock| feedstock.bulk_density.is_some()).count();
        assert_eq!(with_density, 33);
    }

    fn problems(text: &str) -> Vec<String> {
        read("own.toml", text, true).unwrap_err().iter().map(ToString::to_string).collect()
    }

    #[test]
    fn what_is_wrong_is_said_with_its_line() {
        let row =
            |keys: &str| format!("[[feedstock]]\nid = \"a\"\nname = \"A\"\nclass = \"plant\"\n{keys}\n");
        let cases = [
            (
                "nitrogen = 0.24\ncn = 442\nmoisture = 39",
                "own.toml:1: nitrogen x cn = 106.1 % carbon can't be",
            ),
            ("nitrogen = 1\ncn = 40\ncarbon = 50\nmoisture = 39", "carbon = 50, but nitrogen x cn = 40.0 %"),
            (
                "nitrogen = 1\nmoisture = 39",
                "cn = NaN: write a number from 1 to 2000, and give `cn` or `carbon`",
            ),
            ("nitrogen = 1\ncn = 40\nmoisture = 140", "moisture = 140"),
            (
                "nitrogen = 1\ncn = 40\nmoisture = 50\ncn_range = [45, 50]",
                "cn_range = [45, 50] does not hold cn = 40",
            ),
            ("nitrogen = 1\ncn = 40\nmoisture = 50\nfrom = { cn = \"book\" }", "from: `book` is not known"),
            ("nitrogen = 1\ncn = 40\nmoisture = 50\ncolour = 3", "unknown field `colour`"),
        ];
        for (keys, wanted) in cases {
            let found = problems(&row(keys));
            assert!(found.iter().any(|line| line.contains(wanted)), "{keys}: {found:?}");
        }
        let twice = format!("{0}{0}", row("nitrogen = 1\ncn = 40\nmoisture = 50"));
        assert!(problems(&twice)[0].contains("own.toml:8: id = \"a\" stands here a second time"));
    }

    #[test]
    fn figures_of_a_laboratory_are_narrower_and_win() {
        let text = "[[feedstock]]\nid = \"horse-manure\"\nname = \"Stable at the ford\"\nclass = \"manure\"\n\
                    nitrogen = 1.4\ncarbon = 42\nmoisture = 68\nbulk_density = 1100\n";
        let own = read("own.toml", text, true).unwrap();
        let horse = &own["horse-manure"];
        assert!(horse.is_measured() && horse.is_own);
        assert!((horse.cn.typical - 30.0).abs() < 1e-9 && (horse.cn.hi - 31.5).abs() < 1e-9);
    }
}
