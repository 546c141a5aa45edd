//! One standard from its TOML text.
//!
//! ```toml
//! id = "my-scheme"             # [a-z0-9-]+
//! title = "My scheme"
//! clause = "Scheme rules, section 4"
//! meaning = "At 60 C or hotter for 5 days."
//! verified = false             # true: the figures were seen in the text; else every verdict says so
//! initial_cn = [25.0, 40.0]    # optional: the recipe's C:N, both ends included
//! no_heat_for = ["plant"]      # optional: plant | animal | manure
//! asks_curing = false          # optional: caution that curing has to be recorded
//! readings_per_day = 1         # optional
//! [[rule]]                     # one for each group of methods
//! methods = ["aerated-static"] # aerated-static | in-vessel | windrow
//! [[rule.profile]]             # one or more; the earliest that is met wins
//! from = "60 C"                # included; C or F
//! to = "170 F"                 # optional, included
//! time = "5 d"                 # an integer and one of ms, s, m, h, d
//! mode = "consecutive"         # consecutive | cumulative
//! turns = 0                    # optional
//! [asks]                       # optional sentences: curing, readings, tests, records
//! ```

use std::ops::Range;

use heapward_rules::ids::{StandardId, is_plain_name};
use heapward_rules::pile::{Material, Method};
use heapward_rules::standard::{Asks, MethodRule, Mode, Profile, Standard};
use heapward_rules::units::{Celsius, Span};
use serde::Deserialize;
use toml::Spanned;

use super::Problem;

