//! Any sequence of writes, late writes, seals, restarts and questions agrees with a map in memory.

use std::collections::BTreeMap;

use proptest::prelude::*;

use super::*;

/// What the store has to hold: for each (series, instant) its different values in order of arrival.
#[derive(Debug, Default)]
pub(super) struct Model {
    pub(super) values: BTreeMap<(u32, i64), Vec<u64>>,
}

#[derive(Clone, Debug)]
enum Step {
    /// (series, minutes after the start, jitter in ms, value in steps)
    Append(Vec<(u32, i64, i64, i32)>),
    /// A run of minutes of one series: (series, first minute, how many).
    Run(u32, i64, i64),
    Seal,
    SealSlice,
    Restart,
    OtherZone,
    Look {
        series: u32,
        from: i64,
        span: i64,
        parts: usize,
        limit: usize,
    },
}

// === impl Model ===

impl Model {
    pub(super) fn add(&mut self, reading: &NewReading) -> Fate {
        let values = self.values.entry((reading.series.0, reading.at.0)).or_default();
        let bits = reading.value.to_bits();
        if values.contains(&bits) {
            return Fate::Repeated;
        }
        values.push(bits);
        if values.len() == 1 { Fate::New } else { Fate::Conflict }
    }

    pub(super) fn rows(&self, series: u32, from: i64, to: i64) -> Vec<(i64, u64, bool)> {
        let rows = self.values.range((series, from)..(series, to.max(from)));
        rows.flat_map(|((_, at), bits)| bits.iter().map(|b| (*at, *b, bits.len() > 1))).collect()
    }

    fn summary(&self, series: u32, from: i64, to: i64) -> Summary {
        let mut summary = Summary::EMPTY;
        let alone = self.rows(series, from, to).into_iter().filter(|row| !row.2);
        alone.for_each(|(_, bits, _)| summary.add(f64::from_bits(bits)));
        summary
    }
}

pub(super) fn assert_agrees(found: &Summary, expected: &Summary) {
    assert_eq!((found.count, found.min, found.max), (expected.count, expected.min, expected.max));
    assert!((found.sum - expected.sum).abs() <= 1e-9 * (1.0 + expected.sum.abs()), "{found:?} {expected:?}");
}

/// Every reading through every door.
pub(super) fn assert_holds(reader: &Reader, model: &Model) {
    let series: std::collections::BTreeSet<u32> = model.values.keys().map(|(series, _)| *series).collect();
    for series in series {
        let (mut found, mut next) = (Vec::new(), Some(At(0)));
        while let Some(from) = next {
            let part = reader.range(SeriesId(series), from, At::MAX, 500).unwrap();
            found.extend(part.readings.iter().map(|r| (r.at.0, r.value.to_bits(), r.conflict)));
            next = part.next;
        }
        let expected = model.rows(series, 0, i64::MAX);
        assert!(found == expected, "series {series}: {} found, {} expected", found.len(), expected.len());
    }
    for latest in reader.latest().unwrap() {
        let (_, last) = (latest.series, latest.reading);
        let rows = model.rows(latest.series.0, last.at.0, i64::MAX);
        let (at, bits, conflict) = *rows.last().unwrap();
        assert_eq!((last.at.0, last.value.to_bits(), last.conflict), (at, bits, conflict));
    }
}

fn steps() -> impl Strategy<Value = Vec<Step>> {
    let minute = prop_oneof![6 => 0_i64..400, 3 => 0_i64..12_000, 1 => 5_000_000_i64..5_001_000];
    let reading = (0_u32..3, minute.clone(), prop_oneof![Just(0_i64), -900_i64..900], 700_i32..704);
    let look = (0_u32..3, 0_i64..12_000, 0_i64..12_000, 1_usize..40, 1_usize..3_000);
    let step = prop_oneof![
        6 => prop::collection::vec(reading, 1..30).prop_map(Step::Append),
        5 => (0_u32..3, minute, 1_i64..2_600).prop_map(|(series, first, n)| Step::Run(series, first, n)),
        2 => Just(Step::Seal),
        2 => Just(Step::SealSlice),
        1 => Just(Step::Restart),
        1 => Just(Step::OtherZone),
        4 => look.prop_map(|(series, from, span, parts, limit)| Step::Look { series, from, span, parts, limit }),
    ];
    prop::collection::vec(step, 1..30)
}

