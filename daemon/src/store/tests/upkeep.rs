//! Copies, versions, damaged files, zones.

#![expect(clippy::cast_precision_loss, reason = "small numbers of test data")]

use std::fs;
use std::path::Path;

use redb::ReadableTable as _;

use super::model::{Model, assert_holds};
use super::*;
use crate::limits::SEAL_SLICE_SERIES;
use crate::store::disk::Folder;
use crate::store::schema::{DOCUMENTS, META, meta};

fn fill(bench: &mut Bench, model: &mut Model, from: i64, to: i64) {
    for series in 0..4 {
        let id = bench.store.series(&probe(&format!("k{series}"))).unwrap();
        let readings: Vec<NewReading> = (from..to)
            .map(|i| NewReading {
                series: id,
                at: At(MAY + i * 60_000 + (i * 7_919) % 3_001),
                value: 50.0 + ((i * 31 + i64::from(series)) % 40) as f64 * 0.0625,
            })
            .collect();
        for reading in &readings {
            model.add(reading);
        }
        bench.store.append(&readings).unwrap();
    }
}

#[test]
fn a_copy_of_a_running_store_holds_what_was_there_and_comes_back() {
    let (mut bench, mut model) = (Bench::new(), Model::default());
    fill(&mut bench, &mut model, 0, 5_000);
    while bench.store.seal(At(MAY)).unwrap().more {}
    fill(&mut bench, &mut model, 5_000, 5_300);
    bench.store.transact(|tx| tx.put_document("a", b"b")).unwrap();
    let place = tempfile::tempdir().unwrap();
    let copy = place.path().join("copy");
    bench.store.reader().backup(&copy).unwrap();
    fill(&mut bench, &mut Model::default(), 5_300, 5_400);
    assert!(bench.store.reader().backup(&copy).is_err(), "a copy is not overwritten");

    let options = StoreOptions::new(place.path().join("new"), ZONE);
    restore(&copy, &options).unwrap();
    let (store, _) = Store::open(&options).unwrap();
    assert_holds(&store.reader(), &model);
    assert_eq!(store.reader().document("a").unwrap().as_deref(), Some(b"b".as_slice()));
    drop(store);
    assert!(restore(&copy, &options).is_err(), "a store is not overwritten");
}

#[test]
fn copies_made_under_load_are_each_whole() {
    let (mut bench, mut model) = (Bench::new(), Model::default());
    fill(&mut bench, &mut model, 0, 3_000);
    let place = tempfile::tempdir().unwrap();
    let reader = bench.store.reader();
    let root = place.path().to_owned();
    let copies = std::thread::spawn(move || {
        (0..10).map(|i| root.join(i.to_string())).inspect(|to| reader.backup(to).unwrap()).collect::<Vec<_>>()
    });
    let mut minute = 3_000;
    while !copies.is_finished() {
        fill(&mut bench, &mut model, minute, minute + 20);
        minute += 20;
        if minute % 200 == 0 {
            bench.store.seal(At(MAY)).unwrap();
        }
    }
    let mut last = 0;
    for copy in copies.join().unwrap() {
        let (store, _) = Store::open(&StoreOptions::new(copy, ZONE)).unwrap();
        // What a copy holds is a beginning of what was written: nothing is missing in the middle.
        let counts: Vec<usize> = (0..4)
            .map(|s| {
                let found = store.reader().range(SeriesId(s), At(0), At::MAX, usize::MAX).unwrap().readings;
                let newest = found.last().unwrap().at;
                assert_eq!(found.len(), model.rows(s, 0, newest.0 + 1).len());
                found.len()
            })
            .collect();
        assert!(counts.iter().sum::<usize>() >= last);
        last = counts.iter().sum();
    }
}

