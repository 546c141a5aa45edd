//! Records of other versions: an older one is brought up on a copy and kept, a newer one is left alone.

use std::collections::BTreeMap;
use std::path::Path;

use heapward_tests::daemon::{Daemon, heapward};
use heapward_tests::process::free_port;
use heapward_tests::repository;

fn way_in() -> String {
    format!("[endpoint]\nlisten = \"127.0.0.1:{}\"\n", free_port())
}

/// What lies in a folder, the lock aside.
fn files(dir: &Path) -> BTreeMap<String, Vec<u8>> {
    let all = std::fs::read_dir(dir).unwrap().map(|one| one.unwrap().path());
    let files = all.filter(|path| path.is_file() && !path.ends_with("lock"));
    files
        .map(|path| (path.file_name().unwrap().to_string_lossy().into_owned(), std::fs::read(path).unwrap()))
        .collect()
}

#[test]
fn records_of_a_newer_version_are_refused_and_left_to_the_byte() {
    let dir = tempfile::tempdir().unwrap();
    let rest = way_in();
    let mut daemon = Daemon::start(dir.path(), &rest);
    assert!(daemon.process().stop().success());
    let records = dir.path().join("records");
    std::fs::write(records.join("FORMAT"), "heapward store 99\n").unwrap();
    let before = files(&records);
    let file = dir.path().join("heapward.toml");
    let file = file.to_str().unwrap();
    for command in [&["run"][..], &["backup", dir.path().join("copy").to_str().unwrap()], &["store"]] {
        let output = heapward(&[command, &["--config", file]].concat());
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!(output.status.code(), Some(1), "{command:?}: {said}");
        assert!(said.contains("newer heapward (store format 99"), "{command:?}: {said}");
    }
    assert_eq!(files(&records), before);
}

/// Every format that was ever written has a store in `daemon/tests/data`. The daemon starts with each, keeps the old
/// database as it was, and starts with that again where somebody has gone back to the version before.
#[test]
fn records_of_every_older_version_are_brought_up_and_the_old_database_is_kept() {
    let data = repository().join("daemon/tests/data");
    let mut stores: Vec<_> = std::fs::read_dir(data).unwrap().map(|one| one.unwrap().path()).collect();
    stores.retain(|path| path.file_name().unwrap().to_string_lossy().starts_with("store-"));
    assert!(!stores.is_empty());
    for old in stores {
        let version = old.file_name().unwrap().to_string_lossy().replace("store-", "");
        let dir = tempfile::tempdir().unwrap();
        let records = dir.path().join("records");
        std::fs::create_dir_all(&records).unwrap();
        for (name, bytes) in files(&old) {
            std::fs::write(records.join(name), bytes).unwrap();
        }
        let old = files(&old);
        let rest = way_in();
        let mut daemon = Daemon::start(dir.path(), &rest);
        let probes = |daemon: &Daemon| {
            let probes = daemon.site.get("/v1/probes")["items"].as_array().unwrap().clone();
            let newest = |one: &serde_json::Value| {
                (one["probe"].to_string(), one["time"].to_string(), one["value"].to_string())
            };
            probes.iter().map(newest).collect::<Vec<_>>()
        };
        let found = probes(&daemon);
        assert!(found.len() >= 2, "format {version}: {found:?}");
        assert!(daemon.process().stop().success());
        let kept = format!("store.redb.v{version}");
        assert_eq!(files(&records)[&kept], old["store.redb"], "format {version} is kept as it was");

        // Back to the version before: its database and the small files beside it in their place, and nothing of the new
        // one. Then forward again.
        for (name, _) in files(&records) {
            if name != kept {
                std::fs::remove_file(records.join(name)).unwrap();
            }
        }
        std::fs::rename(records.join(kept), records.join("store.redb")).unwrap();
        for (name, bytes) in old.iter().filter(|(name, _)| *name != "store.redb") {
            std::fs::write(records.join(name), bytes).unwrap();
        }
        assert_eq!(files(&records), old);
        let again = Daemon::start(dir.path(), &rest);
        assert_eq!(probes(&again), found);
    }
}
