//! Tests of the store through its own doors.

mod fuzz;
mod looks;
mod model;
mod readings;
mod record;
mod records;
mod stall;
mod upkeep;

use heapward_rules::ids::ProbeId;
use heapward_rules::reading::{Quantity, Unit};
use heapward_rules::units::At;
use tempfile::TempDir;

use super::*;

pub(super) const ZONE: chrono_tz::Tz = chrono_tz::America::New_York;
/// 2026-05-01T15:00:00Z.
pub(super) const MAY: i64 = 1_777_647_600_000;

pub(super) struct Bench {
    pub(super) dir: TempDir,
    pub(super) store: Store,
}

impl Bench {
    pub(super) fn new() -> Bench {
        let dir = tempfile::tempdir().unwrap();
        let (store, report) = Store::open(&StoreOptions::new(dir.path(), ZONE)).unwrap();
        assert!(report.created);
        Bench { dir, store }
    }

    pub(super) fn reopen(self) -> Bench {
        let Bench { dir, store } = self;
        drop(store);
        let (store, report) = Store::open(&StoreOptions::new(dir.path(), ZONE)).unwrap();
        assert!(!report.created);
        Bench { dir, store }
    }

    pub(super) fn append(&mut self, series: SeriesId, rows: &[(i64, f64)]) -> Vec<Fate> {
        let readings: Vec<NewReading> =
            rows.iter().map(|(at, value)| NewReading { series, at: At(*at), value: *value }).collect();
        self.store.append(&readings).unwrap()
    }

    /// All readings as (instant, value, conflict).
    pub(super) fn rows(&self, series: SeriesId) -> Vec<(i64, f64, bool)> {
        let all = self.store.reader().range(series, At(0), At::MAX, usize::MAX).unwrap();
        assert_eq!(all.next, None);
        all.readings.iter().map(|r| (r.at.0, r.value, r.conflict)).collect()
    }
}

pub(super) fn probe(name: &str) -> SeriesKey {
    SeriesKey { probe: ProbeId::new(name), quantity: Quantity::Temperature, unit: Unit::Celsius }
}
