//! The two stores behind one small door.

use std::fs;
use std::path::{Path, PathBuf};

use heapward::model::reading::SeriesKey;
use heapward::store::{NewReading, Reader, SeriesId, Store, StoreOptions, Summary};
use heapward_rules::ids::ProbeId;
use heapward_rules::reading::{Quantity, Unit};
use heapward_rules::units::At;
use rusqlite::Connection;

use crate::data::{DAY, START, Sample, Set};

pub trait Bench {
    /// Durable when it returns.
    fn commit(&mut self, batch: &[Sample]);
    /// Everything sealed, vacuumed, or however the store is at its smallest in use.
    fn settle(&mut self);
    fn latest(&self, series: u32) -> usize;
    fn raw(&self, series: u32, from: i64, to: i64) -> usize;
    /// A year of days of the site's zone.
    fn days(&self, series: u32, from: i64, to: i64) -> usize;
    fn buckets(&self, series: u32, bounds: &[i64]) -> Vec<Summary>;
}

pub struct Ours {
    pub store: Store,
    reader: Reader,
    now: i64,
}

pub struct Sqlite {
    db: Connection,
}

/// Memory for pages, the same for both where it is queried and loaded.
pub const CACHE_BYTES: usize = heapward::limits::STORE_CACHE_BYTES;

pub fn open(name: &str, dir: &Path, probes: u32) -> Box<dyn Bench> {
    match name {
        "ours" => Box::new(Ours::open(dir, probes)),
        "sqlite" => Box::new(Sqlite::open(dir)),
        _ => panic!("no store is called {name}"),
    }
}

// === impl Ours ===

impl Ours {
    pub fn open(dir: &Path, probes: u32) -> Ours {
        let options = StoreOptions::new(dir, chrono_tz::UTC);
        let (mut store, _) = Store::open(&options).unwrap();
        for i in 0..probes {
            assert_eq!(store.series(&key(i)).unwrap(), SeriesId(i));
        }
        let reader = store.reader();
        Ours { store, reader, now: START }
    }
}

fn key(i: u32) -> SeriesKey {
    let (quantity, unit) = if Set::is_moisture(i) {
        (Quantity::Moisture, Unit::Percent)
    } else {
        (Quantity::Temperature, Unit::Celsius)
    };
    SeriesKey { probe: ProbeId::new(format!("k{i}")), quantity, unit }
}

impl Bench for Ours {
    fn commit(&mut self, batch: &[Sample]) {
        let readings: Vec<NewReading> = batch
            .iter()
            .map(|s| NewReading { series: SeriesId(s.series), at: At(s.at), value: s.value })
            .collect();
        let fates = self.store.append(&readings).unwrap();
        assert!(fates.iter().all(|fate| fate.is_kept()));
        self.now = batch.last().map_or(self.now, |sample| sample.at);
    }

    fn settle(&mut self) {
        while self.store.seal(At(self.now)).unwrap().more {}
    }

    fn latest(&self, _: u32) -> usize {
        self.reader.latest().unwrap().len()
    }

    fn raw(&self, series: u32, from: i64, to: i64) -> usize {
        self.reader.range(SeriesId(series), At(from), At(to), usize::MAX).unwrap().readings.len()
    }

    fn days(&self, series: u32, from: i64, to: i64) -> usize {
        self.reader.days(SeriesId(series), At(from), At(to)).unwrap().len()
    }

    fn buckets(&self, series: u32, bounds: &[i64]) -> Vec<Summary> {
        let bounds: Vec<At> = bounds.iter().map(|bound| At(*bound)).collect();
        let buckets = self.reader.buckets_at(SeriesId(series), &bounds).unwrap();
        buckets.into_iter().map(|bucket| bucket.summary).collect()
    }
}

// === impl Sqlite ===

impl Sqlite {
    fn open(dir: &Path) -> Sqlite {
        fs::create_dir_all(dir).unwrap();
        let db = Connection::open(dir.join("readings.sqlite")).unwrap();
        db.execute_batch(&format!(
            "PRAGMA journal_mode=WAL; PRAGMA synchronous=FULL; PRAGMA cache_size=-{}; PRAGMA mmap_size=0;
             CREATE TABLE IF NOT EXISTS r(s INTEGER NOT NULL, t INTEGER NOT NULL, v REAL NOT NULL,
             PRIMARY KEY(s, t)) WITHOUT ROWID;",
            CACHE_BYTES / 1_024
        ))
        .unwrap();
        Sqlite { db }
    }
}

