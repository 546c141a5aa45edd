//! What a season is planned from: beds, bays, people, and how long things take.

use std::fmt;

use heapward_rules::recipe::dates::Date;
use serde::Deserialize;

/// A bed that wants compost.
#[derive(Clone, Debug, PartialEq)]
pub struct Bed {
    pub name: String,
    pub cubic_yards: f64,
    pub by: Date,
}

#[derive(Clone, Debug, PartialEq)]
pub struct Plan {
    /// Nothing can be started before this day.
    pub from: Date,
    /// In order of their dates.
    pub beds: Vec<Bed>,
    pub bays: u32,
    /// Size of a pile when it is built.
    pub pile_yd3: f64,
    /// Share of the volume that a pile loses until it is finished.
    pub loss: f64,
    pub active_days: i64,
    pub curing_days: i64,
    /// What one person forks in a day, and how many there are.
    pub yd3_per_person_day: f64,
    pub people: u32,
    /// Finished compost that is there already.
    pub at_hand_yd3: f64,
}

/// All that is wrong with a plan, for the person who wrote it.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{}", .0.join("\n"))]
pub struct PlanError(pub Vec<String>);

/// A plan as it is written down, in a file or in a form.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Sheet {
    pub from: Option<String>,
    #[serde(default)]
    pub at_hand_yd3: f64,
    pub bays: Bays,
    #[serde(default)]
    pub pace: Pace,
    #[serde(default)]
    pub bed: Vec<BedLine>,
}

#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Bays {
    pub count: u32,
    pub pile_yd3: f64,
}

/// Usual figures: an active stage of four weeks and more, at least a month of curing, half of the volume lost.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Pace {
    pub loss_percent: f64,
    pub active_days: i64,
    pub curing_days: i64,
    pub people: u32,
    pub yd3_per_person_day: f64,
}

#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct BedLine {
    name: String,
    length_ft: Option<f64>,
    width_ft: Option<f64>,
    area_ft2: Option<f64>,
    depth_in: f64,
    by: String,
}

const DAYS_MAX: i64 = 730;

impl Default for Pace {
    fn default() -> Pace {
        Pace { loss_percent: 50.0, active_days: 30, curing_days: 45, people: 1, yd3_per_person_day: 4.0 }
    }
}

/// Cubic yards of a layer: square feet times inches.
pub fn layer_yd3(area_ft2: f64, depth_in: f64) -> f64 {
    area_ft2 * depth_in / 12.0 / 27.0
}

// === impl Sheet ===

impl Sheet {
    pub fn read(text: &str) -> Result<Sheet, PlanError> {
        toml::from_str(text).map_err(|error| PlanError(vec![error.to_string()]))
    }
}

// === impl Plan ===

impl Plan {
    /// The plan of a sheet; all that is wrong with it at once. `today`, at the farm, is where it begins unless it says
    /// otherwise.
    pub fn of(raw: &Sheet, today: Date) -> Result<Plan, PlanError> {
        let mut wrong = Vec::new();
        let from = raw.from.as_deref().map_or(Some(today), |text| date("from", text, &mut wrong));
        let mut beds: Vec<Bed> = raw.bed.iter().filter_map(|bed| bed.read(&mut wrong)).collect();
        beds.sort_by_key(|bed| bed.by);
        let mut within = |key: &str, value: f64, lo: f64, hi: f64| {
            if !(lo..=hi).contains(&value) {
                wrong.push(format!("{key} = {value}: write a number from {lo} to {hi}"));
            }
        };
        let pace = &raw.pace;
        within("bays.count", f64::from(raw.bays.count), 1.0, 50.0);
        within("bays.pile_yd3", raw.bays.pile_yd3, 0.5, 200.0);
        within("at_hand_yd3", raw.at_hand_yd3, 0.0, 10_000.0);
        within("pace.loss_percent", pace.loss_percent, 0.0, 90.0);
        within("pace.people", f64::from(pace.people), 1.0, 50.0);
        within("pace.yd3_per_person_day", pace.yd3_per_person_day, 0.1, 100.0);
        for (key, days) in [("pace.active_days", pace.active_days), ("pace.curing_days", pace.curing_days)] {
            if !(0..=DAYS_MAX).contains(&days) {
                wrong.push(format!("{key} = {days}: write a number of days from 0 to {DAYS_MAX}"));
            }
        }
        if beds.is_empty() && wrong.is_empty() {
            wrong.push(
                "no [[bed]]: write name, area_ft2 (or length_ft and width_ft), depth_in and by".to_owned(),
            );
        }
        match from {
            Some(from) if wrong.is_empty() => Ok(Plan {
                from,
                beds,
                bays: raw.bays.count,
                pile_yd3: raw.bays.pile_yd3,
                loss: pace.loss_percent / 100.0,
                active_days: pace.active_days,
                curing_days: pace.curing_days,
                yd3_per_person_day: pace.yd3_per_person_day,
                people: pace.people,
                at_hand_yd3: raw.at_hand_yd3,
            }),
            _ => Err(PlanError(wrong)),
        }
    }

    /// What a pile gives when it is finished.
    pub fn yield_yd3(&self) -> f64 {
        self.pile_yd3 * (1.0 - self.loss)
    }

    /// Days to fork so many cubic yards.
    pub fn days_to_fork(&self, yd3: f64) -> i64 {
        let days = (yd3 / (self.yd3_per_person_day * f64::from(self.people))).ceil();
        #[expect(clippy::cast_possible_truncation, reason = "at most 200 cubic yards at 0.1 a day")]
        let days = days as i64;
        days.max(1)
    }
}

