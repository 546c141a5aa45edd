//! A store's files in memory: hundreds of stores a second, and nothing to clean up.

use std::collections::BTreeMap;
use std::io;
use std::sync::{Arc, Mutex, MutexGuard};

use heapward::store::Disk;
use redb::StorageBackend;

type Bytes = Arc<Mutex<Vec<u8>>>;

#[derive(Clone, Debug, Default)]
pub(crate) struct MemoryDisk {
    files: Arc<Mutex<BTreeMap<String, Bytes>>>,
}

#[derive(Debug)]
struct MemoryFile(Bytes);

// === impl MemoryDisk ===

impl MemoryDisk {
    fn files(&self) -> MutexGuard<'_, BTreeMap<String, Bytes>> {
        self.files.lock().unwrap()
    }
}

impl Disk for MemoryDisk {
    fn open(&self, name: &str) -> io::Result<Box<dyn StorageBackend>> {
        Ok(Box::new(MemoryFile(self.files().entry(name.to_owned()).or_default().clone())))
    }

    fn exists(&self, name: &str) -> io::Result<bool> {
        Ok(self.files().contains_key(name))
    }

    fn size(&self, name: &str) -> io::Result<Option<u64>> {
        Ok(self.files().get(name).map(|file| file.lock().unwrap().len() as u64))
    }

    fn free(&self) -> io::Result<u64> {
        Ok(u64::MAX)
    }

    fn read(&self, name: &str) -> io::Result<Option<Vec<u8>>> {
        Ok(self.files().get(name).map(|file| file.lock().unwrap().clone()))
    }

    fn replace(&self, name: &str, bytes: &[u8]) -> io::Result<()> {
        self.files().insert(name.to_owned(), Arc::new(Mutex::new(bytes.to_vec())));
        Ok(())
    }

    fn list(&self, folder: &str) -> io::Result<Vec<String>> {
        let prefix = if folder.is_empty() { String::new() } else { format!("{folder}/") };
        let files = self.files();
        let inside = files.keys().filter_map(|file| file.strip_prefix(&prefix));
        Ok(inside.filter(|name| !name.contains('/')).map(str::to_owned).collect())
    }

    fn rename(&self, from: &str, to: &str) -> io::Result<()> {
        let mut files = self.files();
        let file = files.remove(from).ok_or(io::ErrorKind::NotFound)?;
        files.insert(to.to_owned(), file);
        Ok(())
    }
}

// === impl MemoryFile ===

impl StorageBackend for MemoryFile {
    fn len(&self) -> io::Result<u64> {
        Ok(self.0.lock().unwrap().len() as u64)
    }

    fn read(&self, offset: u64, out: &mut [u8]) -> io::Result<()> {
        let from = usize::try_from(offset).unwrap();
        let bytes = self.0.lock().unwrap();
        let wanted = bytes.get(from..from + out.len()).ok_or(io::ErrorKind::UnexpectedEof)?;
        out.copy_from_slice(wanted);
        Ok(())
    }

    fn set_len(&self, len: u64) -> io::Result<()> {
        self.0.lock().unwrap().resize(usize::try_from(len).unwrap(), 0);
        Ok(())
    }

    fn sync_data(&self) -> io::Result<()> {
        Ok(())
    }

    fn write(&self, offset: u64, data: &[u8]) -> io::Result<()> {
        let from = usize::try_from(offset).unwrap();
        let mut bytes = self.0.lock().unwrap();
        let to = from + data.len();
        if bytes.len() < to {
            bytes.resize(to, 0);
        }
        bytes[from..to].copy_from_slice(data);
        Ok(())
    }
}
