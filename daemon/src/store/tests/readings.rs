//! Readings in and out.

use super::*;

#[test]
fn a_reading_is_new_once_then_repeated_and_another_value_is_a_conflict() {
    let mut bench = Bench::new();
    let k1 = bench.store.series(&probe("k1")).unwrap();
    assert_eq!(
        bench.append(k1, &[(MAY, 60.0), (MAY, 60.0), (MAY + 1, -0.0)]),
        [Fate::New, Fate::Repeated, Fate::New]
    );
    assert_eq!(
        bench.append(k1, &[(MAY, 61.0), (MAY, 60.0), (MAY, 61.0), (MAY + 1, 0.0)]),
        [Fate::Conflict, Fate::Repeated, Fate::Repeated, Fate::Repeated]
    );
    let expected = [(MAY, 60.0, true), (MAY, 61.0, true), (MAY + 1, 0.0, false)];
    assert_eq!(bench.rows(k1), expected);
    let bench = bench.reopen();
    assert_eq!(bench.rows(k1), expected);
    assert!(bench.rows(k1)[2].1.is_sign_positive());
}

#[test]
fn what_no_calendar_and_no_number_knows_is_refused() {
    let mut bench = Bench::new();
    let k1 = bench.store.series(&probe("k1")).unwrap();
    let rows = [(MAY, f64::NAN), (MAY, f64::INFINITY), (-1, 20.0), (i64::MAX, 20.0)];
    assert_eq!(bench.append(k1, &rows), [Fate::Refused; 4]);
    assert_eq!(bench.rows(k1), []);
    let many: Vec<(i64, f64)> = (0..300).map(|i| (MAY, f64::from(i))).collect();
    let fates = bench.append(k1, &many);
    assert_eq!(fates.iter().filter(|fate| **fate == Fate::Conflict).count(), 255);
    assert_eq!(fates.iter().filter(|fate| **fate == Fate::Refused).count(), 44);
}

#[test]
fn an_unknown_series_is_an_error_and_keeps_nothing() {
    let mut bench = Bench::new();
    let reading = NewReading { series: SeriesId(7), at: At(MAY), value: 1.0 };
    let error = bench.store.append(&[reading]).unwrap_err();
    assert!(matches!(error, StoreError::UnknownSeries(7)));
    assert!(!error.must_reopen());
}

#[test]
fn series_keep_their_numbers() {
    let mut bench = Bench::new();
    let k1 = bench.store.series(&probe("k1")).unwrap();
    let k2 = bench.store.series(&probe("k 2")).unwrap();
    assert_eq!(bench.store.series(&probe("k1")).unwrap(), k1);
    bench.append(k2, &[(MAY, 1.0)]);
    bench.append(k1, &[(MAY, 2.0)]);
    let mut bench = bench.reopen();
    assert_eq!(bench.store.series(&probe("k1")).unwrap(), k1);
    assert_eq!(bench.store.reader().series_id(&probe("k 2")).unwrap(), Some(k2));
    assert_eq!(bench.store.reader().series_id(&probe("k3")).unwrap(), None);
    let names: Vec<String> =
        bench.store.reader().series().unwrap().iter().map(|(_, key)| key.probe.to_string()).collect();
    assert_eq!(names, ["k1", "k 2"]);
}

#[test]
fn latest_is_the_newest_by_instant_not_by_arrival() {
    let mut bench = Bench::new();
    let k1 = bench.store.series(&probe("k1")).unwrap();
    bench.append(k1, &[(MAY + 60_000, 61.0)]);
    bench.append(k1, &[(MAY, 60.0)]);
    let newest = |bench: &Bench| {
        let latest = bench.store.reader().latest().unwrap();
        (latest[0].reading.at.0, latest[0].reading.value, latest[0].reading.conflict)
    };
    assert_eq!(newest(&bench), (MAY + 60_000, 61.0, false));
    bench.append(k1, &[(MAY + 60_000, 62.0)]);
    assert_eq!(newest(&bench), (MAY + 60_000, 62.0, true));
    let bench = bench.reopen();
    assert_eq!(newest(&bench), (MAY + 60_000, 62.0, true));
}

#[test]
fn a_range_goes_on_where_it_stopped_and_never_splits_an_instant() {
    let mut bench = Bench::new();
    let k1 = bench.store.series(&probe("k1")).unwrap();
    bench.append(k1, &[(MAY, 1.0), (MAY + 10, 2.0), (MAY + 10, 3.0), (MAY + 20, 4.0)]);
    let reader = bench.store.reader();
    let first = reader.range(k1, At(MAY), At(MAY + 20), 2).unwrap();
    assert_eq!(first.readings.len(), 3);
    assert_eq!(first.next, None);
    let first = reader.range(k1, At(MAY), At(MAY + 21), 1).unwrap();
    assert_eq!(first.readings.len(), 1);
    let rest = reader.range(k1, first.next.unwrap(), At(MAY + 21), 9).unwrap();
    assert_eq!(rest.readings.len(), 3);
    assert!(reader.range(k1, At(5), At(5), 9).unwrap().readings.is_empty());
    assert!(reader.range(k1, At(6), At(5), 9).unwrap().readings.is_empty());
}

#[test]
fn buckets_and_days_leave_conflicts_out() {
    let mut bench = Bench::new();
    let k1 = bench.store.series(&probe("k1")).unwrap();
    bench.append(k1, &[(MAY, 10.0), (MAY + 1000, 30.0), (MAY + 1000, 31.0), (MAY + 2000, 14.0)]);
    let buckets = bench.store.reader().buckets(k1, At(MAY), At(MAY + 3000), 2).unwrap();
    assert_eq!(buckets[0].summary, Summary { count: 1, min: 10.0, max: 10.0, sum: 10.0 });
    assert_eq!(buckets[1].summary, Summary { count: 1, min: 14.0, max: 14.0, sum: 14.0 });
    assert_eq!((buckets[0].to, buckets[1].from), (At(MAY + 1500), At(MAY + 1500)));
    // 15:00 UTC is 11:00 in New York; the day has 24 hours from 04:00 UTC.
    let days = bench.store.reader().days(k1, At(MAY), At(MAY + 1)).unwrap();
    assert_eq!(days.len(), 1);
    assert_eq!(days[0].date.to_string(), "2026-05-01");
    assert_eq!(days[0].from.0, MAY - 11 * 3_600_000);
    assert_eq!(days[0].summary.mean(), Some(12.0));
}