// === impl BedLine ===

impl BedLine {
    /// `north-4 100x4 1 2027-04-15`: name, length by width in feet (or square feet), inches, date.
    pub fn parse(line: &str) -> Result<BedLine, String> {
        let wrong =
            || format!("`{line}`: write name, feet, inches and date, such as north-4 100x4 1 2027-04-15");
        let words: Vec<&str> = line.split_whitespace().collect();
        let [name @ .., feet, inches, by] = words.as_slice() else { return Err(wrong()) };
        let number = |text: &str| text.parse::<f64>().map_err(|_| wrong());
        let (length_ft, width_ft, area_ft2) = match feet.split_once('x') {
            Some((length, width)) => (Some(number(length)?), Some(number(width)?), None),
            None => (None, None, Some(number(feet)?)),
        };
        if name.is_empty() {
            return Err(wrong());
        }
        let (name, depth_in, by) = (name.join(" "), number(inches)?, (*by).to_owned());
        Ok(BedLine { name, length_ft, width_ft, area_ft2, depth_in, by })
    }

    fn read(&self, wrong: &mut Vec<String>) -> Option<Bed> {
        let name = &self.name;
        let area = match (self.area_ft2, self.length_ft, self.width_ft) {
            (Some(area), None, None) => Some(area),
            (None, Some(length), Some(width)) => Some(length * width),
            _ => None,
        };
        let Some(area) = area.filter(|area| *area > 0.0 && *area < 1e7) else {
            wrong.push(format!("bed {name}: write area_ft2, or length_ft and width_ft"));
            return None;
        };
        if !(self.depth_in > 0.0 && self.depth_in <= 24.0) {
            wrong.push(format!("bed {name}: depth_in = {}: write inches from 0.1 to 24", self.depth_in));
            return None;
        }
        let by = date(&format!("bed {name}: by"), &self.by, wrong)?;
        Some(Bed { name: name.clone(), cubic_yards: layer_yd3(area, self.depth_in), by })
    }
}

fn date(key: &str, text: &str, wrong: &mut Vec<String>) -> Option<Date> {
    let date = Date::parse(text);
    if date.is_none() {
        wrong.push(format!("{key} = \"{text}\": write a date such as 2026-05-15"));
    }
    date
}

impl fmt::Display for Bed {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} ({:.1} yd3 by {})", self.name, self.cubic_yards, self.by)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn plan_of(text: &str, today: Date) -> Result<Plan, PlanError> {
        Sheet::read(text).and_then(|sheet| Plan::of(&sheet, today))
    }

    fn today() -> Date {
        Date::new(2026, 3, 1).unwrap()
    }

    #[test]
    fn a_plan_is_read_with_usual_figures_for_what_it_leaves_out() {
        let text = "[bays]\ncount = 3\npile_yd3 = 8\n[[bed]]\nname = \"b\"\nlength_ft = 100\nwidth_ft = 4\ndepth_in = 1\n\
                    by = \"2026-07-01\"\n[[bed]]\nname = \"a\"\narea_ft2 = 324\ndepth_in = 2\nby = \"2026-06-01\"\n";
        let plan = plan_of(text, today()).unwrap();
        assert_eq!(plan.from, today());
        assert_eq!(plan.beds.iter().map(|bed| bed.name.as_str()).collect::<Vec<_>>(), ["a", "b"]);
        // 324 square feet, two inches deep, are two cubic yards.
        assert!((plan.beds[0].cubic_yards - 2.0).abs() < 1e-12);
        assert!((plan.yield_yd3() - 4.0).abs() < 1e-12);
        assert_eq!((plan.days_to_fork(8.0), plan.days_to_fork(0.1)), (2, 1));
    }

    #[test]
    fn a_bed_is_one_line() {
        let line = BedLine::parse("north 4 100x4 1.5 2027-04-15").unwrap();
        assert_eq!((line.name.as_str(), line.length_ft, line.width_ft), ("north 4", Some(100.0), Some(4.0)));
        assert_eq!((line.area_ft2, line.depth_in, line.by.as_str()), (None, 1.5, "2027-04-15"));
        assert_eq!(BedLine::parse("tomatoes 2400 1 2027-05-20").unwrap().area_ft2, Some(2_400.0));
        for text in
            ["", "north-4", "100x4 1 2027-04-15", "north-4 big 1 2027-04-15", "north-4 100x4 deep 2027-04-15"]
        {
            assert!(BedLine::parse(text).is_err(), "{text}");
        }
    }

    #[test]
    fn every_mistake_is_said_at_once() {
        let text = "from = \"soon\"\n[bays]\ncount = 0\npile_yd3 = 8\n[[bed]]\nname = \"a\"\ndepth_in = 2\nby = \"2026-02-30\"\n";
        let PlanError(wrong) = plan_of(text, today()).unwrap_err();
        assert_eq!(wrong.len(), 3, "{wrong:?}");
        assert!(wrong[0].starts_with("from = \"soon\"") && wrong[1].starts_with("bed a: write area_ft2"));
        assert!(wrong[2].starts_with("bays.count = 0"));
        let unknown = plan_of("[bays]\ncount = 1\npile_yd3 = 8\nsize = 2\n", today()).unwrap_err();
        assert!(unknown.0[0].contains("unknown field `size`"), "{unknown}");
    }
}
