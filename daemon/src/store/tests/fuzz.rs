//! Random damage from a seed, for whatever is read back from the card: blocks, rows of the day table, frames of the side
//! log, day files. No panic, no memory beyond what a block may hold, and what is given out is what was written or passes
//! for it in every respect.
//!
//! Blocks are worked on for `HEAPWARD_STORE_FUZZ_SECONDS` (5 by itself; `tests/run` takes two minutes), the others for a
//! quarter of it each. `HEAPWARD_SEED` repeats a run.

use std::time::{Duration, Instant};

use redb::StorageBackend as _;
use redb::backends::InMemoryBackend;

use super::*;
use crate::limits::BLOCK_READINGS_MAX;
use crate::store::block::{Block, Effort, Row, encode};
use crate::store::record::Head;

/// What decoding may take beside what the test itself holds: a length that is taken at its word would be gigabytes.
const MEMORY_MIB_MAX: u64 = 96;
const SERIES: u32 = 7;

/// xorshift64*.
struct Dice(u64);

// === impl Dice ===

impl Dice {
    fn new(what: &str) -> Dice {
        let given = std::env::var("HEAPWARD_SEED").ok().and_then(|text| text.parse().ok());
        let seed = given.unwrap_or_else(|| u64::from(std::process::id()) << 20 | 0x5eed);
        println!("{what}: HEAPWARD_SEED={seed}");
        Dice(seed | 1)
    }

    fn next(&mut self) -> u64 {
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        self.0.wrapping_mul(0x2545_f491_4f6c_dd1d)
    }

    fn below(&mut self, n: usize) -> usize {
        usize::try_from(self.next() % u64::try_from(n.max(1)).unwrap()).unwrap()
    }

    fn byte(&mut self) -> u8 {
        self.next().to_le_bytes()[3]
    }

    /// Changes some bytes; half of the changes hit the first sixty, where heads are.
    fn damage(&mut self, bytes: &mut Vec<u8>) {
        for _ in 0..=self.below(5) {
            if bytes.is_empty() {
                bytes.push(self.byte());
            }
            let reach = if self.below(2) == 0 { bytes.len().min(60) } else { bytes.len() };
            let at = self.below(reach);
            match self.below(10) {
                0 => bytes.truncate(at),
                1 => bytes.insert(at, self.byte()),
                2 => bytes[at] = 255,
                3 => bytes[at] = 0,
                4 => bytes[at] = self.byte(),
                5 => {
                    bytes.remove(at);
                }
                6 => {
                    let part: Vec<u8> = bytes[at..].iter().copied().take(40).collect();
                    let to = self.below(bytes.len());
                    bytes.splice(to..to, part);
                }
                _ => bytes[at] ^= 1 << self.below(8),
            }
        }
    }
}

fn seconds() -> u64 {
    let given = std::env::var("HEAPWARD_STORE_FUZZ_SECONDS");
    given.ok().and_then(|text| text.parse().ok()).unwrap_or(5)
}

/// Most memory that this process has had so far.
fn peak_mib() -> u64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap();
    let line = status.lines().find(|line| line.starts_with("VmHWM:")).unwrap();
    line.split_whitespace().nth(1).unwrap().parse::<u64>().unwrap() / 1_024
}

/// Calls `once` until the time is over. Where each test has a process of its own (cargo-nextest), the memory counts.
fn repeat(share: u64, mut once: impl FnMut(u64)) -> u64 {
    let (before, end) = (peak_mib(), Instant::now() + Duration::from_millis(seconds() * 1_000 / share));
    let mut n = 0;
    while Instant::now() < end {
        for _ in 0..50 {
            once(n);
            n += 1;
        }
    }
    let taken = peak_mib() - before;
    println!("{n} times, {taken} MiB");
    assert!(taken < MEMORY_MIB_MAX || std::env::var_os("NEXTEST").is_none(), "{taken} MiB");
    n
}

/// Rows of many kinds: jittered and regular minutes, gaps, twins, decimals, any floats, one row.
fn rows(dice: &mut Dice) -> Vec<Row> {
    let (kind, values) = (dice.below(5), dice.below(4));
    let count = [1, 2, 40, 700, 3_000][dice.below(5)];
    let (mut at, mut rows) = (MAY, Vec::with_capacity(count));
    for i in 0..count {
        let small = |dice: &mut Dice, n| i64::try_from(dice.below(n)).unwrap();
        let step = match kind {
            1 => 58_500 + small(dice, 3_001),
            2 if i % 97 == 5 => 40_000_000,
            3 if i % 9 == 3 => 0,
            4 => small(dice, 5_000_000_000),
            _ => 60_000,
        };
        at += if i == 0 { 0 } else { step };
        let step = f64::from(i32::try_from(dice.below(300)).unwrap());
        let value = match values {
            0 => 40.0 + step * 0.0625,
            1 => step / 10.0,
            2 => 21.5,
            _ => {
                f64::from_bits(0x4000_0000_0000_0000 | dice.next() >> 8)
                    + f64::from(u32::try_from(i).unwrap())
            }
        };
        // A conflict has different values.
        let value = if kind == 3 { value + f64::from(u32::try_from(i).unwrap()) } else { value };
        rows.push(Row { at, value });
    }
    rows
}

