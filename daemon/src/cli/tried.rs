//! Which channels have carried a test message: beside the records, so that `heapward doctor` can name the others.

use std::collections::BTreeSet;
use std::path::Path;
use std::{fs, io};

const FILE: &str = "tested-channels";

/// Adds channels by which a test message went out.
pub(super) fn add<'a>(store_dir: &Path, new: impl Iterator<Item = &'a str>) -> io::Result<()> {
    let mut all = channels(store_dir);
    all.extend(new.map(str::to_owned));
    let lines: Vec<&str> = all.iter().map(String::as_str).collect();
    fs::write(store_dir.join(FILE), lines.join("\n"))
}

/// The channels that were tested; none where nobody knows.
pub(super) fn channels(store_dir: &Path) -> BTreeSet<String> {
    let text = fs::read_to_string(store_dir.join(FILE)).unwrap_or_default();
    text.lines().map(str::to_owned).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_was_tested_is_remembered() {
        let dir = tempfile::tempdir().unwrap();
        assert!(channels(dir.path()).is_empty());
        add(dir.path(), ["mail", "text"].into_iter()).unwrap();
        add(dir.path(), ["mail"].into_iter()).unwrap();
        assert_eq!(channels(dir.path()), BTreeSet::from(["mail".to_owned(), "text".to_owned()]));
        assert!(add(&dir.path().join("gone"), ["mail"].into_iter()).is_err());
    }
}
