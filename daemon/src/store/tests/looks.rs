//! Who reads holds nothing up: each call lets its transaction go soon, whatever it was asked for, and gives no more than
//! it may.

use std::time::{Duration, Instant};

use super::*;
use crate::limits::RANGE_READINGS_MAX;
use crate::store::view::View;

/// What a call may take, and so hold a transaction.
const LOOK_MAX: Duration = Duration::from_secs(1);
const MINUTE: i64 = 60_000;
const COUNT: i64 = 420_000;
/// A document whose older versions are dead space, unless somebody still looks at them.
const DOCUMENT_BYTES: usize = 60_000;
const VERSIONS: usize = 120;

/// A number that looks random and is the same each time.
fn noise(i: i64) -> i64 {
    let x = i.cast_unsigned().wrapping_add(1).wrapping_mul(0x9E37_79B9_7F4A_7C15);
    ((x ^ (x >> 29)).wrapping_mul(0xBF58_476D_1CE4_E5B9) >> 40).cast_signed()
}

/// Eight tenths of a year of minutes, sealed, and some hours that are not.
fn year() -> (Bench, SeriesId) {
    let mut bench = Bench::new();
    let k1 = bench.store.series(&probe("k1")).unwrap();
    let value = |i: i64| 40.0 + f64::from(i32::try_from(noise(i) % 4 + i % 16_000 / 100).unwrap()) * 0.0625;
    let rows: Vec<(i64, f64)> = (0..COUNT).map(|i| (MAY + i * MINUTE + noise(i) % 3_001, value(i))).collect();
    let (sealed, rest) = rows.split_at(rows.len() - 300);
    bench.append(k1, sealed);
    while bench.store.seal(At(MAY)).unwrap().more {}
    bench.append(k1, rest);
    (bench, k1)
}

fn timed<T>(slowest: &mut Duration, look: impl FnOnce() -> T) -> T {
    let begun = Instant::now();
    let found = look();
    *slowest = (*slowest).max(begun.elapsed());
    found
}

/// Writes a document again and again; by how much the database has grown.
fn growth(bench: &mut Bench) -> u64 {
    let bytes = |bench: &Bench| bench.store.reader().sizes().unwrap().database_bytes;
    let before = bytes(bench);
    for version in 0..VERSIONS {
        let document = vec![u8::try_from(version % 256).unwrap(); DOCUMENT_BYTES];
        bench.store.transact(|tx| tx.put_document("large", &document)).unwrap();
    }
    bytes(bench) - before
}

#[test]
fn a_slow_reader_of_everything_gets_bounded_pages_and_keeps_no_transaction() {
    let (mut bench, k1) = year();
    growth(&mut bench);
    let reader = bench.store.reader();
    let (mut slowest, mut found, mut pages, mut next) = (Duration::ZERO, 0, 0, Some(At(0)));
    while let Some(from) = next {
        let page = timed(&mut slowest, || reader.range(k1, from, At::MAX, usize::MAX).unwrap());
        assert!(page.readings.len() <= RANGE_READINGS_MAX, "{}", page.readings.len());
        (found, pages, next) = (found + page.readings.len(), pages + 1, page.next);
        // While the reader thinks about its page, others write.
        if pages <= 2 {
            let grown = growth(&mut bench);
            assert!(grown < 2_000_000, "{grown} bytes of dead pages could not be used again");
        }
    }
    assert_eq!((i64::try_from(found), pages >= 5), (Ok(COUNT), true), "{pages} pages");
    // A look that is not let go does keep them: this is what is avoided.
    let held = View::new(&bench.store.shared, k1, At(0), At::MAX).unwrap();
    let grown = growth(&mut bench);
    assert!(grown > 4_000_000, "{grown}");
    drop(held);
    assert!(slowest < LOOK_MAX, "{slowest:?}");
}

#[test]
fn questions_about_everything_are_answered_in_looks_of_bounded_length() {
    let (bench, k1) = year();
    let (reader, mut slowest) = (bench.store.reader(), Duration::ZERO);
    let whole = timed(&mut slowest, || reader.buckets(k1, At(0), At(MAY + COUNT * MINUTE * 2), 1).unwrap());
    assert_eq!(whole[0].summary.count, u64::try_from(COUNT).unwrap());
    let many =
        timed(&mut slowest, || reader.buckets(k1, At(0), At(MAY + COUNT * MINUTE * 2), 9_999).unwrap());
    assert_eq!(many.iter().map(|bucket| bucket.summary.count).sum::<u64>(), u64::try_from(COUNT).unwrap());
    let days = timed(&mut slowest, || reader.days(k1, At(0), At::MAX).unwrap());
    assert_eq!(days.iter().map(|day| day.summary.count).sum::<u64>(), u64::try_from(COUNT).unwrap());
    assert!(slowest < LOOK_MAX, "{slowest:?}");
}

#[test]
fn one_look_takes_so_many_blocks_and_the_next_goes_on_where_it_stopped() {
    let (bench, k1) = year();
    let Bench { dir, store } = bench;
    drop(store);
    let mut options = StoreOptions::new(dir.path(), ZONE);
    options.look_blocks_max = 3;
    let (store, _) = Store::open(&options).unwrap();
    let (reader, blocks) = (store.reader(), store.reader().sizes_in_full().unwrap());
    assert!(blocks.blocks > 100 && blocks.sealed == u64::try_from(COUNT - 300).unwrap(), "{blocks:?}");
    let page = reader.range(k1, At(0), At::MAX, usize::MAX).unwrap();
    let per_block = usize::try_from(blocks.sealed / blocks.blocks).unwrap();
    assert!((per_block..per_block * 5).contains(&page.readings.len()), "{} readings", page.readings.len());
    assert_eq!(page.next, page.readings.last().map(|last| At(last.at.0 + 1)));
    let bounds = [At(0), At(MAY + 1_000 * MINUTE), At(MAY + 1_000 * MINUTE), At(MAY + COUNT * MINUTE * 2)];
    let counts = reader.buckets_at(k1, &bounds).unwrap().iter().map(|b| b.summary.count).collect::<Vec<_>>();
    assert_eq!(counts, [1_000, 0, u64::try_from(COUNT).unwrap() - 1_000]);
}
