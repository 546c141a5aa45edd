//! Blocks come back bit for bit, whatever is in them.

#![expect(
    clippy::cast_possible_truncation,
    clippy::cast_possible_wrap,
    clippy::cast_precision_loss,
    clippy::cast_sign_loss,
    reason = "small numbers of test data"
)]

use proptest::prelude::*;

use super::*;
use crate::limits::BLOCK_BYTES_MAX;

const MAY: i64 = 1_777_647_600_000;

fn minutes(n: usize, jitter: impl Fn(usize) -> i64, value: impl Fn(usize) -> f64) -> Vec<Row> {
    let at = |i: usize| MAY + i64::try_from(i).unwrap() * 60_000 + jitter(i);
    (0..n).map(|i| Row { at: at(i), value: value(i) }).collect()
}

/// A number that looks random and is the same each time.
fn noise(i: usize) -> usize {
    let x = (i as u64 + 1).wrapping_mul(0x9E37_79B9_7F4A_7C15);
    usize::try_from((x ^ (x >> 29)).wrapping_mul(0xBF58_476D_1CE4_E5B9) >> 40).unwrap()
}

fn temperature(i: usize) -> f64 {
    55.0 + (noise(i) % 4) as f64 * 0.0625 + (i / 300) as f64 * 0.125
}

fn returns(rows: &[Row], effort: Effort) -> Vec<u8> {
    let bytes = encode(7, rows, effort);
    let block = Block::open(7, rows[0].at, &bytes).unwrap();
    assert_eq!(block.rows().unwrap(), rows);
    assert_eq!((block.count, block.last), (rows.len(), rows[rows.len() - 1].at));
    let bits = |rows: &[Row]| rows.iter().map(|row| row.value.to_bits()).collect::<Vec<_>>();
    assert_eq!(bits(&block.rows().unwrap()), bits(rows));
    bytes
}

#[test]
fn ordinary_blocks_come_back_and_are_short() {
    let jittered = minutes(2_000, |i| (noise(i) % 3_001) as i64 - 1_500, temperature);
    let length = |rows: &[Row], effort| returns(rows, effort).len();
    assert!(length(&jittered, Effort::Full) < 2_000 * 190 / 100);
    assert!(length(&jittered, Effort::Quick) < 2_000 * 190 / 100);
    let regular = minutes(2_000, |_| 0, temperature);
    assert!(length(&regular, Effort::Full) < 2_000 * 45 / 100);
    let constant = minutes(10_000, |_| 0, |_| 21.5);
    assert!(length(&constant, Effort::Full) < 100);
    returns(&minutes(1, |_| 0, |_| -40.0), Effort::Full);
    returns(&minutes(2, |_| 0, |_| 1e300), Effort::Quick);
    returns(&minutes(600, |_| 0, |i| f64::from_bits(noise(i) as u64 | 0x4000_0000_0000_0000)), Effort::Full);
    returns(
        &minutes(600, |i| (noise(i) % 900_000_000) as i64 * i64::from(i == 599), temperature),
        Effort::Full,
    );
}

#[test]
fn a_block_under_another_key_is_refused() {
    let rows = minutes(100, |_| 0, temperature);
    let bytes = encode(7, &rows, Effort::Full);
    assert!(Block::open(8, rows[0].at, &bytes).is_err());
    assert!(Block::open(7, rows[0].at + 1, &bytes).is_err());
    for i in 0..bytes.len() {
        let mut damaged = bytes.clone();
        damaged[i] ^= 16;
        assert!(Block::open(7, rows[0].at, &damaged).is_err(), "byte {i}");
    }
}

/// The head alone answers for a bucket that holds the whole block: here nothing behind it could be decoded.
#[test]
fn a_block_within_one_bucket_is_not_decoded() {
    let rows = minutes(700, |i| (noise(i) % 3_001) as i64 - 1_500, temperature);
    let mut bytes = encode(7, &rows, Effort::Full);
    let whole = Block::open(7, rows[0].at, &bytes).unwrap().summary;
    let end = bytes.len();
    bytes[60..end].fill(255);
    let head = [bytes[0], bytes[1], bytes[2]];
    let sum = check(7, rows[0].at, head, &bytes[HEAD + CHECK..]).to_le_bytes();
    bytes[HEAD..HEAD + CHECK].copy_from_slice(&sum);
    let block = Block::open(7, rows[0].at, &bytes).unwrap();
    let mut summaries = [Summary::EMPTY; 2];
    block.add_to(&[MAY - 60_000, MAY + 700 * 60_000, i64::MAX], &mut summaries).unwrap();
    assert_eq!(summaries, [whole, Summary::EMPTY]);
    assert!(block.add_to(&[MAY, MAY + 300 * 60_000, i64::MAX], &mut summaries).is_err());
}