/// As `heapward backup` does it beside a daemon: over the files, without asking the one who writes them.
#[test]
fn a_copy_of_files_that_are_being_written_is_whole() {
    let (mut bench, mut model) = (Bench::new(), Model::default());
    fill(&mut bench, &mut model, 0, 3_000);
    let place = tempfile::tempdir().unwrap();
    let (root, from) = (place.path().to_owned(), bench.dir.path().to_owned());
    let copies = std::thread::spawn(move || {
        let make = |i: i32| {
            let to = root.join(i.to_string());
            backup_folder(&from, &to, ZONE).map(|()| to)
        };
        (0..5).map(make).collect::<Result<Vec<_>, _>>()
    });
    let mut minute = 3_000;
    while !copies.is_finished() {
        fill(&mut bench, &mut model, minute, minute + 20);
        minute += 20;
        if minute % 2_000 == 0 {
            bench.store.seal(At(MAY)).unwrap();
        }
    }
    for copy in copies.join().unwrap().unwrap() {
        assert!(!copy.join("part").exists());
        let (store, report) = Store::open(&StoreOptions::new(copy, ZONE)).unwrap();
        assert_eq!(report.sentences(), [""; 0]);
        for series in 0..4 {
            let found = store.reader().range(SeriesId(series), At(0), At::MAX, usize::MAX).unwrap().readings;
            assert!(found.len() >= 3_000);
            assert_eq!(found.len(), model.rows(series, 0, found[found.len() - 1].at.0 + 1).len());
        }
    }
}

#[test]
fn a_newer_store_is_refused_and_not_a_byte_of_it_changed() {
    let (mut bench, mut model) = (Bench::new(), Model::default());
    fill(&mut bench, &mut model, 0, 100);
    let Bench { dir, store } = bench;
    drop(store);
    fs::write(dir.path().join("FORMAT"), "heapward store 4\n").unwrap();
    let files =
        |dir: &Path| ["store.redb", "side.log", "FORMAT"].map(|name| fs::read(dir.join(name)).unwrap());
    let before = files(dir.path());
    let error = Store::open(&StoreOptions::new(dir.path(), ZONE)).unwrap_err();
    assert!(matches!(error, StoreError::Newer { found: 4, known: 3 }), "{error}");
    let error =
        Store::open_or_set_aside(&StoreOptions::new(dir.path(), ZONE), &Reader::new(), At(MAY)).unwrap_err();
    assert!(matches!(error, StoreError::Newer { .. }));
    assert_eq!(files(dir.path()), before);
}

#[test]
fn an_older_store_is_migrated_on_a_copy_and_kept() {
    let (mut bench, mut model) = (Bench::new(), Model::default());
    fill(&mut bench, &mut model, 0, 3_000);
    bench.store.transact(|tx| tx.put_document("a", b"b")).unwrap();
    let Bench { dir, store } = bench;
    drop(store);
    // As if the present format were the fifth.
    let double: fn(&redb::WriteTransaction) -> Result<(), StoreError> = |txn| {
        let mut documents = txn.open_table(DOCUMENTS)?;
        let old = documents.get("a")?.map(|bytes| bytes.value().to_vec()).unwrap_or_default();
        documents.insert("a", [old.as_slice(), old.as_slice()].concat().as_slice())?;
        Ok(())
    };
    let steps = [Migration { from: 3, apply: double }, Migration { from: 4, apply: double }];
    let folder = Folder::new(dir.path());
    assert!(matches!(upgrade(&folder, 5, &steps[1..]), Err(StoreError::Older { found: 3, known: 5 })));
    upgrade(&folder, 5, &steps).unwrap();
    upgrade(&folder, 5, &steps).unwrap();
    assert!(dir.path().join("store.redb.v3").exists());
    assert_eq!(fs::read_to_string(dir.path().join("FORMAT")).unwrap(), "heapward store 5\n");
    let db = redb::Database::open(dir.path().join("store.redb")).unwrap();
    let txn = db.begin_write().unwrap();
    assert_eq!(txn.open_table(DOCUMENTS).unwrap().get("a").unwrap().unwrap().value().len(), 8);
    assert_eq!(
        txn.open_table(META).unwrap().get(meta::FORMAT).unwrap().unwrap().value(),
        5_u32.to_le_bytes()
    );
}

