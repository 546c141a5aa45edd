//! Amounts as a grower has them: buckets, yards, loads, pounds.

use std::fmt;

use heapward_rules::recipe::convert;
use heapward_rules::recipe::water::lb_to_gallons;

use super::table::Feedstock;

#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Amount {
    pub number: f64,
    pub unit: Unit,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Unit {
    Pound,
    Kilogram,
    CubicYard,
    CubicFoot,
    CubicMetre,
    /// Five US gallons.
    Bucket,
    /// What a bucket of the user's tractor or truck holds; its size is an option.
    Load,
    /// For water.
    Gallon,
    Litre,
}

/// Sizes that differ from farm to farm.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sizes {
    pub bucket_gallons: f64,
    pub load_yd3: f64,
}

const UNITS: [(&str, Unit); 20] = [
    ("lb", Unit::Pound),
    ("lbs", Unit::Pound),
    ("kg", Unit::Kilogram),
    ("yd3", Unit::CubicYard),
    ("yd", Unit::CubicYard),
    ("cuyd", Unit::CubicYard),
    ("ft3", Unit::CubicFoot),
    ("m3", Unit::CubicMetre),
    ("bucket", Unit::Bucket),
    ("buckets", Unit::Bucket),
    ("load", Unit::Load),
    ("loads", Unit::Load),
    ("gal", Unit::Gallon),
    ("gallon", Unit::Gallon),
    ("gallons", Unit::Gallon),
    ("l", Unit::Litre),
    ("litre", Unit::Litre),
    ("litres", Unit::Litre),
    ("liter", Unit::Litre),
    ("liters", Unit::Litre),
];

const GALLONS_PER_YD3: f64 = 46_656.0 / 231.0;
const LITRES_PER_GALLON: f64 = 3.785_411_784;
const LB_PER_KG: f64 = 2.204_622_621_848_776;
const YD3_PER_M3: f64 = 1.307_950_619_314_392;

// === impl Sizes ===

impl Default for Sizes {
    fn default() -> Sizes {
        Sizes { bucket_gallons: 5.0, load_yd3: 1.0 }
    }
}

// === impl Amount ===

impl Amount {
    /// Reads `2.5yd3` or `12 buckets`; the error says what to write.
    pub fn parse(text: &str) -> Result<Amount, String> {
        let text = text.trim();
        let end = text.find(|c: char| !(c.is_ascii_digit() || c == '.')).unwrap_or(text.len());
        let (number, unit) = text.split_at(end);
        let wrong = || {
            format!(
                "`{text}` is no amount; write a number and lb, kg, yd3, ft3, m3, buckets, loads, gal or l, such as 2.5yd3"
            )
        };
        let number: f64 = number.parse().map_err(|_| wrong())?;
        let word = unit.trim().to_ascii_lowercase();
        let unit = UNITS.iter().find(|(known, _)| *known == word).map(|(_, unit)| *unit).ok_or_else(wrong)?;
        if number > 0.0 && number < 1e7 { Ok(Amount { number, unit }) } else { Err(wrong()) }
    }

    /// Cubic yards, for a measure of volume.
    pub fn cubic_yards(self, sizes: Sizes) -> Option<f64> {
        Some(match self.unit {
            Unit::CubicYard => self.number,
            Unit::CubicFoot => convert::cubic_feet_to_cubic_yards(self.number),
            Unit::CubicMetre => self.number * YD3_PER_M3,
            Unit::Bucket => self.number * sizes.bucket_gallons / GALLONS_PER_YD3,
            Unit::Load => self.number * sizes.load_yd3,
            Unit::Gallon => self.number / GALLONS_PER_YD3,
            Unit::Litre => self.number / LITRES_PER_GALLON / GALLONS_PER_YD3,
            Unit::Pound | Unit::Kilogram => return None,
        })
    }

    /// Pounds, for a measure of weight.
    pub fn pounds(self) -> Option<f64> {
        match self.unit {
            Unit::Pound => Some(self.number),
            Unit::Kilogram => Some(self.number * LB_PER_KG),
            _ => None,
        }
    }

    /// Pounds of a feedstock: a volume goes through its bulk density. The error says what is missing.
    pub fn pounds_of(self, feedstock: &Feedstock, sizes: Sizes) -> Result<f64, String> {
        if let Some(pounds) = self.pounds() {
            return Ok(pounds);
        }
        let density = feedstock.bulk_density.ok_or_else(|| {
            format!(
                "{} has no bulk density in the table; give it in lb or kg, or weigh a bucket and put bulk_density into a \
                 file of your own",
                feedstock.id
            )
        })?;
        Ok(self.cubic_yards(sizes).unwrap_or_default() * density.typical)
    }

    /// Pounds of water; by volume or by weight.
    pub fn pounds_of_water(self, sizes: Sizes) -> f64 {
        let gallons = match self.unit {
            Unit::Gallon => self.number,
            _ => self.cubic_yards(sizes).unwrap_or_default() * GALLONS_PER_YD3,
        };
        self.pounds().unwrap_or(gallons / lb_to_gallons(1.0))
    }
}

impl fmt::Display for Amount {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let word = UNITS.iter().find(|(_, unit)| *unit == self.unit).map_or("", |(word, _)| word);
        write!(f, "{} {word}", self.number)
    }
}

/// Buckets that hold so many cubic yards.
pub fn buckets(cubic_yards: f64, sizes: Sizes) -> f64 {
    cubic_yards * GALLONS_PER_YD3 / sizes.bucket_gallons
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::mix::table;

    #[test]
    fn amounts_in_every_unit() {
        let table = table::built_in().unwrap();
        let leaves = &table["leaves"];
        let pounds = |text: &str| Amount::parse(text).unwrap().pounds_of(leaves, Sizes::default()).unwrap();
        // 200 lb a cubic yard; a cubic yard is 40.39 buckets of five gallons.
        for (text, wanted) in [
            ("3yd3", 600.0),
            ("2 loads", 400.0),
            ("27ft3", 200.0),
            ("1m3", 261.590),
            ("40.39480519480519 buckets", 200.0),
            ("250 lb", 250.0),
            ("100kg", 220.462),
        ] {
            assert!((pounds(text) - wanted).abs() < 1e-3, "{text}: {}", pounds(text));
        }
        assert!((Amount::parse("40 gal").unwrap().pounds_of_water(Sizes::default()) - 333.8).abs() < 1e-6);
        assert!((buckets(1.0, Sizes::default()) - 40.395).abs() < 1e-3);
        for text in ["", "yd3", "3", "3 heaps", "-2yd3", "0lb", "1e3lb", "3.4.5lb"] {
            assert!(Amount::parse(text).is_err(), "{text}");
        }
        let hay = &table["hay"];
        assert!(
            Amount::parse("1yd3")
                .unwrap()
                .pounds_of(hay, Sizes::default())
                .unwrap_err()
                .contains("weigh a bucket")
        );
    }
}
