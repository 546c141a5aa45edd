//! Readings that are numbered, so that afterwards each can be asked for.

use std::collections::BTreeMap;
use std::path::Path;

use heapward::store::{Store, StoreOptions};
use heapward_rules::units::{At, Span};
use heapward_tests::daemon::now;

pub(crate) const PROBES: u64 = 8;

/// The `[[probe]]` blocks of eight probes.
pub(crate) fn probes() -> String {
    let probe = |n| {
        format!(
            "[[probe]]\nid = \"k{n}\"\ntopic = \"quillback/k{n}\"\nevery = \"1m\"\nvalue = \"/c\"\nunit = \"C\"\n\
             time = \"/t\"\ntime_format = \"epoch_ms\"\n"
        )
    };
    (0..PROBES).map(probe).collect()
}

/// When the numbers begin: far enough back that none is ahead of the clock.
pub(crate) fn beginning() -> At {
    now() - Span::days(5)
}

/// Topic and payload of a number: each probe in turn, each second one reading.
pub(crate) fn message(beginning: At, number: u64) -> (String, String) {
    let at = beginning + Span::seconds(i64::try_from(number / PROBES).unwrap());
    (format!("quillback/k{}", number % PROBES), format!(r#"{{"c":{number},"t":{}}}"#, at.0))
}

/// All numbers in the records of a stopped daemon, with how often each is there.
pub(crate) fn stored(dir: &Path) -> BTreeMap<u64, u32> {
    let count = |instants: Vec<At>| u32::try_from(instants.len()).unwrap();
    stored_at(dir).into_iter().map(|(number, instants)| (number, count(instants))).collect()
}

/// All numbers in the records of a stopped daemon, with the instants of their readings.
pub(crate) fn stored_at(dir: &Path) -> BTreeMap<u64, Vec<At>> {
    let options = StoreOptions::new(dir.join("records"), heapward_tests_zone());
    let (store, _) = Store::open(&options).unwrap();
    let reader = store.reader();
    let mut numbers = BTreeMap::<u64, Vec<At>>::new();
    for (series, key) in reader.series().unwrap() {
        // Other probes than the numbered ones.
        if !key.probe.as_str().starts_with('k') {
            continue;
        }
        let mut from = At::MIN;
        loop {
            let page = reader.range(series, from, At::MAX, 100_000).unwrap();
            for reading in &page.readings {
                assert!(!reading.conflict, "{reading:?}");
                let number: u64 = reading.value.to_string().parse().unwrap();
                numbers.entry(number).or_default().push(reading.at);
            }
            match page.next {
                Some(next) => from = next,
                None => break,
            }
        }
    }
    numbers
}

fn heapward_tests_zone() -> chrono_tz::Tz {
    heapward_tests::daemon::noon_zone().parse().unwrap()
}

/// Every acknowledged number is stored, and none twice.
pub(crate) fn check(acknowledged: &[u64], stored: &BTreeMap<u64, u32>) {
    let missing: Vec<u64> =
        acknowledged.iter().filter(|number| !stored.contains_key(number)).copied().collect();
    let double: Vec<u64> =
        stored.iter().filter(|(_, count)| **count > 1).map(|(number, _)| *number).collect();
    let count = acknowledged.len();
    println!(
        "{count} acknowledged, {} stored, {} missing, {} double",
        stored.len(),
        missing.len(),
        double.len()
    );
    assert!(missing.is_empty(), "lost: {:?} ...", missing.iter().take(20).collect::<Vec<_>>());
    assert!(double.is_empty(), "double: {:?} ...", double.iter().take(20).collect::<Vec<_>>());
}
