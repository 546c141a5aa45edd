//! What comes from others: licences, sources and number of packages, as `deny.toml` says it too.

use std::process::Command;

use heapward_tests::repository;
use serde_json::Value;

/// Licences under which the package can be given on. A package offers one of them at least.
const LICENSES: [&str; 11] = [
    "MIT",
    "MIT-0",
    "Apache-2.0",
    "Apache-2.0 WITH LLVM-exception",
    "BSD-2-Clause",
    "BSD-3-Clause",
    "ISC",
    "Zlib",
    "0BSD",
    "Unicode-3.0",
    "CC0-1.0",
];
/// Licences for data that comes with a package.
const DATA_LICENSES: [&str; 1] = ["CDLA-Permissive-2.0"];

/// Packages of the lock file, of all systems. Each is somebody's promise to keep it well. A quarter of them is for other
/// systems (Windows, browsers) and never compiled here: eleven are of `ring`, some six of the HTTP client. The solver of
/// mixes brings nine, the writer of PDF one, the numeric codec of the store's blocks nine.
const PACKAGES_MAX: usize = 200;

fn packages() -> Vec<Value> {
    let output = Command::new(env!("CARGO"))
        .args(["metadata", "--format-version", "1", "--locked"])
        .current_dir(repository())
        .output()
        .unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let metadata: Value = serde_json::from_slice(&output.stdout).unwrap();
    let packages: Vec<Value> = metadata["packages"]
        .as_array()
        .unwrap()
        .iter()
        .filter(|one| !one["source"].is_null())
        .cloned()
        .collect();
    assert!(packages.len() > 50, "only {} packages were found", packages.len());
    packages
}

/// Whether an expression such as `(MIT OR Apache-2.0) AND Unicode-3.0` can be met by the licences above.
fn can_be_met(expression: &str) -> bool {
    let known = |name: &str| {
        let name = name.trim().trim_matches(['(', ')']).trim();
        LICENSES.contains(&name) || DATA_LICENSES.contains(&name)
    };
    expression.replace('/', " OR ").split(" AND ").all(|part| part.split(" OR ").any(known))
}

#[test]
fn every_package_may_be_given_on() {
    let refused = |one: &Value| {
        let license = one["license"].as_str().unwrap_or("none");
        (!can_be_met(license)).then(|| format!("{} {}: {license}", one["name"], one["version"]))
    };
    let refused: Vec<String> = packages().iter().filter_map(refused).collect();
    assert!(refused.is_empty(), "licences that are not in the list:\n{}", refused.join("\n"));
    assert!(can_be_met("(MIT OR Apache-2.0) AND Unicode-3.0") && !can_be_met("GPL-3.0-only"));
}

#[test]
fn every_package_comes_from_the_registry() {
    let registry = "registry+https://github.com/rust-lang/crates.io-index";
    let strange: Vec<String> = packages()
        .iter()
        .filter(|one| one["source"] != registry)
        .map(|one| format!("{} from {}", one["name"], one["source"]))
        .collect();
    assert!(strange.is_empty(), "{}", strange.join("\n"));
}

#[test]
fn there_is_one_tls_library_and_no_native_one() {
    let names: Vec<String> =
        packages().iter().map(|one| one["name"].as_str().unwrap_or_default().to_owned()).collect();
    for unwanted in ["openssl-sys", "native-tls", "aws-lc-rs", "aws-lc-sys"] {
        assert!(!names.iter().any(|name| name == unwanted), "{unwanted} came in");
    }
    assert_eq!(names.iter().filter(|name| *name == "rustls").count(), 1, "there is one rustls");
}

#[test]
fn the_packages_stay_few() {
    let lock = std::fs::read_to_string(repository().join("Cargo.lock")).unwrap();
    let count = lock.lines().filter(|line| *line == "[[package]]").count();
    assert!(count <= PACKAGES_MAX, "{count} packages in Cargo.lock, {PACKAGES_MAX} are allowed");
}

/// Names and versions of what a package depends on by a lock file, in order.
fn dependencies(lock: &toml::Table, package: &str) -> Vec<(String, String)> {
    let packages: Vec<&toml::Value> = lock["package"].as_array().unwrap().iter().collect();
    let text = |one: &toml::Value, key: &str| one[key].as_str().unwrap().to_owned();
    let whole = packages.iter().find(|one| one["name"].as_str() == Some(package)).unwrap();
    let named = whole["dependencies"].as_array().unwrap().iter().map(|one| one.as_str().unwrap());
    // `name`, or `name version` where there are several.
    let found = named.map(|named| {
        let (name, version) = named.split_once(' ').unzip();
        let name = name.unwrap_or(named);
        let is_it = |one: &&&toml::Value| {
            one["name"].as_str() == Some(name)
                && version.is_none_or(|version| one["version"].as_str() == Some(version))
        };
        let found = packages.iter().find(is_it).unwrap();
        (text(found, "name"), text(found, "version"))
    });
    found.collect()
}

/// The bench with `SQLite` is not built by `tests/run`; with an old lock it can't be built at all.
#[test]
fn the_bench_in_a_workspace_of_its_own_has_the_packages_of_the_daemon() {
    let lock = |path: &str| -> toml::Table {
        std::fs::read_to_string(repository().join(path)).unwrap().parse().unwrap()
    };
    let manifest: toml::Table =
        std::fs::read_to_string(repository().join("daemon/Cargo.toml")).unwrap().parse().unwrap();
    let wanted = manifest["dependencies"].as_table().unwrap();
    let ours = dependencies(&lock("Cargo.lock"), "heapward");
    let ours: Vec<_> = ours.into_iter().filter(|(name, _)| wanted.contains_key(name)).collect();
    assert_eq!(ours.len(), wanted.len());
    let theirs = dependencies(&lock("tests/bench/Cargo.lock"), "heapward");
    assert_eq!(theirs, ours, "cd tests/bench && cargo update --workspace");
}
