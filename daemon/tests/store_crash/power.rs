//! Power cuts while writing and while opening, and proof that the tests can see.

use heapward::store::{SeriesId, Store};
use heapward_rules::units::At;

use crate::disk::{Fate, Files, MemoryDisk, Op, Power, Random};
use crate::workload::{Dump, House, Model, STEPS, judge, one_in, options};

/// Images per point: two fixed and so many at random.
const MIXED: u64 = 8;
/// The points are shared among so many tests, which run side by side.
const SHARDS: usize = 4;

/// A run that went well: the calls, and where each step was acknowledged.
struct Run {
    trace: Vec<Op>,
    /// Calls before step `k` was acknowledged, for each step.
    acknowledged: Vec<usize>,
}

/// What was found over many images.
#[derive(Debug, Default)]
struct Tally {
    points: u64,
    images: u64,
    bad: Vec<String>,
}

fn run(steps: u64) -> Run {
    let disk = MemoryDisk::default();
    let mut house = House::open(&disk).unwrap();
    let mut acknowledged = vec![disk.trace_len()];
    for k in 1..=steps {
        house.step(k).unwrap();
        acknowledged.push(disk.trace_len());
    }
    drop(house);
    Run { trace: disk.trace(), acknowledged }
}

impl Run {
    /// Walks through all points before a call; gives the power, the steps acknowledged by then and what may be found.
    fn walk(&self, honest: bool, mut at: impl FnMut(usize, &Power, u64, [&Dump; 2])) {
        let mut power = Power::new(Files::new());
        power.is_honest = honest;
        let (mut model, mut acknowledged) = (Model::default(), 0);
        let ahead = |model: &Model, k: u64| {
            let mut next = model.clone();
            next.step(k + 1);
            next.dump()
        };
        let (mut now, mut next) = (model.dump(), ahead(&model, 0));
        for point in 0..=self.trace.len() {
            while self
                .acknowledged
                .get(usize::try_from(acknowledged).unwrap() + 1)
                .is_some_and(|end| *end <= point)
            {
                acknowledged += 1;
                model.step(acknowledged);
                (now, next) = (next, ahead(&model, acknowledged));
            }
            at(point, &power, acknowledged, [&now, &next]);
            if let Some(op) = self.trace.get(point) {
                power.follow(op);
            }
        }
    }

    /// Judges the images of every `SHARDS`-th point.
    fn judge(&self, shard: usize, honest: bool, acknowledges_early: bool, limit: usize) -> Tally {
        let mut tally = Tally::default();
        let mut random = Random::seeded(shard as u64);
        let mut later: Vec<(usize, Dump)> = Vec::new();
        if acknowledges_early {
            self.walk(true, |point, _, _, [_, next]| later.push((point, next.clone())));
        }
        self.walk(honest, |point, power, k, may_be| {
            let is_tried = point % SHARDS == shard && (point / SHARDS).is_multiple_of(one_in() as usize);
            if !is_tried || tally.bad.len() > limit {
                return;
            }
            tally.points += 1;
            // A store that says yes before it has written must have the next step already.
            let early = later.get(point).map(|(_, next)| [next]);
            let may_be = early.as_ref().map_or(may_be.as_slice(), |next| next.as_slice());
            let fates = [Fate::AllLost, Fate::AllKept].into_iter().chain((0..MIXED).map(|_| Fate::Mixed));
            for fate in fates {
                tally.images += 1;
                let files = power.cut(fate, &mut random);
                if let Err(what) = judge(files, may_be, tally.images % 16 == 0) {
                    tally.bad.push(format!("point {point}, step {k}, {fate:?}: {what}"));
                }
            }
        });
        println!("{} points, {} images, {} bad", tally.points, tally.images, tally.bad.len());
        tally
    }
}

fn every_point_of(shard: usize) {
    let tally = run(STEPS).judge(shard, true, false, 5);
    assert!(tally.bad.is_empty(), "{:#?}", tally.bad);
    // With all cases the shards together are 30,000 images and more.
    assert!(tally.images >= 7_500 / u64::from(one_in()), "only {} images", tally.images);
}

