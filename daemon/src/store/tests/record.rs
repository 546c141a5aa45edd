//! The sealed days: chain, lateness, crash between the files, an older store, attacks.

#![expect(clippy::cast_precision_loss, reason = "small numbers of test data")]

use std::fs;

use chrono::NaiveDate;

use super::records::entry;
use super::*;
use crate::model::entry::Event;
use crate::store::record::{Digest, RecordState};

const HOUR: i64 = 3_600_000;
const DAY: i64 = 24 * HOUR;
/// 2026-05-01T00:00:00Z.
const MIDNIGHT: i64 = MAY - 15 * HOUR;

fn seal_all(bench: &mut Bench, now: i64) {
    while bench.store.seal(At(now)).unwrap().more {}
}

/// Three probes, a reading every ten minutes, for some days from the first of May.
fn fill(bench: &mut Bench, days: std::ops::Range<i64>) {
    for name in ["k1", "k2", "k3"] {
        let id = bench.store.series(&probe(name)).unwrap();
        let rows: Vec<(i64, f64)> = (days.start * 144..days.end * 144)
            .map(|i| (MIDNIGHT + i * 600_000 + 7, 50.0 + (i % 9) as f64))
            .collect();
        bench.append(id, &rows);
    }
    for day in days {
        let at = MIDNIGHT + day * DAY + 9 * HOUR;
        bench.store.transact(|tx| tx.append_entry(entry(Some("2026-03"), at, Event::Turned))).unwrap();
    }
}

fn date(day: u32) -> NaiveDate {
    NaiveDate::from_ymd_opt(2026, 5, day).unwrap()
}

fn record_file(bench: &Bench) -> PathBuf {
    bench.dir.path().join("record/2026-05.txt")
}

/// Eight days of readings, of which five are sealed.
fn sealed() -> Bench {
    let mut bench = Bench::new();
    fill(&mut bench, 0..8);
    // Day 5 ends with the 5th hour of day 6 and 26 h 10 min later; a minute before that four are sealed.
    seal_all(&mut bench, MIDNIGHT + 5 * DAY + 26 * HOUR + 9 * 60_000);
    assert_eq!(bench.store.reader().head().unwrap().unwrap().seq, 4);
    seal_all(&mut bench, MIDNIGHT + 5 * DAY + 26 * HOUR + 10 * 60_000);
    assert_eq!(bench.store.reader().head().unwrap().unwrap().seq, 5);
    bench
}

fn doubts(bench: &Bench) -> Vec<String> {
    let check = bench.store.reader().check_record().unwrap();
    check.doubts.into_iter().map(|doubt| format!("{} {:?} {}", doubt.file, doubt.day, doubt.what)).collect()
}

#[test]
fn days_are_sealed_when_nothing_more_is_expected_of_them() {
    let bench = sealed();
    let check = bench.store.reader().check_record().unwrap();
    assert_eq!((check.sections, check.days, check.doubts), (5, Some((date(1), date(5))), vec![]));
    let text = fs::read_to_string(record_file(&bench)).unwrap();
    let sections: Vec<&str> = text.split_inclusive("end ").collect();
    assert_eq!(sections.len(), 6);
    assert!(text.starts_with(&format!("seq 1\nday 2026-05-01\nprev {}\nreadings 432 ", "0".repeat(64))));
    assert_eq!(text.matches("\nentry ").count(), 5);
    let head = fs::read_to_string(bench.dir.path().join("HEAD")).unwrap();
    let last = text.rfind("seq 5\n").unwrap();
    assert_eq!(head, format!("head 5 {}\n", Digest::of(&text.as_bytes()[last..])));
    // What a section has only as a digest can be printed and compared.
    let reader = bench.store.reader();
    let readings = reader.readings_of_day(date(3), |key| key.probe.as_str() != "k2").unwrap();
    assert!(text.contains(&format!("readings 432 {}\n", Digest::of(readings.list.as_bytes()))));
    assert_eq!(readings.list.lines().count(), 3);
    let files: Vec<&str> = readings.texts.iter().map(|series| series.file.as_str()).collect();
    assert_eq!(files, ["temperature-C-k1.txt", "temperature-C-k3.txt"]);
    for series in &readings.texts {
        let line = format!("{}  {}\n", Digest::of(series.text.as_bytes()), series.file);
        assert!(readings.list.contains(&line));
        assert!(series.text.contains("\n2026-05-03T00:00:00.007Z 50\n"), "{}", series.text);
    }
    let days = reader.sealed_days(date(2), date(4)).unwrap();
    assert_eq!(days.iter().map(|day| day.section.seq).collect::<Vec<_>>(), [2, 3, 4]);
    assert!(days.windows(2).all(|pair| pair[1].section.prev == pair[0].digest));
    assert!(days.iter().all(|day| text.contains(&day.text) && day.digest == Digest::of(day.text.as_bytes())));
}

