//! Which probes are thermometers: only their placements are the judge's.

use std::collections::BTreeMap;

use heapward_rules::reading::Quantity;

use crate::store::{Reader, StoreError};

/// Whether each known probe measures temperature.
#[derive(Clone, Debug, Default)]
pub struct Thermometers(BTreeMap<String, bool>);

// === impl Thermometers ===

impl Thermometers {
    /// A probe is what the configuration says of it. One that stands there no more is what it has sent: a moisture probe
    /// that was taken for a thermometer would end the placement of the one beside it.
    pub fn of<'a>(
        configured: impl IntoIterator<Item = (&'a str, Quantity)>,
        reader: &Reader,
    ) -> Result<Thermometers, StoreError> {
        let mut known: BTreeMap<String, bool> = BTreeMap::new();
        // Any device may tell of its battery.
        let series = reader.series()?.into_iter().filter(|(_, key)| key.quantity != Quantity::Battery);
        for (_, key) in series {
            *known.entry(key.probe.to_string()).or_default() |= key.quantity == Quantity::Temperature;
        }
        known.extend(
            configured
                .into_iter()
                .map(|(probe, quantity)| (probe.to_owned(), quantity == Quantity::Temperature)),
        );
        Ok(Thermometers(known))
    }

    /// A probe of which nothing is known is taken for one: it was placed in a pile.
    pub fn have(&self, probe: &str) -> bool {
        self.0.get(probe).copied().unwrap_or(true)
    }
}

#[cfg(test)]
mod tests {
    use heapward_rules::ids::ProbeId;
    use heapward_rules::reading::Unit;
    use heapward_rules::units::At;

    use super::*;
    use crate::model::reading::SeriesKey;
    use crate::store::{NewReading, Store, StoreOptions};

    #[test]
    fn a_probe_is_what_it_is_configured_as_else_what_it_has_sent() {
        let dir = tempfile::tempdir().unwrap();
        let mut store = Store::open(&StoreOptions::new(dir.path(), chrono_tz::UTC)).unwrap().0;
        for (probe, quantity, unit) in [
            ("heat", Quantity::Temperature, Unit::Celsius),
            ("wet", Quantity::Moisture, Unit::Percent),
            ("both", Quantity::Moisture, Unit::Percent),
            ("both", Quantity::Temperature, Unit::Fahrenheit),
            ("quiet", Quantity::Battery, Unit::Percent),
            ("blower", Quantity::Blower, Unit::Switch),
            ("changed", Quantity::Moisture, Unit::Percent),
            ("turned", Quantity::Temperature, Unit::Celsius),
        ] {
            let series = store.series(&SeriesKey { probe: ProbeId::new(probe), quantity, unit }).unwrap();
            store.append(&[NewReading { series, at: At(1_777_647_600_000), value: 1.0 }]).unwrap();
        }
        let configured = [("changed", Quantity::Temperature), ("turned", Quantity::Oxygen)];
        let thermometers = Thermometers::of(configured, &store.reader()).unwrap();
        for (probe, expected) in [
            ("heat", true),
            ("wet", false),
            ("both", true),
            ("quiet", true),
            ("blower", false),
            ("changed", true),
            ("turned", false),
            ("new", true),
        ] {
            assert_eq!(thermometers.have(probe), expected, "{probe}");
        }
    }
}
