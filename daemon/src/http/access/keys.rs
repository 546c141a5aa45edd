//! Passes on the card: who may write, and the one-time codes by which a phone gets its pass.
//!
//! A folder `passes` in the store's folder, one small JSON file each, named by the SHA-256 of the secret:
//! `code.HASH` for a code that waits to be used, `pass.HASH` for a pass. The secrets themselves are nowhere. To look
//! a pass up is to open one file; to use a code up is to remove its file, which only one can do. So the command line
//! and the daemon need no lock between them, and a pass is taken away by removing its file.

use crate::sha256;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::{fs, io};

use heapward_rules::units::{At, Span};
use serde::{Deserialize, Serialize};

/// The folder of passes.
#[derive(Clone, Debug)]
pub struct Keys {
    dir: PathBuf,
}

/// What a pass opens for whom.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Pass {
    /// Initials of the person or the script's name: stands in the log behind what was entered.
    pub name: String,
    pub made_ms: i64,
}

#[derive(Serialize, Deserialize)]
struct Code {
    until_ms: i64,
}

/// A code is typed or scanned at once; a quarter of an hour is a walk to the barn.
pub const CODE_MINUTES: i64 = 15;

/// Letters and digits that can't be taken for one another.
const ALPHABET: &[u8; 32] = b"23456789ABCDEFGHJKLMNPQRSTUVWXYZ";

// === impl Keys ===

impl Keys {
    /// The passes beside the store in `store_dir`.
    pub fn new(store_dir: &Path) -> Keys {
        Keys { dir: store_dir.join("passes") }
    }

    /// A one-time code, as `K7QM-2XPD-9RTA`: 60 bits for a quarter of an hour.
    pub fn make_code(&self, now: At) -> io::Result<String> {
        let letters: String =
            random::<12>()?.iter().map(|byte| char::from(ALPHABET[usize::from(byte % 32)])).collect();
        let code = Code { until_ms: (now + Span::minutes(CODE_MINUTES)).0 };
        self.write(&format!("code.{}", hash(&letters)), &code)?;
        Ok(format!("{}-{}-{}", &letters[..4], &letters[4..8], &letters[8..]))
    }

    /// Uses a code up and makes the pass. `None`: no such code, or its time is over.
    pub fn pair(&self, code: &str, name: &str, now: At) -> io::Result<Option<String>> {
        let file = self.dir.join(format!("code.{}", hash(&plain(code))));
        let Some(Code { until_ms }) = read(&file)? else {
            return Ok(None);
        };
        // Whoever removes the file has the code; of two who try at once the other finds it gone.
        if let Err(error) = fs::remove_file(&file) {
            return if error.kind() == io::ErrorKind::NotFound { Ok(None) } else { Err(error) };
        }
        if now.0 > until_ms {
            return Ok(None);
        }
        self.make_pass(name, now).map(Some)
    }

    /// Whether a code could be used now.
    pub fn knows_code(&self, code: &str, now: At) -> io::Result<bool> {
        let file = self.dir.join(format!("code.{}", hash(&plain(code))));
        Ok(read::<Code>(&file)?.is_some_and(|code| now.0 <= code.until_ms))
    }

    /// A pass for a person's phone or a script: 256 bits in hex, shown once.
    pub fn make_pass(&self, name: &str, now: At) -> io::Result<String> {
        let secret = hex(&random::<32>()?);
        let pass = Pass { name: name.to_owned(), made_ms: now.0 };
        self.write(&format!("pass.{}", hash(&secret)), &pass)?;
        Ok(secret)
    }

    /// The pass that a secret opens. Looked up by hash: how long it takes says nothing about the secret.
    pub fn pass(&self, secret: &str) -> io::Result<Option<Pass>> {
        read(&self.dir.join(format!("pass.{}", hash(secret))))
    }

    /// Takes a pass away.
    pub fn forget(&self, secret: &str) -> io::Result<()> {
        match fs::remove_file(self.dir.join(format!("pass.{}", hash(secret)))) {
            Err(error) if error.kind() != io::ErrorKind::NotFound => Err(error),
            _ => Ok(()),
        }
    }

    /// All passes, to show who has one.
    pub fn passes(&self) -> io::Result<Vec<Pass>> {
        let entries = match fs::read_dir(&self.dir) {
            Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(Vec::new()),
            entries => entries?,
        };
        let mut passes = Vec::new();
        for entry in entries {
            let path = entry?.path();
            if path.file_name().is_some_and(|name| name.to_string_lossy().starts_with("pass.")) {
                passes.extend(read::<Pass>(&path)?);
            }
        }
        passes.sort_by_key(|pass| pass.made_ms);
        Ok(passes)
    }

    /// Takes away all passes of a name. Says how many there were.
    pub fn forget_name(&self, name: &str) -> io::Result<usize> {
        let mut count = 0;
        for entry in fs::read_dir(&self.dir)? {
            let path = entry?.path();
            let is_pass = path.file_name().is_some_and(|file| file.to_string_lossy().starts_with("pass."));
            if is_pass && read::<Pass>(&path)?.is_some_and(|pass| pass.name == name) {
                fs::remove_file(&path)?;
                count += 1;
            }
        }
        Ok(count)
    }

