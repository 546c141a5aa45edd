//! What has to be known of a probe before its readings mean anything.

use std::collections::BTreeMap;

use heapward_rules::ids::ProbeId;
use heapward_rules::reading::{Quantity, Unit};

pub type Probes = BTreeMap<ProbeId, ProbeFacts>;

/// What a probe measures, above which value a blower is on, and what its raw figures mean.
#[derive(Clone, Debug, PartialEq)]
pub struct ProbeFacts {
    pub quantity: Quantity,
    pub on_above: f64,
    /// (reported, percent), the reported ones rising; for the probe's own quantity alone, not for its battery.
    pub calibration: Vec<(f64, f64)>,
}

/// What a reading that is no temperature means: percent, or 1 and 0 for on and off. `None` where nobody knows: raw figures
/// and volts say nothing without the table of their probe, and 3.4 V of a battery are not 3.4 %.
pub fn meaning(quantity: Quantity, unit: Unit, value: f64, facts: Option<&ProbeFacts>) -> Option<f64> {
    match unit {
        Unit::Watt | Unit::Switch => {
            Some(f64::from(u8::from(value > facts.map_or(0.0, |facts| facts.on_above))))
        }
        Unit::Raw | Unit::Volt => {
            let facts = facts.filter(|facts| facts.quantity == quantity)?;
            calibrated(value, &facts.calibration)
        }
        Unit::Percent | Unit::Celsius | Unit::Fahrenheit => Some(value),
    }
}

/// A raw figure through a table of (raw, true) points, straight lines between them and beyond the ends. `None`
/// without a table.
fn calibrated(raw: f64, table: &[(f64, f64)]) -> Option<f64> {
    let pair = table.windows(2).find(|pair| matches!(pair, [_, (x, _)] if raw <= *x));
    match pair.or_else(|| table.windows(2).last())? {
        [(x0, y0), (x1, y1)] => Some(y0 + (raw - x0) * (y1 - y0) / (x1 - x0)),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_table_is_read_with_straight_lines() {
        let table = [(18.0, 30.0), (41.0, 52.0), (63.0, 68.0)];
        let near = |raw: f64, expected: f64| (calibrated(raw, &table).unwrap() - expected).abs() < 1e-9;
        assert!(near(41.0, 52.0) && near(18.0, 30.0) && near(63.0, 68.0));
        assert!(near(29.5, 41.0) && near(52.0, 60.0) && near(74.0, 76.0));
        assert_eq!(calibrated(41.0, &[]), None);
        assert_eq!(calibrated(41.0, &[(1.0, 2.0)]), None);
    }

    #[test]
    fn a_reading_means_percent_or_on_and_off_or_nothing() {
        let probe = |quantity, calibration| ProbeFacts { quantity, on_above: 5.0, calibration };
        let soil = probe(Quantity::Moisture, vec![(18.0, 30.0), (41.0, 52.0)]);
        let blower = probe(Quantity::Blower, Vec::new());
        let heat = probe(Quantity::Temperature, Vec::new());
        let table = [
            (Quantity::Moisture, Unit::Raw, 41.0, Some(&soil), Some(52.0)),
            (Quantity::Moisture, Unit::Percent, 41.0, Some(&soil), Some(41.0)),
            (Quantity::Moisture, Unit::Raw, 41.0, None, None),
            // Its table is not for its battery.
            (Quantity::Battery, Unit::Volt, 3.4, Some(&soil), None),
            (Quantity::Battery, Unit::Volt, 3.4, Some(&heat), None),
            (Quantity::Battery, Unit::Percent, 40.0, Some(&heat), Some(40.0)),
            (Quantity::Blower, Unit::Watt, 5.0, Some(&blower), Some(0.0)),
            (Quantity::Blower, Unit::Watt, 5.1, Some(&blower), Some(1.0)),
            (Quantity::Blower, Unit::Switch, 1.0, None, Some(1.0)),
        ];
        for (quantity, unit, value, facts, expected) in table {
            assert_eq!(meaning(quantity, unit, value, facts), expected, "{quantity:?} {value} {unit:?}");
        }
    }
}
