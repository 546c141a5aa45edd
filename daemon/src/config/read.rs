//! Reads the configuration file: TOML text in, [`Config`] or *all* its problems out.
//!
//! Each problem says file, line, key, what is wrong and what to write instead. An unknown key is a problem too, and the
//! nearest key that exists is proposed: a misspelled limit must not be a limit that is silently missing.
//! Secrets stand in files of their own (see [`secret`]), so that the main file can be shown to anybody.

mod network;
mod pointer;
mod probe;
mod secret;
mod section;
mod telling;
mod value;
mod watch;

use std::path::{Path, PathBuf};

use heapward_rules::ids::StandardId;
use heapward_rules::units::Span;

use super::{BackupConfig, Config, DisplayUnit, Farm, ProbeConfig, StoreConfig};
use crate::limits::{BACKUP_AT, BACKUPS_KEPT, BACKUPS_KEPT_MAX, CONFIG_BYTES_MAX};
use crate::mix::table;
use crate::standards;
use secret::Secrets;
pub use section::Problem;
use section::{Reader, Section};

/// All problems of a file, in the order of its lines.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{}", .0.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n"))]
pub struct Problems(pub Vec<Problem>);

/// Where the daemon keeps its records unless the file says otherwise.
const STORE_DIR: &str = "/var/lib/heapward";
/// One commit costs a card about 29 kB whatever it holds; two seconds of readings share one.
const COMMIT_EVERY: Span = Span::seconds(2);
const COMMIT_EVERY_MAX: Span = Span::minutes(1);

/// Reads a file and the secrets it names. Names of files in it are relative to its folder.
pub fn load(path: &Path) -> Result<Config, Problems> {
    let file = path.display().to_string();
    let failed = |what: String| Problems(vec![Problem::of_file(&file, what)]);
    let size = std::fs::metadata(path).map_err(|error| {
        failed(format!("cannot be read ({error}); name the configuration with --config FILE"))
    })?;
    if size.len() > CONFIG_BYTES_MAX {
        return Err(failed(format!("is longer than {CONFIG_BYTES_MAX} bytes; this is no configuration")));
    }
    let bytes =
        std::fs::read(path).map_err(|error| failed(format!("cannot be read ({error}); check its rights")))?;
    let text = String::from_utf8(bytes)
        .map_err(|_| failed("is not UTF-8 text; save it as UTF-8 in the editor".to_owned()))?;
    let credentials = std::env::var_os("CREDENTIALS_DIRECTORY").map(PathBuf::from);
    read(&file, &text, path.parent().unwrap_or(Path::new("")), credentials)
}

/// Reads a text. `folder` is where relative names start, `credentials` the folder of systemd's credentials.
pub fn read(file: &str, text: &str, folder: &Path, credentials: Option<PathBuf>) -> Result<Config, Problems> {
    let text = text.strip_prefix('\u{feff}').unwrap_or(text);
    let reader = Reader::new(file, text);
    let secrets = Secrets::new(folder, credentials);
    let config = reader.document(|top| Config { text: text.to_owned(), ..whole(top, &secrets) });
    let problems = reader.into_problems();
    match config {
        Some(config) if problems.is_empty() => Ok(config),
        _ => Err(Problems(problems)),
    }
}

/// Reads `[[probe]]` blocks alone. Local times in messages are of `zone` unless a probe says otherwise.
pub fn probes(file: &str, text: &str, zone: chrono_tz::Tz) -> Result<Vec<ProbeConfig>, Problems> {
    let reader = Reader::new(file, text);
    let probes = reader.document(|top| probe::all(top, zone));
    let problems = reader.into_problems();
    match probes {
        Some(probes) if problems.is_empty() => Ok(probes),
        _ => Err(Problems(problems)),
    }
}