/// A store that version 0.1.0 wrote, with one row per reading: every reading, conflict, entry and state is there.
#[test]
fn a_store_of_the_first_format_is_read_and_kept() {
    let dir = tempfile::tempdir().unwrap();
    let old = include_bytes!("../../../tests/data/store-1/store.redb");
    fs::write(dir.path().join("store.redb"), old).unwrap();
    let (mut store, report) = Store::open(&StoreOptions::new(dir.path(), ZONE)).unwrap();
    assert_eq!((report.created, report.sentences()), (false, vec![]));
    assert_eq!(fs::read(dir.path().join("store.redb.v1")).unwrap(), old);
    let reader = store.reader();
    let series = reader.series().unwrap();
    let texts: Vec<String> = series.iter().map(|(_, key)| schema::series_text(key)).collect();
    assert_eq!(texts, ["temperature C k1", "temperature C k2", "moisture % m1"]);
    let start = MAY - 15 * 3_600_000;
    for (id, _) in series {
        let n = i64::from(id.0);
        let reading = |i: i64| {
            let at = start + i * 600_000 + (i * 7_919 + n) % 3_001;
            (at, 50.0 + ((i * 31 + n) % 160) as f64 * 0.0625, i == 17)
        };
        let mut expected: Vec<(i64, f64, bool)> = (0..400).map(reading).collect();
        let at = expected[17].0;
        expected.splice(18..18, [(at, 1.5, true), (at, -40.0, true)]);
        let found = reader.range(id, At(0), At::MAX, usize::MAX).unwrap().readings;
        assert_eq!(found.iter().map(|r| (r.at.0, r.value, r.conflict)).collect::<Vec<_>>(), expected);
        let days = reader.days(id, At(start), At::MAX).unwrap();
        assert_eq!(days.iter().map(|day| day.summary.count).sum::<u64>(), 399);
    }
    assert_eq!(reader.entries(Some("2026-03"), 0, 9).unwrap().len(), 3);
    assert_eq!(reader.document("a").unwrap().as_deref(), Some(b"b".as_slice()));
    // And it goes on: the log's chain, the readings, the record.
    store
        .transact(|tx| tx.append_entry(records::entry(None, MAY, crate::model::entry::Event::Note)))
        .unwrap();
    assert_eq!(reader.entries(None, 3, 9).unwrap()[0].seq, 4);
    while store.seal(At(start + 30 * 86_400_000)).unwrap().more {}
    let check = reader.check_record().unwrap();
    assert_eq!((check.sections, check.doubts), (2, vec![]));
}