/// Ends of a range that a compost thermometer can show.
const PLAUSIBLE_C: Range<f64> = 0.0..110.0;
/// Longer than any rule asks for; a larger figure is a slip of the unit.
const TIME_MAX: Span = Span::days(366);
const TURNS_MAX: u32 = 100;

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawStandard {
    id: Spanned<String>,
    title: Spanned<String>,
    clause: Spanned<String>,
    meaning: Spanned<String>,
    verified: bool,
    initial_cn: Option<Spanned<[f64; 2]>>,
    #[serde(default)]
    no_heat_for: Vec<Spanned<String>>,
    #[serde(default)]
    asks_curing: bool,
    readings_per_day: Option<u32>,
    rule: Spanned<Vec<RawRule>>,
    #[serde(default)]
    asks: RawAsks,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawRule {
    methods: Spanned<Vec<Spanned<String>>>,
    profile: Spanned<Vec<RawProfile>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawProfile {
    from: Spanned<String>,
    to: Option<Spanned<String>>,
    time: Spanned<String>,
    mode: Spanned<String>,
    turns: Option<Spanned<u32>>,
}

#[derive(Default, Deserialize)]
#[serde(deny_unknown_fields)]
struct RawAsks {
    curing: Option<String>,
    readings: Option<String>,
    tests: Option<String>,
    records: Option<String>,
}

/// Collects what is wrong, with the line of each.
struct Reader<'a> {
    file: &'a str,
    text: &'a str,
    problems: Vec<Problem>,
}

/// Reads a standard; `file` is only the name in the problems. With a problem of TOML itself it is the first one, else
/// all that is wrong.
pub fn read(file: &str, text: &str) -> Result<Standard, Vec<Problem>> {
    let mut reader = Reader { file, text, problems: Vec::new() };
    let raw: RawStandard = match toml::from_str(text) {
        Ok(raw) => raw,
        Err(error) => {
            reader.refuse(&error.span().unwrap_or(0..0), error.message());
            return Err(reader.problems);
        }
    };
    let standard = reader.standard(raw);
    if reader.problems.is_empty() { Ok(standard) } else { Err(reader.problems) }
}

// === impl Reader ===

impl Reader<'_> {
    fn refuse(&mut self, span: &Range<usize>, what: impl Into<String>) {
        let before = self.text.get(..span.start).unwrap_or(self.text);
        let line = before.bytes().filter(|b| *b == b'\n').count() + 1;
        self.problems.push(Problem { file: self.file.to_owned(), line, what: what.into() });
    }

    fn standard(&mut self, raw: RawStandard) -> Standard {
        if !is_plain_name(raw.id.get_ref()) {
            let what =
                format!("`id = \"{}\"`: write small letters, digits and hyphens only", raw.id.get_ref());
            self.refuse(&raw.id.span(), what);
        }
        let title = self.sentence("title", raw.title);
        let clause = self.sentence("clause", raw.clause);
        let meaning = self.sentence("meaning", raw.meaning);
        let initial_cn = raw.initial_cn.and_then(|cn| {
            let [lo, hi] = *cn.get_ref();
            let good = lo > 0.0 && lo < hi && hi < 1000.0;
            if !good {
                self.refuse(&cn.span(), "`initial_cn`: write the lower ratio first, such as [25.0, 40.0]");
            }
            good.then_some((lo, hi))
        });
        let no_heat_for = raw.no_heat_for.iter().filter_map(|name| self.material(name)).collect();
        Standard {
            id: StandardId::new(raw.id.into_inner()),
            title,
            clause,
            meaning,
            verified: raw.verified,
            rules: self.rules(&raw.rule),
            initial_cn,
            no_heat_for,
            asks_curing: raw.asks_curing,
            readings_per_day: raw.readings_per_day,
            asks: Asks {
                curing: raw.asks.curing,
                readings: raw.asks.readings,
                tests: raw.asks.tests,
                records: raw.asks.records,
            },
        }
    }

    fn sentence(&mut self, key: &str, text: Spanned<String>) -> String {
        if text.get_ref().trim().is_empty() {
            self.refuse(
                &text.span(),
                format!("`{key}` is empty; write what the record shall print, in one sentence"),
            );
        }
        text.into_inner()
    }

    fn rules(&mut self, raw: &Spanned<Vec<RawRule>>) -> Vec<MethodRule> {
        if raw.get_ref().is_empty() {
            self.refuse(&raw.span(), "no `[[rule]]`; write one for each group of methods");
        }
        let mut seen = Vec::new();
        let mut rules = Vec::new();
        for rule in raw.get_ref() {
            let mut methods = Vec::new();
            for name in rule.methods.get_ref() {
                let Some(method) = self.method(name) else { continue };
                if seen.contains(&method) {
                    let what = format!("`{}` has a rule already; name each method once", name.get_ref());
                    self.refuse(&name.span(), what);
                }
                seen.push(method);
                methods.push(method);
            }
            if rule.methods.get_ref().is_empty() {
                let what = "`methods` is empty; write one or more of aerated-static, in-vessel, windrow";
                self.refuse(&rule.methods.span(), what);
            }
            if rule.profile.get_ref().is_empty() {
                self.refuse(
                    &rule.profile.span(),
                    "no `[[rule.profile]]`; write range, time and mode of at least one",
                );
            }
            let profiles = rule.profile.get_ref().iter().filter_map(|raw| self.profile(raw)).collect();
            rules.push(MethodRule { methods, profiles });
        }
        rules
    }

    fn profile(&mut self, raw: &RawProfile) -> Option<Profile> {
        let lo = self.temperature("from", &raw.from);
        let hi = raw.to.as_ref().map(|to| self.temperature("to", to));
        if let (Some(lo), Some(Some(hi)), Some(to)) = (lo, hi, &raw.to)
            && lo.0 >= hi.0
        {
            self.refuse(
                &to.span(),
                "`to` is not above `from`; write the upper end of the range, or leave it out",
            );
        }
        let required = self.time(&raw.time);
        let mode = match raw.mode.get_ref().as_str() {
            "consecutive" => Some(Mode::Consecutive),
            "cumulative" => Some(Mode::Cumulative),
            other => {
                let what = format!("`mode = \"{other}\"`: write \"consecutive\" or \"cumulative\"");
                self.refuse(&raw.mode.span(), what);
                None
            }
        };
        let turns = raw.turns.as_ref().map_or(0, |turns| *turns.get_ref());
        if let (true, Some(raw)) = (turns > TURNS_MAX, &raw.turns) {
            self.refuse(&raw.span(), format!("`turns = {turns}`: write a number up to {TURNS_MAX}"));
        }
        let hi = match hi {
            None => None,
            Some(hi) => Some(hi?),
        };
        Some(Profile {
            lo: lo?,
            hi,
            required: required?,
            mode: mode?,
            turns: usize::try_from(turns).unwrap_or(usize::MAX),
        })
    }

    fn temperature(&mut self, key: &str, raw: &Spanned<String>) -> Option<Celsius> {
        let read = raw.get_ref().split_once(' ').and_then(|(number, unit)| {
            let number: f64 = number.parse().ok()?;
            match unit {
                "C" => Some(Celsius(number)),
                "F" => Some(Celsius::from_f(number)),
                _ => None,
            }
        });
        let read = read.filter(|c| PLAUSIBLE_C.contains(&c.0));
        if read.is_none() {
            let what = format!(
                "`{key} = \"{}\"`: write a temperature of a pile with its unit, such as \"131 F\" or \"55 C\"",
                raw.get_ref()
            );
            self.refuse(&raw.span(), what);
        }
        read
    }

    fn time(&mut self, raw: &Spanned<String>) -> Option<Span> {
        let text = raw.get_ref().as_str();
        let digits = text.trim_end_matches(|c: char| !c.is_ascii_digit());
        let unit = match text.get(digits.len()..).map(str::trim_start) {
            Some("ms") => Some(1),
            Some("s") => Some(1_000),
            Some("m") => Some(60_000),
            Some("h") => Some(3_600_000),
            Some("d") => Some(86_400_000),
            _ => None,
        };
        let number = digits.parse::<i64>().ok().filter(|_| digits.bytes().all(|b| b.is_ascii_digit()));
        let read = number
            .zip(unit)
            .and_then(|(number, unit)| number.checked_mul(unit))
            .map(Span)
            .filter(|span| *span > Span::ZERO && *span <= TIME_MAX);
        if read.is_none() {
            let what = format!(
                "`time = \"{text}\"`: write an integer and one of ms, s, m, h, d, such as \"72h\" or \"3 d\""
            );
            self.refuse(&raw.span(), what);
        }
        read
    }

    fn method(&mut self, raw: &Spanned<String>) -> Option<Method> {
        match raw.get_ref().as_str() {
            "aerated-static" => Some(Method::AeratedStatic),
            "in-vessel" => Some(Method::InVessel),
            "windrow" => Some(Method::Windrow),
            other => {
                let what = format!("`{other}` is no method; write aerated-static, in-vessel or windrow");
                self.refuse(&raw.span(), what);
                None
            }
        }
    }

    fn material(&mut self, raw: &Spanned<String>) -> Option<Material> {
        match raw.get_ref().as_str() {
            "plant" => Some(Material::Plant),
            "animal" => Some(Material::Animal),
            "manure" => Some(Material::Manure),
            other => {
                let what = format!("`{other}` is no material; write plant, animal or manure");
                self.refuse(&raw.span(), what);
                None
            }
        }
    }
}