impl Bench for Sqlite {
    fn commit(&mut self, batch: &[Sample]) {
        let tx = self.db.transaction().unwrap();
        {
            let mut insert = tx.prepare_cached("INSERT INTO r VALUES(?1, ?2, ?3)").unwrap();
            for sample in batch {
                insert.execute((sample.series, sample.at, sample.value)).unwrap();
            }
        }
        tx.commit().unwrap();
    }

    fn settle(&mut self) {
        self.db
            .execute_batch("PRAGMA wal_checkpoint(TRUNCATE); VACUUM; PRAGMA wal_checkpoint(TRUNCATE);")
            .unwrap();
    }

    fn latest(&self, series: u32) -> usize {
        let sql = "SELECT t, v FROM r WHERE s = ?1 ORDER BY t DESC LIMIT 1";
        let mut newest = self.db.prepare_cached(sql).unwrap();
        let row = |row: &rusqlite::Row| Ok((row.get::<_, i64>(0)?, row.get::<_, f64>(1)?));
        (0..series).filter(|s| newest.query_row([s], row).is_ok()).count()
    }

    fn raw(&self, series: u32, from: i64, to: i64) -> usize {
        let sql = "SELECT t, v FROM r WHERE s = ?1 AND t >= ?2 AND t < ?3 ORDER BY t";
        let mut range = self.db.prepare_cached(sql).unwrap();
        let row = |row: &rusqlite::Row| Ok((row.get::<_, i64>(0)?, row.get::<_, f64>(1)?));
        let rows: Vec<(i64, f64)> =
            range.query_map((series, from, to), row).unwrap().map(Result::unwrap).collect();
        rows.len()
    }

    fn days(&self, series: u32, from: i64, to: i64) -> usize {
        let bounds: Vec<i64> = (0..=(to - from) / DAY).map(|i| from + i * DAY).collect();
        self.buckets(series, &bounds).iter().filter(|summary| summary.count > 0).count()
    }

    fn buckets(&self, series: u32, bounds: &[i64]) -> Vec<Summary> {
        let (from, to) = (bounds[0], bounds[bounds.len() - 1]);
        // Equal parts: the last may be longer by what the division leaves.
        let step = bounds[1] - from;
        let mut summaries = vec![Summary::EMPTY; bounds.len() - 1];
        let sql = "SELECT (t - ?2) / ?4 AS k, count(*), min(v), max(v), sum(v) FROM r
                   WHERE s = ?1 AND t >= ?2 AND t < ?3 GROUP BY k";
        let mut grouped = self.db.prepare_cached(sql).unwrap();
        let mut rows = grouped.query((series, from, to, step)).unwrap();
        while let Some(row) = rows.next().unwrap() {
            let k = usize::try_from(row.get::<_, i64>(0).unwrap()).unwrap();
            summaries[k] = Summary {
                count: u64::try_from(row.get::<_, i64>(1).unwrap()).unwrap(),
                min: row.get(2).unwrap(),
                max: row.get(3).unwrap(),
                sum: row.get(4).unwrap(),
            };
        }
        summaries
    }
}

/// Bytes that a folder takes on the disk, by file.
pub fn disk_bytes(dir: &Path, wanted: impl Fn(&str) -> bool + Copy) -> u64 {
    use std::os::unix::fs::MetadataExt as _;
    let mut bytes = 0;
    for entry in fs::read_dir(dir).unwrap().map(Result::unwrap) {
        let (path, name) = (entry.path(), entry.file_name().into_string().unwrap());
        if path.is_dir() {
            bytes += disk_bytes(&path, wanted);
        } else if wanted(&name) {
            bytes += entry.metadata().unwrap().blocks() * 512;
        }
    }
    bytes
}

pub fn copy_folder(from: &Path, to: &Path) {
    fs::create_dir_all(to).unwrap();
    for entry in fs::read_dir(from).unwrap().map(Result::unwrap) {
        let target: PathBuf = to.join(entry.file_name());
        if entry.path().is_dir() {
            copy_folder(&entry.path(), &target);
        } else {
            fs::copy(entry.path(), &target).unwrap();
            fs::File::open(&target).unwrap().sync_all().unwrap();
        }
    }
}
