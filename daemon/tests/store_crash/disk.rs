//! A disk in memory that keeps account of what is durable, and can be told to fail.

use std::collections::BTreeMap;
use std::io;
use std::sync::{Arc, Mutex};

use heapward::store::Disk;
use redb::StorageBackend;

pub(crate) type Files = BTreeMap<String, Vec<u8>>;

/// One call that changes something.
#[derive(Clone, Debug)]
pub(crate) enum Op {
    Create { file: String },
    Write { file: String, offset: usize, bytes: Vec<u8> },
    SetLen { file: String, len: usize },
    Sync { file: String },
    Replace { file: String, bytes: Vec<u8> },
    Rename { from: String, to: String },
}

/// Which call fails, counted from 0, and how.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Fault {
    pub(crate) at: u64,
    pub(crate) error: i32,
    /// Every call from then on fails, not only the one.
    pub(crate) is_sticky: bool,
    /// A sync that fails makes the system forget that the pages are to be written: they never get to the disk unless
    /// they are written again.
    pub(crate) forgets: bool,
}

#[derive(Debug, Default)]
struct State {
    live: Files,
    trace: Vec<Op>,
    mutations: u64,
    reads: u64,
    fail_mutation: Option<Fault>,
    fail_read: Option<Fault>,
    /// Writes by file that a failed sync has forgotten: places in the trace.
    forgotten: Vec<usize>,
}

#[derive(Clone, Debug, Default)]
pub(crate) struct MemoryDisk {
    state: Arc<Mutex<State>>,
}

#[derive(Debug)]
struct MemoryFile {
    disk: MemoryDisk,
    name: String,
}

// === impl Op ===

impl Op {
    fn file(&self) -> &str {
        match self {
            Op::Create { file }
            | Op::Write { file, .. }
            | Op::SetLen { file, .. }
            | Op::Sync { file }
            | Op::Replace { file, .. }
            | Op::Rename { from: file, .. } => file,
        }
    }

    /// What is on its way into a file goes with it when that gets another name.
    fn follow_name(&mut self, from: &str, to: &str) {
        if let Op::Write { file, .. } | Op::SetLen { file, .. } = self
            && file == from
        {
            to.clone_into(file);
        }
    }
}

// === impl MemoryDisk ===

impl MemoryDisk {
    pub(crate) fn new(files: Files) -> MemoryDisk {
        let disk = MemoryDisk::default();
        disk.with(|state| state.live = files);
        disk
    }

    fn with<T>(&self, work: impl FnOnce(&mut State) -> T) -> T {
        work(&mut self.state.lock().unwrap())
    }

    pub(crate) fn files(&self) -> Files {
        self.with(|state| state.live.clone())
    }

    pub(crate) fn trace(&self) -> Vec<Op> {
        self.with(|state| state.trace.clone())
    }

    pub(crate) fn trace_len(&self) -> usize {
        self.with(|state| state.trace.len())
    }

    /// Places in the trace of the writes that a failed sync has forgotten.
    pub(crate) fn forgotten(&self) -> Vec<usize> {
        self.with(|state| state.forgotten.clone())
    }

    pub(crate) fn fail_mutation(&self, fault: Option<Fault>) {
        self.with(|state| {
            state.mutations = 0;
            state.fail_mutation = fault;
        });
    }

    pub(crate) fn fail_read(&self, fault: Option<Fault>) {
        self.with(|state| {
            state.reads = 0;
            state.fail_read = fault;
        });
    }

    fn mutate(&self, op: Op, apply: impl FnOnce(&mut Files)) -> io::Result<()> {
        self.with(|state| {
            let n = state.mutations;
            state.mutations += 1;
            if let Some(fault) = due(state.fail_mutation.as_ref(), n) {
                if let (Op::Sync { file }, true) = (&op, fault.forgets) {
                    let last_sync =
                        state.trace.iter().rposition(|op| matches!(op, Op::Sync { file: f } if f == file));
                    let from = last_sync.map_or(0, |i| i + 1);
                    let lost = (from..state.trace.len()).filter(|i| match &state.trace[*i] {
                        Op::Write { file: f, .. } | Op::SetLen { file: f, .. } => f == file,
                        _ => false,
                    });
                    let lost: Vec<usize> = lost.collect();
                    state.forgotten.extend(lost);
                }
                return Err(io::Error::from_raw_os_error(fault.error));
            }
            apply(&mut state.live);
            state.trace.push(op);
            Ok(())
        })
    }

