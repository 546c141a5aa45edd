//! A reading on its way from a message to the store, and back out of it.

use heapward_rules::ids::ProbeId;
use heapward_rules::reading::{Quantity, Unit};
use heapward_rules::units::At;
use serde::{Deserialize, Serialize};

/// How a reading got its instant.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum DatedBy {
    /// The message carried its own time.
    Payload,
    /// The message arrived just then, to the tenth of a second.
    Arrival,
}

/// One value of one probe with the instant that it belongs to. `value` is as reported.
#[derive(Clone, Debug, PartialEq)]
pub struct DatedReading {
    pub probe: ProbeId,
    pub quantity: Quantity,
    pub unit: Unit,
    pub at: At,
    pub value: f64,
    pub dated_by: DatedBy,
}

/// A series in the store: what one probe says of one quantity in one unit. A probe whose unit is put right in the
/// configuration starts a new series; what it said before stays as it was.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct SeriesKey {
    pub probe: ProbeId,
    pub quantity: Quantity,
    pub unit: Unit,
}

/// The words for units and quantities in JSON, CSV and the configuration.
pub fn unit_word(unit: Unit) -> &'static str {
    match unit {
        Unit::Celsius => "C",
        Unit::Fahrenheit => "F",
        Unit::Percent => "%",
        Unit::Watt => "W",
        Unit::Volt => "V",
        Unit::Switch => "switch",
        Unit::Raw => "raw",
    }
}

pub fn parse_unit(word: &str) -> Option<Unit> {
    [Unit::Celsius, Unit::Fahrenheit, Unit::Percent, Unit::Watt, Unit::Volt, Unit::Switch, Unit::Raw]
        .into_iter()
        .find(|unit| unit_word(*unit) == word)
}

pub fn quantity_word(quantity: Quantity) -> &'static str {
    match quantity {
        Quantity::Temperature => "temperature",
        Quantity::Moisture => "moisture",
        Quantity::Oxygen => "oxygen",
        Quantity::Blower => "blower",
        Quantity::Battery => "battery",
    }
}

pub fn parse_quantity(word: &str) -> Option<Quantity> {
    [Quantity::Temperature, Quantity::Moisture, Quantity::Oxygen, Quantity::Blower, Quantity::Battery]
        .into_iter()
        .find(|quantity| quantity_word(*quantity) == word)
}