#[test]
fn blocks_fill_their_page_and_never_split_an_instant() {
    let rows = minutes(30_000, |i| (noise(i) % 3_001) as i64 - 1_500, temperature);
    let blocks = cut(7, &rows, COUNT_GUESS);
    assert!(blocks.iter().all(|b| b.bytes.len() <= BLOCK_BYTES_MAX));
    let full = &blocks[..blocks.len() - 1];
    let filled: usize = full.iter().map(|b| b.bytes.len()).sum();
    assert!(filled > full.len() * (BLOCK_BYTES_MAX - 30), "{} of {}", filled, full.len() * BLOCK_BYTES_MAX);
    let back: Vec<Row> =
        blocks.iter().flat_map(|b| Block::open(7, b.first, &b.bytes).unwrap().rows().unwrap()).collect();
    assert_eq!(back, rows);

    let twins: Vec<Row> = (0..4_000)
        .map(|i| Row {
            at: MAY + i / 200 * 60_000,
            value: f64::from_bits(noise(i as usize) as u64 + (1 << 61)),
        })
        .collect();
    for blocks in [cut(7, &twins, 2_250), cut_evenly(7, &twins)] {
        assert!(blocks.len() > 2);
        assert!(blocks.iter().all(|b| b.bytes.len() <= BLOCK_BYTES_MAX && b.count % 200 == 0));
    }
}

/// Any rows: schedules with gaps, bursts and random instants, decimals and any finite float, equal instants.
fn any_rows(max: usize) -> impl Strategy<Value = Vec<Row>> {
    let gap = prop_oneof![
        8 => Just(60_000_i64),
        4 => 58_500_i64..61_500,
        1 => Just(0_i64),
        1 => 0_i64..10_000_000_000,
    ];
    let finite = any::<f64>().prop_map(|x| if x.is_finite() { x + 0.0 } else { 1.0 });
    let value = prop_oneof![
        8 => (-800_i32..2_000).prop_map(|q| f64::from(q) * 0.0625),
        4 => (-400_i32..1_100).prop_map(|q| f64::from(q) / 10.0),
    ];
    let floats = prop::collection::vec((gap.clone(), finite), 1..max);
    let decimals = prop::collection::vec((gap, value), 1..max);
    prop_oneof![1 => floats, 3 => decimals].prop_map(|steps| {
        let mut at = MAY;
        let rows = steps.into_iter().map(|(gap, value)| {
            at += gap;
            Row { at, value }
        });
        rows.collect()
    })
}

/// What a block says between bounds, by looking at each row.
fn summed(rows: &[Row], from: i64, to: i64) -> Summary {
    let mut summary = Summary::EMPTY;
    let alone = |row: &Row| rows.iter().filter(|other| other.at == row.at).count() == 1;
    rows.iter()
        .filter(|row| (from..to).contains(&row.at) && alone(row))
        .for_each(|row| summary.add(row.value));
    summary
}

fn agree(a: &Summary, b: &Summary) -> bool {
    let close = (a.sum - b.sum).abs() <= 1e-9 * (1.0 + a.sum.abs()) || a.sum.to_bits() == b.sum.to_bits();
    // The sum of huge floats depends on their order; nothing else does.
    let huge = a.max.abs() > 1e12 || a.min.abs() > 1e12;
    a.count == b.count
        && a.min.to_bits() == b.min.to_bits()
        && a.max.to_bits() == b.max.to_bits()
        && (close || huge)
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 150, ..ProptestConfig::default() })]

    #[test]
    fn any_rows_come_back(rows in any_rows(600), full in any::<bool>()) {
        returns(&rows, if full { Effort::Full } else { Effort::Quick });
    }

    #[test]
    fn any_part_is_the_part(rows in any_rows(300), full in any::<bool>(), a in 0.0..1.1_f64, b in 0.0..1.1_f64) {
        let bytes = encode(7, &rows, if full { Effort::Full } else { Effort::Quick });
        let block = Block::open(7, rows[0].at, &bytes).unwrap();
        let span = (block.last - block.first + 1) as f64;
        let from = block.first - 5 + (a * span) as i64;
        let to = from + (b * span) as i64;
        let mut out = Vec::new();
        block.fill(from, to, &mut out).unwrap();
        let part: Vec<Row> = rows.iter().copied().filter(|row| (from..to).contains(&row.at)).collect();
        prop_assert_eq!(out.iter().map(|r| Row { at: r.at.0, value: r.value }).collect::<Vec<_>>(), part);
        for r in &out {
            prop_assert_eq!(r.conflict, rows.iter().filter(|row| row.at == r.at.0).count() > 1);
        }
        let bounds = [from, from + (to - from) / 3, from + (to - from) / 3 * 2, to];
        let mut summaries = [Summary::EMPTY; 3];
        block.add_to(&bounds, &mut summaries).unwrap();
        for (pair, summary) in bounds.windows(2).zip(&summaries) {
            prop_assert!(agree(summary, &summed(&rows, pair[0], pair[1])), "{:?} {:?}", pair, summary);
        }
        let mut whole = [Summary::EMPTY];
        block.add_to(&[i64::MIN, i64::MAX], &mut whole).unwrap();
        prop_assert!(agree(&whole[0], &summed(&rows, i64::MIN, i64::MAX)));
        prop_assert!(agree(&whole[0], &block.summary));
    }
}