    fn read_with<T>(&self, work: impl FnOnce(&Files) -> T) -> io::Result<T> {
        self.with(|state| {
            let n = state.reads;
            state.reads += 1;
            match due(state.fail_read.as_ref(), n) {
                Some(fault) => Err(io::Error::from_raw_os_error(fault.error)),
                None => Ok(work(&state.live)),
            }
        })
    }
}

fn due(fault: Option<&Fault>, n: u64) -> Option<Fault> {
    fault.copied().filter(|fault| n == fault.at || (fault.is_sticky && n > fault.at))
}

impl Disk for MemoryDisk {
    fn open(&self, name: &str) -> io::Result<Box<dyn StorageBackend>> {
        if !self.with(|state| state.live.contains_key(name)) {
            let file = name.to_owned();
            self.mutate(Op::Create { file: file.clone() }, |files| {
                files.insert(file, Vec::new());
            })?;
        }
        Ok(Box::new(MemoryFile { disk: self.clone(), name: name.to_owned() }))
    }

    fn exists(&self, name: &str) -> io::Result<bool> {
        self.read_with(|files| files.contains_key(name))
    }

    fn size(&self, name: &str) -> io::Result<Option<u64>> {
        self.read_with(|files| files.get(name).map(|file| file.len() as u64))
    }

    fn free(&self) -> io::Result<u64> {
        Ok(u64::MAX)
    }

    fn read(&self, name: &str) -> io::Result<Option<Vec<u8>>> {
        self.read_with(|files| files.get(name).cloned())
    }

    fn replace(&self, name: &str, bytes: &[u8]) -> io::Result<()> {
        let op = Op::Replace { file: name.to_owned(), bytes: bytes.to_vec() };
        self.mutate(op, |files| {
            files.insert(name.to_owned(), bytes.to_vec());
        })
    }

    fn list(&self, folder: &str) -> io::Result<Vec<String>> {
        let prefix = if folder.is_empty() { String::new() } else { format!("{folder}/") };
        self.read_with(|files| {
            let inside = files.keys().filter_map(|file| file.strip_prefix(&prefix));
            inside.filter(|name| !name.contains('/')).map(str::to_owned).collect()
        })
    }

    fn rename(&self, from: &str, to: &str) -> io::Result<()> {
        let op = Op::Rename { from: from.to_owned(), to: to.to_owned() };
        self.mutate(op, |files| rename(files, from, to))
    }
}

fn rename(files: &mut Files, from: &str, to: &str) {
    if let Some(bytes) = files.remove(from) {
        files.insert(to.to_owned(), bytes);
    }
}

// === impl MemoryFile ===

impl StorageBackend for MemoryFile {
    fn len(&self) -> io::Result<u64> {
        self.disk.read_with(|files| files.get(&self.name).map_or(0, Vec::len) as u64)
    }

    fn read(&self, offset: u64, out: &mut [u8]) -> io::Result<()> {
        let from = usize::try_from(offset).unwrap();
        self.disk.read_with(|files| {
            let bytes = files.get(&self.name).and_then(|file| file.get(from..from + out.len()));
            bytes.map(|bytes| out.copy_from_slice(bytes)).ok_or(io::ErrorKind::UnexpectedEof.into())
        })?
    }

    fn set_len(&self, len: u64) -> io::Result<()> {
        let len = usize::try_from(len).unwrap();
        self.disk.mutate(Op::SetLen { file: self.name.clone(), len }, |files| {
            files.entry(self.name.clone()).or_default().resize(len, 0);
        })
    }

    fn sync_data(&self) -> io::Result<()> {
        self.disk.mutate(Op::Sync { file: self.name.clone() }, |_| ())
    }

    fn write(&self, offset: u64, data: &[u8]) -> io::Result<()> {
        let offset = usize::try_from(offset).unwrap();
        let op = Op::Write { file: self.name.clone(), offset, bytes: data.to_vec() };
        self.disk.mutate(op, |files| write(files.entry(self.name.clone()).or_default(), offset, data))
    }
}

