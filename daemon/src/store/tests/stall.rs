//! A disk whose syncs take long: the writer waits for it, nobody else does.

use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use super::*;
use crate::store::watched::Watched;

/// How long a sync takes while the disk stalls.
const STALL: Duration = Duration::from_secs(2);
/// What a question may take meanwhile: who waits for a sync takes longer, on however slow a machine.
const ANSWER: Duration = Duration::from_secs(1);

#[test]
fn a_stalled_disk_stops_no_reader() {
    let dir = tempfile::tempdir().unwrap();
    let is_slow = Arc::new(AtomicBool::new(false));
    let mut options = StoreOptions::new(dir.path(), ZONE);
    let slow = Arc::clone(&is_slow);
    let stall = move |_: &str| {
        if slow.load(Ordering::Relaxed) {
            std::thread::sleep(STALL);
        }
        Ok(())
    };
    options.disk = Arc::new(Watched::new(dir.path(), Arc::new(stall)));
    let (mut store, _) = Store::open(&options).unwrap();
    let k1 = store.series(&probe("k1")).unwrap();
    let reading = move |minute: i64| NewReading { series: k1, at: At(MAY + minute * 60_000), value: 55.0 };
    store.append(&(0..3_000).map(reading).collect::<Vec<_>>()).unwrap();
    while store.seal(At(MAY)).unwrap().more {}
    // Once through before the stall: the database holds its readers only while its file grows, which is seldom.
    store.append(&[reading(3_001)]).unwrap();
    store.transact(|tx| tx.put_document("a", b"a")).unwrap();
    while store.seal(At(MAY)).unwrap().more {}
    let reader = store.reader();
    is_slow.store(true, Ordering::Relaxed);
    let done = Arc::new(AtomicBool::new(false));
    let writer = std::thread::spawn({
        let done = Arc::clone(&done);
        move || {
            // A commit of the side log, a transaction, a seal: each waits for the disk.
            store.append(&[reading(3_002)]).unwrap();
            store.transact(|tx| tx.put_document("a", b"b")).unwrap();
            while store.seal(At(MAY)).unwrap().more {}
            done.store(true, Ordering::Relaxed);
            // Not dropped before the last question was answered.
            store
        }
    });
    let (mut slowest, mut asked) = (Duration::ZERO, 0);
    while !done.load(Ordering::Relaxed) {
        let begun = Instant::now();
        assert_eq!(reader.latest().unwrap().len(), 1);
        reader.range(k1, At(MAY), At::MAX, 1_000).unwrap();
        reader.days(k1, At(MAY), At(MAY + 86_400_000)).unwrap();
        reader.document("a").unwrap();
        slowest = slowest.max(begun.elapsed());
        asked += 1;
        std::thread::sleep(Duration::from_millis(5));
    }
    drop(writer.join().unwrap());
    assert!(asked > 50, "{asked} questions");
    assert!(slowest < ANSWER, "the slowest answer took {slowest:?}");
}