#[test]
fn a_clock_that_is_wrong_by_years_seals_nothing_that_is_not_over() {
    let mut bench = Bench::new();
    fill(&mut bench, 0..3);
    seal_all(&mut bench, MIDNIGHT + 3_000 * DAY);
    assert_eq!(bench.store.reader().head().unwrap().unwrap().seq, 2);
}

#[test]
fn late_readings_are_listed_by_the_next_section_and_the_old_one_still_holds() {
    let mut bench = sealed();
    let k2 = bench.store.series(&probe("k2")).unwrap();
    let late = [(MIDNIGHT + DAY + 5, 66.5), (MIDNIGHT + DAY + 600_007, 99.0), (MIDNIGHT + 6 * DAY + 5, 1.0)];
    assert_eq!(bench.append(k2, &late), [Fate::New, Fate::Conflict, Fate::New]);
    seal_all(&mut bench, MIDNIGHT + 5 * DAY + 27 * HOUR);
    assert_eq!(doubts(&bench), [""; 0]);
    let mut bench = bench.reopen();
    seal_all(&mut bench, MIDNIGHT + 8 * DAY);
    assert_eq!(doubts(&bench), [""; 0]);
    let text = fs::read_to_string(record_file(&bench)).unwrap();
    let lines: Vec<&str> = text.lines().filter(|line| line.starts_with("late ")).collect();
    assert_eq!(
        lines,
        [
            "late 2026-05-02T00:00:00.005Z 66.5 temperature C k2",
            "late 2026-05-02T00:10:00.007Z 99 temperature C k2"
        ]
    );
}

#[test]
fn two_stores_that_were_fed_the_same_have_the_same_head() {
    let (a, mut b) = (sealed(), Bench::new());
    // The other way round, in pieces, with repetitions and a restart.
    for name in ["k1", "k2", "k3"] {
        b.store.series(&probe(name)).unwrap();
    }
    for day in 0..8 {
        fill(&mut b, day..day + 1);
        if day % 3 == 1 {
            let rows: Vec<(i64, f64)> =
                (0..50).map(|i| (MIDNIGHT + i * 600_000 + 7, 50.0 + (i % 9) as f64)).collect();
            b.append(SeriesId(0), &rows);
            seal_all(&mut b, MIDNIGHT);
            b = b.reopen();
        }
    }
    seal_all(&mut b, MIDNIGHT + 5 * DAY + 26 * HOUR + 10 * 60_000);
    assert_eq!(a.store.reader().head().unwrap(), b.store.reader().head().unwrap());
    assert_eq!(fs::read(record_file(&a)).unwrap(), fs::read(record_file(&b)).unwrap());
}

#[test]
fn what_a_crash_has_left_out_is_done_at_the_next_opening() {
    let bench = sealed();
    let text = fs::read(record_file(&bench)).unwrap();
    let head = fs::read(bench.dir.path().join("HEAD")).unwrap();
    let start = String::from_utf8(text.clone()).unwrap().rfind("seq 5\n").unwrap();
    let Bench { dir, store } = bench;
    drop(store);
    for kept in [start, start + 17, text.len() - 1] {
        fs::write(dir.path().join("record/2026-05.txt"), &text[..kept]).unwrap();
        let before = Digest::of(b"the section before");
        fs::write(dir.path().join("HEAD"), format!("head 4 {before}\n")).unwrap();
        let (store, report) = Store::open(&StoreOptions::new(dir.path(), ZONE)).unwrap();
        assert_eq!((report.record, report.sentences()), (RecordState::Agrees, vec![]));
        assert_eq!(fs::read(dir.path().join("record/2026-05.txt")).unwrap(), text);
        assert_eq!(fs::read(dir.path().join("HEAD")).unwrap(), head);
        drop(store);
    }
}