fn write(file: &mut Vec<u8>, offset: usize, data: &[u8]) {
    if file.len() < offset + data.len() {
        file.resize(offset + data.len(), 0);
    }
    file[offset..offset + data.len()].copy_from_slice(data);
}

// === what a power cut leaves ===

/// How the writes that were not synced fare.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Fate {
    AllLost,
    AllKept,
    /// Each 512-byte sector for itself: five of eight kept, two lost, one torn at some byte. Lengths kept or lost.
    Mixed,
}

/// Follows a trace and knows at each point what is durable and what is on its way.
#[derive(Clone, Debug)]
pub(crate) struct Power {
    durable: Files,
    pending: Vec<Op>,
    /// Sync does something.
    pub(crate) is_honest: bool,
}

impl Power {
    pub(crate) fn new(files: Files) -> Power {
        Power { durable: files, pending: Vec::new(), is_honest: true }
    }

    pub(crate) fn follow(&mut self, op: &Op) {
        match op {
            Op::Sync { file } if self.is_honest => {
                let of_file = |op: &Op| matches!(op, Op::Write { file: f, .. } | Op::SetLen { file: f, .. } if f == file);
                let mut bytes = self.durable.remove(file).unwrap_or_default();
                for op in self.pending.iter().filter(|op| of_file(op)) {
                    match op {
                        Op::Write { offset, bytes: data, .. } => write(&mut bytes, *offset, data),
                        Op::SetLen { len, .. } => bytes.resize(*len, 0),
                        _ => {}
                    }
                }
                self.durable.insert(file.clone(), bytes);
                self.pending.retain(|op| !of_file(op));
            }
            Op::Sync { .. } => {}
            // Names are made durable by the call itself.
            Op::Create { file } => drop(self.durable.entry(file.clone()).or_default()),
            Op::Replace { file, bytes } => drop(self.durable.insert(file.clone(), bytes.clone())),
            Op::Rename { from, to } => {
                rename(&mut self.durable, from, to);
                self.pending.retain(|op| op.file() != to);
                for op in &mut self.pending {
                    op.follow_name(from, to);
                }
            }
            Op::Write { .. } | Op::SetLen { .. } => self.pending.push(op.clone()),
        }
    }

    /// The files as a power cut at this point leaves them.
    pub(crate) fn cut(&self, fate: Fate, random: &mut Random) -> Files {
        let mut files = self.durable.clone();
        if fate == Fate::AllLost {
            return files;
        }
        let keeps_length: BTreeMap<String, bool> =
            files.keys().map(|file| (file.clone(), fate == Fate::AllKept || random.below(2) == 0)).collect();
        for op in &self.pending {
            match op {
                Op::SetLen { file, len } if keeps_length[file] => {
                    files.get_mut(file).unwrap().resize(*len, 0);
                }
                Op::Write { file, offset, bytes } => {
                    let target = files.get_mut(file).unwrap();
                    let end = offset + bytes.len();
                    if target.len() < end && keeps_length[file] {
                        target.resize(end, 0);
                    }
                    let room = target.len().saturating_sub(*offset).min(bytes.len());
                    for (i, sector) in bytes[..room].chunks(512).enumerate() {
                        let kept = match random.below(8) {
                            _ if fate == Fate::AllKept => sector.len(),
                            0..5 => sector.len(),
                            5 | 6 => 0,
                            _ => usize::try_from(random.below(sector.len() as u64 + 1)).unwrap(),
                        };
                        let at = offset + i * 512;
                        target[at..at + kept].copy_from_slice(&sector[..kept]);
                    }
                }
                _ => {}
            }
        }
        files
    }
}

/// The generator `SplitMix64`: small, fast and the same everywhere.
#[derive(Clone, Debug)]
pub(crate) struct Random(pub u64);

impl Random {
    /// From `HEAPWARD_SEED`, if that is set; the seed is printed so that a failure can be repeated.
    pub(crate) fn seeded(salt: u64) -> Random {
        let seed = std::env::var("HEAPWARD_SEED").map_or(20_260_501, |seed| seed.parse().unwrap());
        println!("HEAPWARD_SEED={seed}");
        Random(seed ^ salt.wrapping_mul(0x9E37_79B9_7F4A_7C15))
    }

    pub(crate) fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    pub(crate) fn below(&mut self, n: u64) -> u64 {
        self.next() % n.max(1)
    }
}
