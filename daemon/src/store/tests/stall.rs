//! A disk whose syncs take long: the writer waits for it, nobody else does.

use std::io;
use std::ops::Bound;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use redb::{BackendError, StorageBackend};

use super::*;

/// How long a sync takes while the disk stalls.
const STALL: Duration = Duration::from_secs(2);
/// What a question may take meanwhile: who waits for a sync takes longer, on however slow a machine.
const ANSWER: Duration = Duration::from_secs(1);

/// A folder whose syncs can be made slow.
#[derive(Debug)]
struct SlowFolder {
    folder: Folder,
    is_slow: Arc<AtomicBool>,
}

#[derive(Debug)]
struct SlowFile {
    file: Box<dyn StorageBackend>,
    is_slow: Arc<AtomicBool>,
}

impl Disk for SlowFolder {
    fn open(&self, name: &str) -> io::Result<Box<dyn StorageBackend>> {
        let file = self.folder.open(name)?;
        Ok(Box::new(SlowFile { file, is_slow: Arc::clone(&self.is_slow) }))
    }

    fn exists(&self, name: &str) -> io::Result<bool> {
        self.folder.exists(name)
    }

    fn size(&self, name: &str) -> io::Result<Option<u64>> {
        self.folder.size(name)
    }

    fn free(&self) -> io::Result<u64> {
        self.folder.free()
    }

    fn read(&self, name: &str) -> io::Result<Option<Vec<u8>>> {
        self.folder.read(name)
    }

    fn replace(&self, name: &str, bytes: &[u8]) -> io::Result<()> {
        self.folder.replace(name, bytes)
    }

    fn list(&self, folder: &str) -> io::Result<Vec<String>> {
        self.folder.list(folder)
    }

    fn rename(&self, from: &str, to: &str) -> io::Result<()> {
        self.folder.rename(from, to)
    }
}

impl StorageBackend for SlowFile {
    fn len(&self) -> io::Result<u64> {
        self.file.len()
    }

    fn read(&self, offset: u64, out: &mut [u8]) -> io::Result<()> {
        self.file.read(offset, out)
    }

    fn set_len(&self, len: u64) -> io::Result<()> {
        self.file.set_len(len)
    }

    fn sync_data(&self) -> io::Result<()> {
        if self.is_slow.load(Ordering::Relaxed) {
            std::thread::sleep(STALL);
        }
        self.file.sync_data()
    }

    fn write(&self, offset: u64, data: &[u8]) -> io::Result<()> {
        self.file.write(offset, data)
    }

    fn close(&self) -> io::Result<()> {
        self.file.close()
    }

    fn try_lock_range(&self, start: Bound<u64>, end: Bound<u64>) -> Result<bool, BackendError> {
        self.file.try_lock_range(start, end)
    }
}

#[test]
fn a_stalled_disk_stops_no_reader() {
    let dir = tempfile::tempdir().unwrap();
    let is_slow = Arc::new(AtomicBool::new(false));
    let mut options = StoreOptions::new(dir.path(), ZONE);
    options.disk = Arc::new(SlowFolder { folder: Folder::new(dir.path()), is_slow: Arc::clone(&is_slow) });
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