/// A store of format 2, with a row for each day: days, readings and record are there, and it goes on.
#[test]
fn a_store_of_the_second_format_is_read_and_kept() {
    let dir = tempfile::tempdir().unwrap();
    let from = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/store-2");
    fs::create_dir(dir.path().join("record")).unwrap();
    for file in ["FORMAT", "HEAD", "store.redb", "record/2026-05.txt"] {
        fs::copy(from.join(file), dir.path().join(file)).unwrap();
    }
    // Everything in its side log was sealed: an empty one does as well.
    fs::File::create(dir.path().join("side.log")).unwrap().set_len(SIDE_LOG_BYTES).unwrap();
    let (mut store, report) = Store::open(&StoreOptions::new(dir.path(), ZONE)).unwrap();
    assert_eq!((report.created, report.sentences()), (false, vec![]));
    let old = fs::read(from.join("store.redb")).unwrap();
    assert_eq!(fs::read(dir.path().join("store.redb.v2")).unwrap(), old);
    let reader = store.reader();
    let start = MAY - 15 * 3_600_000;
    for (id, _) in reader.series().unwrap() {
        let n = i64::from(id.0);
        let reading = |i: i64| {
            (start + i * 600_000 + (i * 7_919 + n) % 3_001, 50.0 + ((i * 31 + n) % 160) as f64 * 0.0625)
        };
        let expected: Vec<(i64, f64)> = (0..400).map(reading).collect();
        let found = reader.range(id, At(0), At::MAX, usize::MAX).unwrap().readings;
        let (twins, found): (Vec<_>, Vec<_>) = found.into_iter().partition(|r| r.conflict);
        assert_eq!(twins.iter().map(|r| r.value).collect::<Vec<_>>(), [expected[17].1, 1.5]);
        let alone: Vec<(i64, f64)> = expected.iter().copied().filter(|row| row.0 != expected[17].0).collect();
        assert_eq!(found.iter().map(|r| (r.at.0, r.value)).collect::<Vec<_>>(), alone);
        for day in reader.days(id, At(start), At::MAX).unwrap() {
            let of_day = alone.iter().filter(|row| (day.from.0..day.to.0).contains(&row.0));
            let mut summary = Summary::EMPTY;
            of_day.for_each(|row| summary.add(row.1));
            assert_eq!(day.summary, summary, "{}", day.date);
        }
        assert_eq!(reader.days(id, At(start), At::MAX).unwrap().len(), 4);
    }
    assert_eq!(reader.check_record().unwrap().doubts, vec![]);
    while store.seal(At(start + 30 * 86_400_000)).unwrap().more {}
    assert_eq!(reader.check_record().unwrap().doubts, vec![]);
}

#[test]
fn a_damaged_store_is_set_aside_and_the_side_log_saved() {
    let (mut bench, mut model) = (Bench::new(), Model::default());
    fill(&mut bench, &mut model, 0, 200);
    let Bench { dir, store } = bench;
    drop(store);
    let path = dir.path().join("store.redb");
    let mut bytes = fs::read(&path).unwrap();
    let n = bytes.len();
    bytes[4_096..n].fill(0);
    fs::write(&path, &bytes).unwrap();
    let options = StoreOptions::new(dir.path(), ZONE);
    assert!(Store::open(&options).unwrap_err().is_damage());
    let (store, report) = Store::open_or_set_aside(&options, &Reader::new(), At(MAY)).unwrap();
    assert_eq!(report.set_aside, ["store.redb.bad-20260501T150000Z", "side.log.bad-20260501T150000Z"]);
    assert_eq!(report.salvaged, 800);
    assert_eq!(report.sentences().len(), 1, "{:?}", report.sentences());
    assert_eq!(fs::read(dir.path().join(&report.set_aside[0])).unwrap(), bytes);
    assert_holds(&store.reader(), &model);
}

#[test]
fn not_more_is_set_aside_than_a_card_can_break_in_good_faith() {
    let dir = tempfile::tempdir().unwrap();
    let options = StoreOptions::new(dir.path(), ZONE);
    for i in 0..3 {
        drop(Store::open_or_set_aside(&options, &Reader::new(), At(MAY + i * 60_000)).unwrap());
        fs::write(dir.path().join("store.redb"), vec![7; 9_000]).unwrap();
    }
    let error = Store::open_or_set_aside(&options, &Reader::new(), At(MAY + 600_000)).unwrap_err();
    assert!(error.is_damage(), "{error}");
}