fn reading(series: u32, minute: i64, jitter: i64, value: i32) -> NewReading {
    let at = At(MAY + minute * 60_000 + jitter);
    NewReading { series: SeriesId(series), at, value: f64::from(value) * 0.0625 }
}

fn look(reader: &Reader, model: &Model, zone: chrono_tz::Tz, step: &Step) {
    let Step::Look { series, from, span, parts, limit } = *step else { return };
    let (id, from, to) = (SeriesId(series), MAY + from * 60_000, MAY + (from + span) * 60_000);
    let part = reader.range(id, At(from), At(to), limit).unwrap();
    let found: Vec<_> = part.readings.iter().map(|r| (r.at.0, r.value.to_bits(), r.conflict)).collect();
    let end = part.next.map_or(to, |at| at.0);
    assert_eq!(found, model.rows(series, from, end));
    assert!(found.len() <= limit.max(1) + 10, "of one instant there are some more");
    assert!(part.next.is_none_or(|next| from < next.0 && next.0 < to));

    let buckets = reader.buckets(id, At(from), At(to), parts).unwrap();
    assert_eq!(buckets.len(), parts);
    assert_eq!((buckets[0].from.0, buckets[parts - 1].to.0), (from, to));
    for bucket in &buckets {
        assert_agrees(&bucket.summary, &model.summary(series, bucket.from.0, bucket.to.0));
    }

    let days = reader.days(id, At(from), At(to)).unwrap();
    let mut at = from;
    let mut expected = Vec::new();
    while at < to {
        let (start, end) = crate::model::time::local_day(At(at), zone);
        let summary = model.summary(series, start.0, end.0);
        if summary.count > 0 {
            expected.push((start, end, summary));
        }
        at = end.0;
    }
    assert_eq!(days.len(), expected.len());
    for (day, (start, end, summary)) in days.iter().zip(&expected) {
        assert_eq!((day.from, day.to), (*start, *end));
        assert_agrees(&day.summary, summary);
    }
}

fn run(steps: &[Step]) {
    let dir = tempfile::tempdir().unwrap();
    let mut options = StoreOptions::new(dir.path(), ZONE);
    options.side_log_bytes = 256 << 10;
    // So that one question takes several looks.
    options.look_blocks_max = 2;
    let (mut store, _) = Store::open(&options).unwrap();
    let mut model = Model::default();
    for i in 0..3 {
        assert_eq!(store.series(&probe(&format!("k{i}"))).unwrap(), SeriesId(i));
    }
    let append = |store: &mut Store, model: &mut Model, readings: Vec<NewReading>| {
        let expected: Vec<Fate> = readings.iter().map(|reading| model.add(reading)).collect();
        assert_eq!(store.append(&readings).unwrap(), expected);
    };
    for step in steps {
        match step {
            Step::Append(rows) => {
                let readings =
                    rows.iter().map(|(s, minute, jitter, value)| reading(*s, *minute, *jitter, *value));
                append(&mut store, &mut model, readings.collect());
            }
            Step::Run(series, first, n) => {
                let jitter = |i: i64| (i * 7_919) % 2_001 - 1_000;
                let value = |i: i64| 800 + i32::try_from(i % 13 + i / 300).unwrap();
                let readings =
                    (0..*n).map(|i| reading(*series, first + i, jitter(first + i), value(first + i)));
                append(&mut store, &mut model, readings.collect());
            }
            Step::Seal => while store.seal(At(MAY)).unwrap().more {},
            Step::SealSlice => drop(store.seal(At(MAY)).unwrap()),
            Step::Restart | Step::OtherZone => {
                drop(store);
                if matches!(step, Step::OtherZone) {
                    options.zone = if options.zone == ZONE { chrono_tz::Asia::Kathmandu } else { ZONE };
                }
                store = Store::open(&options).unwrap().0;
                for i in 0..3 {
                    store.series(&probe(&format!("k{i}"))).unwrap();
                }
            }
            Step::Look { .. } => look(&store.reader(), &model, options.zone, step),
        }
    }
    assert_holds(&store.reader(), &model);
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 60, ..ProptestConfig::default() })]

    #[test]
    fn any_sequence_agrees_with_the_map(steps in steps()) {
        run(&steps);
    }
}