#[test]
fn an_older_store_is_noticed_and_gets_back_its_log() {
    let mut bench = Bench::new();
    fill(&mut bench, 0..8);
    seal_all(&mut bench, MIDNIGHT + 2 * DAY + 27 * HOUR);
    let old = tempfile::tempdir().unwrap();
    bench.store.reader().backup(&old.path().join("copy")).unwrap();
    fill(&mut bench, 8..10);
    seal_all(&mut bench, MIDNIGHT + 7 * DAY + 27 * HOUR);
    let head = bench.store.reader().head().unwrap().unwrap();
    assert_eq!(head.seq, 7);
    let Bench { dir, store } = bench;
    drop(store);
    fs::copy(old.path().join("copy/store.redb"), dir.path().join("store.redb")).unwrap();
    fs::remove_file(dir.path().join("side.log")).unwrap();
    let (store, report) = Store::open(&StoreOptions::new(dir.path(), ZONE)).unwrap();
    assert_eq!(report.record, RecordState::StoreIsOlder { store_seq: 2, head_seq: 7 });
    assert_eq!((report.recovered.sections, report.sentences().len()), (5, 2));
    assert_eq!(store.reader().entries(None, 0, 99).unwrap().len(), 8);
    assert_eq!(store.reader().head().unwrap(), Some(head));
    drop(store);
    let (mut store, report) = Store::open(&StoreOptions::new(dir.path(), ZONE)).unwrap();
    assert_eq!(report.record, RecordState::Agrees);
    // The chain goes on from where the record ends.
    let k1 = store.series(&probe("k1")).unwrap();
    store.append(&[NewReading { series: k1, at: At(MIDNIGHT + 12 * DAY), value: 1.0 }]).unwrap();
    while store.seal(At(MIDNIGHT + 30 * DAY)).unwrap().more {}
    assert_eq!(store.reader().head().unwrap().unwrap().seq, 12);
    let check = store.reader().check_record().unwrap();
    assert!(check.doubts.iter().all(|doubt| doubt.what.contains("not those that were sealed")), "{check:?}");
}

#[test]
fn a_lost_store_gets_back_its_log_from_the_record() {
    let bench = sealed();
    let Bench { dir, store } = bench;
    drop(store);
    fs::remove_file(dir.path().join("store.redb")).unwrap();
    fs::remove_file(dir.path().join("side.log")).unwrap();
    let options = StoreOptions::new(dir.path(), ZONE);
    assert!(Store::open(&options).unwrap_err().is_damage());
    let (store, report) = Store::open_or_set_aside(&options, &Reader::new(), At(MAY)).unwrap();
    assert_eq!(report.record, RecordState::StoreIsOlder { store_seq: 0, head_seq: 5 });
    assert_eq!((report.recovered.sections, report.recovered.entries), (5, 5));
    assert_eq!(store.reader().entries(Some("2026-03"), 0, 9).unwrap().len(), 5);
}

/// Eight ways to forge at twenty places each: all are seen.
#[test]
fn forgeries_are_seen() {
    let bench = sealed();
    let path = record_file(&bench);
    let text = fs::read_to_string(&path).unwrap();
    let head = fs::read_to_string(bench.dir.path().join("HEAD")).unwrap();
    let mut sections: Vec<String> = Vec::new();
    let mut rest = text.as_str();
    while !rest.is_empty() {
        let (_, after) = Section::parse(rest).unwrap();
        sections.push(rest[..rest.len() - after.len()].to_owned());
        rest = after;
    }
    let mut seen = 0;
    for round in 0..20_usize {
        let digit = text.char_indices().filter(|(_, c)| c.is_ascii_digit()).nth(round * 37 + 3).unwrap().0;
        let mut changed = text.clone();
        let other = if &text[digit..=digit] == "4" { "7" } else { "4" };
        changed.replace_range(digit..=digit, other);
        let day = round % 4;
        let without = |gone: &[usize]| -> String {
            (0..5).filter(|i| !gone.contains(i)).map(|i| sections[i].as_str()).collect()
        };
        let mut swapped = sections.clone();
        swapped.swap(day, day + 1);
        let appended = format!("{text}seq 6\nday 2026-05-06\n");
        let rewritten = rehash(&sections, day);
        let inserted = text.replace(&format!("end {}\n", day + 1), &format!("entry {{}}\nend {}\n", day + 1));
        let forgeries = [
            changed,
            without(&[day]),
            without(&[day, day + 1, 4]),
            swapped.concat(),
            appended,
            rewritten,
            inserted,
            text[..text.len() - 1 - round].to_owned(),
        ];
        for (kind, forged) in forgeries.iter().enumerate() {
            fs::write(&path, forged).unwrap();
            assert!(!doubts(&bench).is_empty(), "kind {kind}, round {round}");
            seen += 1;
        }
    }
    fs::write(&path, &text).unwrap();
    assert_eq!((seen, doubts(&bench)), (160, vec![]));
    // Whoever changes HEAD too is caught by the digest in yesterday's mail alone, but the store says so as well.
    fs::write(bench.dir.path().join("HEAD"), head.replace("head 5", "head 6")).unwrap();
    assert!(!doubts(&bench).is_empty());
}

/// Changes one section and makes all that follow fit it again, as someone without access to `HEAD` would.
fn rehash(sections: &[String], day: usize) -> String {
    let mut out = sections[..day].concat();
    let mut changed = sections[day].replacen("readings 432", "readings 431", 1);
    for next in &sections[day + 1..] {
        let digest = Digest::of(changed.as_bytes());
        out.push_str(&changed);
        let prev = next.lines().nth(2).unwrap();
        changed = next.replacen(prev, &format!("prev {digest}"), 1);
    }
    out + &changed
}