/// Puts the right check into a damaged block: what a mistake of ours could write.
fn put_check(bytes: &mut [u8]) {
    if bytes.len() < 7 {
        return;
    }
    let mut crc = crc32fast::Hasher::new();
    crc.update(&SERIES.to_le_bytes());
    crc.update(&MAY.to_le_bytes());
    crc.update(&bytes[..3]);
    crc.update(&bytes[7..]);
    let check = crc.finalize().to_le_bytes();
    bytes[3..7].copy_from_slice(&check);
}

/// Asks a block everything; what it says about all of it must hold together. Whether it could be read.
fn ask(bytes: &[u8]) -> bool {
    let Ok(block) = Block::open(SERIES, MAY, bytes) else { return false };
    assert!(block.count <= BLOCK_READINGS_MAX);
    let mut part = Vec::new();
    let middle = block.first.midpoint(block.last);
    if block.fill(middle, block.last, &mut part).is_ok() {
        assert!(part.is_sorted_by_key(|reading| reading.at));
        assert!(part.iter().all(|reading| (middle..block.last).contains(&reading.at.0)));
    }
    let _ = block.add_to(&[MAY, MAY + 500_000, MAY + 9_000_000], &mut [Summary::EMPTY; 2]);
    let Ok(rows) = block.rows() else { return false };
    assert_eq!((rows.len(), rows[0].at, rows[rows.len() - 1].at), (block.count, MAY, block.last));
    assert!(rows.is_sorted_by_key(|row| row.at) && rows.iter().all(|row| row.value.is_finite()));
    let again = encode(SERIES, &rows, Effort::Quick);
    assert_eq!(Block::open(SERIES, MAY, &again).unwrap().rows().unwrap(), rows);
    true
}

#[test]
fn no_bytes_make_the_reader_of_blocks_panic_or_believe_what_does_not_hold_together() {
    let mut dice = Dice::new("blocks");
    let samples: Vec<Vec<u8>> = (0..60)
        .map(|i| encode(SERIES, &rows(&mut dice), if i % 2 == 0 { Effort::Full } else { Effort::Quick }))
        .collect();
    assert!(samples.iter().all(|sample| ask(sample)));
    let (mut refused, mut read) = (0_u64, 0_u64);
    let runs = repeat(1, |n| {
        let sample = &samples[dice.below(samples.len())];
        let mut bytes = sample.clone();
        if n % 16 == 0 {
            bytes = (0..dice.below(5_000)).map(|_| dice.byte()).collect();
        } else {
            dice.damage(&mut bytes);
        }
        if bytes != *sample {
            assert!(Block::open(SERIES, MAY, &bytes).is_err(), "damage that the check has not seen");
        }
        if let Some(version) = bytes.first_mut() {
            *version = 1;
        }
        put_check(&mut bytes);
        if ask(&bytes) { read += 1 } else { refused += 1 }
    });
    println!("blocks: {runs} damaged, {refused} refused, {read} read");
    assert!(refused > 0 && read > 0);
}

fn frame(dice: &mut Dice) -> Frame {
    let name = |n: usize| (SeriesId(u32::try_from(n).unwrap()), format!("temperature C k{n}"));
    let names = (0..dice.below(4)).map(name).collect();
    let mut reading = || NewReading {
        series: SeriesId(u32::try_from(dice.below(1_000)).unwrap()),
        at: At(MAY + i64::try_from(dice.below(1 << 40)).unwrap()),
        value: f64::from(u32::try_from(dice.below(4_000)).unwrap()) * 0.0625,
    };
    let readings = (0..[1, 3, 900][n_of(&mut reading)]).map(|_| reading()).collect();
    Frame { names, readings }
}

/// A number from 0 to 2 out of a reading, so that frames differ in length.
fn n_of(reading: &mut impl FnMut() -> NewReading) -> usize {
    usize::try_from(reading().at.0 % 3).unwrap()
}

#[test]
fn no_bytes_make_the_reader_of_frames_and_days_panic() {
    let mut dice = Dice::new("frames");
    let samples: Vec<Vec<u8>> = (0..40).map(|_| frame(&mut dice).encode()).collect();
    repeat(4, |n| {
        let mut bytes = samples[dice.below(samples.len())].clone();
        dice.damage(&mut bytes);
        if let Ok(frame) = Frame::decode(&bytes) {
            assert_eq!(
                Frame::decode(&frame.encode()).map(|back| back.readings.len()).ok(),
                Some(frame.readings.len())
            );
        }
        let summary = Summary { count: n, min: 40.0625, max: 71.5, sum: 1.0 / 3.0 };
        let mut row = days::encode(3, &[(384, summary), (401, Summary { max: 71.3, sum: 900.4, ..summary })]);
        dice.damage(&mut row);
        if let Ok(days) = days::decode(3, &row) {
            assert!(
                days.iter().all(|(day, _)| (384..512).contains(day))
                    && days.is_sorted_by_key(|(day, _)| *day)
            );
        }
    });
}