    fn write(&self, name: &str, what: &impl Serialize) -> io::Result<()> {
        let parent = self.dir.parent().unwrap_or(Path::new("."));
        if !self.dir.is_dir() {
            private_dir(&self.dir)?;
            owned_as(parent, &self.dir)?;
        }
        let unfinished = self.dir.join(format!("new.{}", hex(&random::<8>()?)));
        let mut file = private_file(&unfinished)?;
        file.write_all(&serde_json::to_vec(what)?)?;
        file.sync_all()?;
        // A code made by root has to be readable for the daemon's own user.
        owned_as(&self.dir, &unfinished)?;
        fs::rename(&unfinished, self.dir.join(name))?;
        fs::File::open(&self.dir)?.sync_all()
    }
}

/// Form of a code as it is hashed: typed in small letters, with or without dashes.
fn plain(code: &str) -> String {
    code.chars().filter(char::is_ascii_alphanumeric).map(|c| c.to_ascii_uppercase()).collect()
}

/// SHA-256 in hex: a name that no request can turn into a path.
pub(in crate::http) fn hash(text: &str) -> String {
    hex(&sha256::digest(text.as_bytes()))
}

pub(in crate::http) fn hex(bytes: &[u8]) -> String {
    let digit = |half: u8| char::from_digit(u32::from(half), 16).unwrap_or('0');
    bytes.iter().flat_map(|byte| [digit(byte >> 4), digit(byte & 15)]).collect()
}

fn random<const N: usize>() -> io::Result<[u8; N]> {
    let mut bytes = [0; N];
    getrandom::fill(&mut bytes).map_err(io::Error::other)?;
    Ok(bytes)
}

fn read<T: serde::de::DeserializeOwned>(path: &Path) -> io::Result<Option<T>> {
    match fs::read(path) {
        Ok(bytes) => Ok(Some(serde_json::from_slice(&bytes)?)),
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(None),
        Err(error) => Err(error),
    }
}

fn private_dir(path: &Path) -> io::Result<()> {
    use std::os::unix::fs::DirBuilderExt;
    fs::DirBuilder::new().recursive(true).mode(0o700).create(path)
}

fn private_file(path: &Path) -> io::Result<fs::File> {
    use std::os::unix::fs::OpenOptionsExt;
    fs::OpenOptions::new().write(true).create_new(true).mode(0o600).open(path)
}

fn owned_as(model: &Path, path: &Path) -> io::Result<()> {
    use std::os::unix::fs::MetadataExt;
    let (is, should) = (fs::metadata(path)?, fs::metadata(model)?);
    if (is.uid(), is.gid()) == (should.uid(), should.gid()) {
        return Ok(());
    }
    std::os::unix::fs::chown(path, Some(should.uid()), Some(should.gid()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::os::unix::fs::PermissionsExt;

    const NOW: At = At(1_777_647_600_000);

    #[test]
    fn a_code_is_used_once() {
        let dir = tempfile::tempdir().unwrap();
        let keys = Keys::new(dir.path());
        let code = keys.make_code(NOW).unwrap();
        assert!(keys.knows_code(&code, NOW).unwrap());
        let secret = keys.pair(&code.to_lowercase().replace('-', " "), "OM", NOW).unwrap().unwrap();
        assert_eq!(keys.pair(&code, "OM", NOW).unwrap(), None);
        assert_eq!(keys.pass(&secret).unwrap(), Some(Pass { name: "OM".to_owned(), made_ms: NOW.0 }));
        assert_eq!(keys.pass("../../etc/passwd").unwrap(), None);
        keys.forget(&secret).unwrap();
        assert_eq!(keys.pass(&secret).unwrap(), None);
    }

    #[test]
    fn a_code_is_over_after_a_quarter_of_an_hour() {
        let dir = tempfile::tempdir().unwrap();
        let keys = Keys::new(dir.path());
        let code = keys.make_code(NOW).unwrap();
        let late = NOW + Span::minutes(CODE_MINUTES) + Span(1);
        assert!(!keys.knows_code(&code, late).unwrap());
        assert_eq!(keys.pair(&code, "OM", late).unwrap(), None);
    }

    #[test]
    fn of_two_who_use_a_code_at_once_one_gets_a_pass() {
        let dir = tempfile::tempdir().unwrap();
        let keys = Keys::new(dir.path());
        let code = keys.make_code(NOW).unwrap();
        let pair = || keys.pair(&code, "BO", NOW).unwrap();
        let pairs = std::thread::scope(|scope| {
            let threads: Vec<_> = (0..8).map(|_| scope.spawn(pair)).collect();
            threads.into_iter().map(|thread| thread.join().unwrap()).collect::<Vec<_>>()
        });
        assert_eq!(pairs.into_iter().flatten().count(), 1);
        assert_eq!(keys.passes().unwrap().len(), 1);
        assert_eq!(keys.forget_name("BO").unwrap(), 1);
    }

    #[test]
    fn nobody_else_can_read_them_and_no_secret_is_in_them() {
        let dir = tempfile::tempdir().unwrap();
        let keys = Keys::new(dir.path());
        let secret = keys.make_pass("script", NOW).unwrap();
        for entry in fs::read_dir(dir.path().join("passes")).unwrap() {
            let entry = entry.unwrap();
            assert_eq!(entry.metadata().unwrap().permissions().mode() & 0o077, 0);
            assert!(!entry.file_name().to_string_lossy().contains(&secret));
            assert!(!fs::read_to_string(entry.path()).unwrap().contains(&secret));
        }
    }
}