#[test]
fn a_power_cut_before_any_call_loses_nothing_acknowledged_0() {
    every_point_of(0);
}

#[test]
fn a_power_cut_before_any_call_loses_nothing_acknowledged_1() {
    every_point_of(1);
}

#[test]
fn a_power_cut_before_any_call_loses_nothing_acknowledged_2() {
    every_point_of(2);
}

#[test]
fn a_power_cut_before_any_call_loses_nothing_acknowledged_3() {
    every_point_of(3);
}

#[test]
fn a_second_power_cut_while_opening_does_no_harm() {
    let run = run(STEPS);
    let mut random = Random::seeded(99);
    let every = run.trace.len() / 500 * one_in() as usize;
    let (mut images, mut bad) = (0_u32, Vec::new());
    run.walk(true, |point, power, _, may_be| {
        if point % every != 0 {
            return;
        }
        let first = power.cut(Fate::Mixed, &mut random);
        let disk = MemoryDisk::new(first.clone());
        let Ok(house) = House::open(&disk) else {
            bad.push(format!("point {point}: the first opening"));
            return;
        };
        drop(house);
        let trace = disk.trace();
        let mut power = Power::new(first);
        for (i, op) in trace.iter().enumerate() {
            for fate in [Fate::AllLost, Fate::Mixed] {
                images += 1;
                if let Err(what) = judge(power.cut(fate, &mut random), &may_be, false) {
                    bad.push(format!("point {point}, call {i} of opening, {fate:?}: {what}"));
                }
            }
            power.follow(op);
        }
    });
    println!("{images} images, {} bad", bad.len());
    assert!(bad.is_empty(), "{:#?}", &bad[..bad.len().min(5)]);
    assert!(images >= 10_000 / one_in(), "only {images} images");
}

/// A store of the first format, cut off at every call of its migration, opens with everything in it.
#[test]
fn a_power_cut_in_a_migration_leaves_the_old_store_or_the_new_one() {
    let old = include_bytes!("../data/store-1/store.redb");
    let files = Files::from([("store.redb".to_owned(), old.to_vec())]);
    let content = |files: Files| {
        let (store, _) = Store::open(&options(&MemoryDisk::new(files))).map_err(|error| error.to_string())?;
        let reader = store.reader();
        let rows = |id| reader.range(id, At(0), At::MAX, usize::MAX);
        let rows: Result<Vec<_>, _> = (0..3).map(|id| rows(SeriesId(id))).collect();
        let rows = rows.map_err(|error| error.to_string())?;
        let entries = reader.entries(None, 0, 9).map_err(|error| error.to_string())?;
        Ok::<_, String>((rows, entries))
    };
    let whole = content(files.clone()).unwrap();
    assert_eq!((whole.0[0].readings.len(), whole.1.len()), (402, 3));
    let disk = MemoryDisk::new(files.clone());
    drop(Store::open(&options(&disk)).unwrap());
    let (mut power, mut random, mut images) = (Power::new(files), Random::seeded(7), 0);
    for op in disk.trace() {
        for fate in [Fate::AllLost, Fate::AllKept, Fate::Mixed, Fate::Mixed] {
            images += 1;
            assert_eq!(content(power.cut(fate, &mut random)).as_ref(), Ok(&whole), "{fate:?} before {op:?}");
        }
        power.follow(&op);
    }
    assert!(images > 100, "{images}");
}

#[test]
fn a_disk_that_ignores_sync_is_found_out() {
    let tally = run(60).judge(0, false, false, 10);
    assert!(tally.bad.len() > 10, "{tally:?}");
}

#[test]
fn a_store_that_acknowledges_before_it_has_written_is_found_out() {
    let tally = run(60).judge(0, true, true, 10);
    assert!(tally.bad.len() > 10, "{tally:?}");
}