/// A database of which most is dead: given back at an opening, on a card with room for it, and never between.
#[test]
fn dead_space_is_given_back_at_an_opening_where_there_is_room() {
    let (mut bench, mut model) = (Bench::new(), Model::default());
    fill(&mut bench, &mut model, 0, 3_000);
    let large = vec![7_u8; 1 << 20];
    let names: Vec<String> = (0..90).map(|n| format!("d{n}")).collect();
    for ten in names.chunks(10) {
        let put = |tx: &mut Tx| ten.iter().try_for_each(|name| tx.put_document(name, &large));
        bench.store.transact(put).unwrap();
    }
    // The last stays: free pages behind everything are cut off at each closing anyway.
    let remove = |tx: &mut Tx| names[..89].iter().try_for_each(|name| tx.remove_document(name));
    bench.store.transact(remove).unwrap();
    let Bench { dir, store } = bench;
    drop(store);
    let length = || fs::metadata(dir.path().join("store.redb")).unwrap().len();
    let before = length();
    assert!(before > crate::limits::COMPACT_BYTES_MIN, "{before}");
    let mut options = StoreOptions::new(dir.path(), ZONE);
    options.disk = Arc::new(watched::Watched::with_free(dir.path(), before));
    let (store, report) = Store::open(&options).unwrap();
    assert!(!report.compacted, "there is no room for it");
    drop(store);
    let (store, report) = Store::open(&StoreOptions::new(dir.path(), ZONE)).unwrap();
    assert!(report.compacted && length() < before / 4, "{} of {before}", length());
    assert_holds(&store.reader(), &model);
    drop(store);
    let (_, report) = Store::open(&StoreOptions::new(dir.path(), ZONE)).unwrap();
    assert!(!report.compacted, "nothing is left to be won");
}

/// A fleet goes into blocks some series at a time; what is committed in between is there, once.
#[test]
fn a_fleet_is_sealed_in_slices_between_which_readings_are_committed() {
    let (mut bench, mut model) = (Bench::new(), Model::default());
    let ids: Vec<SeriesId> =
        (0..150).map(|n| bench.store.series(&probe(&format!("k{n}"))).unwrap()).collect();
    let mut append = |bench: &mut Bench, id: SeriesId, minute: i64| {
        let reading = NewReading { series: id, at: At(MAY + minute * 60_000), value: 55.0 };
        model.add(&reading);
        bench.store.append(&[reading]).unwrap();
    };
    for id in &ids {
        append(&mut bench, *id, 0);
    }
    let first = bench.store.seal(At(MAY)).unwrap();
    assert_eq!((first.readings, first.more), (SEAL_SLICE_SERIES as u64, true));
    append(&mut bench, ids[0], 1);
    append(&mut bench, ids[149], 1);
    for minute in 2..6 {
        bench.store.seal(At(MAY)).unwrap();
        append(&mut bench, ids[1], minute);
    }
    while bench.store.seal(At(MAY)).unwrap().more {}
    assert_holds(&bench.store.reader(), &model);
    let bench = bench.reopen();
    assert_holds(&bench.store.reader(), &model);
}

#[test]
fn sizes_add_up() {
    let (mut bench, mut model) = (Bench::new(), Model::default());
    fill(&mut bench, &mut model, 0, 5_000);
    while bench.store.seal(At(MAY)).unwrap().more {}
    fill(&mut bench, &mut model, 5_000, 5_010);
    let sizes = bench.store.reader().sizes_in_full().unwrap();
    assert_eq!((sizes.series, sizes.sealed, sizes.unsealed), (4, 20_000, 40));
    assert!(sizes.blocks >= 4 && sizes.bytes_per_reading().is_some(), "{sizes:?}");
    let days = sizes.tables.iter().find(|table| table.name == "days").unwrap();
    assert_eq!((days.rows, days.bytes), (4, 4_096), "a stretch of 128 days for each series");
    assert!(sizes.live_bytes > sizes.block_bytes && sizes.live_bytes <= sizes.database_bytes);
    assert_eq!(sizes.side_log_bytes, SIDE_LOG_BYTES);
}

#[test]
fn the_last_copy_is_known_by_its_instant() {
    let dir = tempfile::tempdir().unwrap();
    assert_eq!(last_copy(dir.path()), None);
    note_copy(dir.path(), At(MAY + 1_999)).unwrap();
    assert_eq!(last_copy(dir.path()), Some(At(MAY + 1_000)));
    fs::write(dir.path().join("BACKUP"), "some day\n").unwrap();
    assert_eq!(last_copy(dir.path()), None);
}