/// A side log in memory, damaged here and there: what it gives is the beginning of what was written, and where it stops
/// without a word nothing readable lies behind.
#[test]
fn a_damaged_side_log_gives_what_was_written_or_says_that_it_is_damaged() {
    let mut dice = Dice::new("side log");
    let (mut said, mut whole) = (0_u64, 0_u64);
    repeat(4, |_| {
        let payloads: Vec<Vec<u8>> = (0..=dice.below(6)).map(|_| frame(&mut dice).encode()).collect();
        let memory = || {
            let file = Box::new(InMemoryBackend::new());
            file.set_len(1 << 17).unwrap();
            file
        };
        let (mut log, mut ends) = (SideLog::open(memory(), 1 << 17, 0, 3, |_| Ok(())).unwrap(), vec![0]);
        for payload in &payloads {
            log.append(payload).unwrap();
            ends.push(log.sizes().0);
        }
        let file = log.into_file();
        let mut bytes = vec![0; 1 << 17];
        file.read(0, &mut bytes).unwrap();
        let mut touched = vec![false; payloads.len()];
        for _ in 0..=dice.below(3) {
            let end = usize::try_from(ends[payloads.len()]).unwrap();
            let (at, was) = (dice.below(end), bytes.clone());
            match dice.below(3) {
                0 => bytes[at] = dice.byte(),
                1 => bytes[at] ^= 1 << dice.below(8),
                _ => bytes[at / 4_096 * 4_096..][..4_096].fill(0),
            }
            let page = (at / 4_096 * 4_096) as u64;
            let hit = ends.partition_point(|end| *end <= page) - 1;
            touched[hit] |= was != bytes;
        }
        let damaged = memory();
        damaged.write(0, &bytes).unwrap();
        let mut given = Vec::new();
        let opened = SideLog::open(damaged, 1 << 17, 1 << 17, 3, |payload| {
            given.push(payload.to_vec());
            Ok(())
        });
        assert_eq!(given, payloads[..given.len()]);
        match opened {
            Ok(_) => {
                assert!(touched[given.len()..].iter().all(|touched| *touched), "{touched:?} {}", given.len());
                whole += 1;
            }
            Err(error) => {
                assert!(error.is_damage() && touched.contains(&true), "{error}");
                said += 1;
            }
        }
    });
    assert!(said > 0 && whole > 0);
}

#[test]
fn no_text_makes_the_reader_of_day_files_panic_or_take_it_for_another() {
    let mut dice = Dice::new("day files");
    let section = |n: usize| Section {
        seq: n as u64,
        day: chrono::NaiveDate::from_num_days_from_ce_opt(739_700 + i32::try_from(n).unwrap()).unwrap(),
        prev: Digest::of(&n.to_le_bytes()),
        readings: n as u64 * 1_440,
        readings_digest: Digest::of(b"readings"),
        late: vec!["2026-05-10T11:00:00.000Z 57.0625 temperature C k1".to_owned(); n % 3],
        piles: vec![r#"{"id":"2026-03"}"#.to_owned(); n % 2],
        entries: vec![r#"{"seq":1,"note":"\u00e4 \"turned\""}"#.to_owned(); n % 4],
    };
    let texts: Vec<String> = (1..20).map(|n| section(n).text() + &section(n + 1).text()).collect();
    let head = Head { seq: 42, digest: Digest::of(b"day") }.text();
    let mut read = 0_u64;
    repeat(4, |_| {
        let text = &texts[dice.below(texts.len())];
        let mut bytes = text.clone().into_bytes();
        dice.damage(&mut bytes);
        if let Ok(damaged) = std::str::from_utf8(&bytes)
            && let Ok((section, rest)) = Section::parse(damaged)
        {
            let taken = &damaged[..damaged.len() - rest.len()];
            // What is believed is what the digest is taken of: any change of it is a change of the digest.
            let (before, _) = Section::parse(text).unwrap();
            let was = &text[..before.text().len()];
            assert_eq!(Digest::of(taken.as_bytes()) == Digest::of(was.as_bytes()), taken == was);
            assert!(taken == was || section != before || section.text() != taken, "{taken}");
            assert_eq!(Section::parse(&section.text()), Ok((section, "")));
            read += 1;
        }
        let mut bytes = head.clone().into_bytes();
        dice.damage(&mut bytes);
        if let Some(head) = std::str::from_utf8(&bytes).ok().and_then(Head::parse) {
            assert_eq!(Head::parse(&head.text()), Some(head));
        }
    });
    assert!(read > 0);
}