fn whole(top: &Section<'_, '_>, secrets: &Secrets) -> Config {
    let standards_dir = top.opt::<PathBuf>("standards_dir").map(|dir| secrets.path(&dir));
    let feedstocks = top.opt::<PathBuf>("feedstocks").map(|file| secrets.path(&file));
    check_feedstocks(top, feedstocks.as_deref());
    let farm = top.need_section("farm", |farm| read_farm(farm, standards_dir.as_deref())).unwrap_or(Farm {
        name: String::new(),
        timezone: chrono_tz::UTC,
        shows: DisplayUnit::Fahrenheit,
        altitude_ft: None,
        hardware_clock: false,
        standards: Vec::new(),
    });
    let store = top.section("store", |store| read_store(store, secrets)).unwrap_or_else(default_store);
    let endpoint = top.section("endpoint", |endpoint| network::endpoint(endpoint, secrets));
    let broker = top.section("broker", |broker| network::broker(broker, secrets));
    if endpoint.is_none() && broker.is_none() {
        let what = "readings come from nowhere; add [endpoint] (probes publish to Heapward itself) or [broker] (it \
                    listens to your MQTT broker)";
        top.refuse("endpoint", what.to_owned());
    }
    let http = top.section("http", network::http).unwrap_or_else(network::default_http);
    let probes = probe::all(top, farm.timezone);
    let telling = telling::read(top, secrets);
    let watch = watch::read(top);
    let backup = top.section("backup", |backup| read_backup(backup, &store.dir, secrets));
    Config {
        farm,
        store,
        endpoint,
        broker,
        http,
        probes,
        telling,
        watch,
        standards_dir,
        feedstocks,
        backup,
        text: String::new(),
    }
}

fn read_farm(section: &Section<'_, '_>, standards_dir: Option<&Path>) -> Farm {
    let farm = Farm {
        name: section.need("name"),
        timezone: section.need("timezone"),
        shows: section
            .choice("shows", &[("F", DisplayUnit::Fahrenheit), ("C", DisplayUnit::Celsius)])
            .unwrap_or(DisplayUnit::Fahrenheit),
        altitude_ft: section.opt("altitude_ft"),
        hardware_clock: section.or("hardware_clock", false),
        standards: section
            .opt::<Vec<String>>("standards")
            .unwrap_or_else(|| vec!["us-organic".to_owned()])
            .into_iter()
            .map(StandardId::new)
            .collect(),
    };
    if farm.name.chars().any(char::is_control) {
        section.refuse("name", "holds a control character; write the name on one line".to_owned());
    }
    check_standards(section, &farm.standards, standards_dir);
    farm
}

fn check_standards(section: &Section<'_, '_>, chosen: &[StandardId], own: Option<&Path>) {
    let known = match standards::load(own) {
        Ok(known) => known,
        Err(problems) => {
            for problem in problems {
                section.refuse_elsewhere(Problem {
                    file: problem.file,
                    line: problem.line,
                    key: "standard".to_owned(),
                    what: problem.what,
                });
            }
            return;
        }
    };
    for id in chosen.iter().filter(|id| !known.contains_key(*id)) {
        let names: Vec<&str> = known.keys().map(StandardId::as_str).collect();
        section.refuse("standards", format!("`{id}` is not known; choose from {}", names.join(", ")));
    }
}

/// A table of the user's own is read once here, so that a mistake in it is known before the barn.
fn check_feedstocks(section: &Section<'_, '_>, own: Option<&Path>) {
    for problem in table::load(own).err().unwrap_or_default() {
        section.refuse_elsewhere(Problem {
            file: problem.file,
            line: problem.line,
            key: "feedstock".to_owned(),
            what: problem.what,
        });
    }
}

fn read_store(section: &Section<'_, '_>, secrets: &Secrets) -> StoreConfig {
    let commit_every = section.or("commit_every", COMMIT_EVERY);
    if commit_every > COMMIT_EVERY_MAX {
        let what = "is too long: so many readings would wait for their acknowledgement; write \"1m\" or less";
        section.refuse("commit_every", what.to_owned());
    }
    StoreConfig {
        dir: section.opt::<PathBuf>("dir").map_or_else(|| PathBuf::from(STORE_DIR), |dir| secrets.path(&dir)),
        commit_every,
    }
}

fn read_backup(section: &Section<'_, '_>, records: &Path, secrets: &Secrets) -> BackupConfig {
    let backup = BackupConfig {
        dir: secrets.path(&section.need::<PathBuf>("dir")),
        at: section.or("at", BACKUP_AT),
        keep: section.or("keep", BACKUPS_KEPT),
        same_disk: section.or("same_disk", false),
    };
    if backup.dir.starts_with(records) {
        let what = "lies among the records themselves; name a folder on another card or stick";
        section.refuse("dir", what.to_owned());
    }
    if !(1..=BACKUPS_KEPT_MAX).contains(&backup.keep) {
        section.refuse("keep", format!("is a number of copies from 1 to {BACKUPS_KEPT_MAX}"));
    }
    backup
}

fn default_store() -> StoreConfig {
    StoreConfig { dir: PathBuf::from(STORE_DIR), commit_every: COMMIT_EVERY }
}

#[cfg(test)]
mod tests;
