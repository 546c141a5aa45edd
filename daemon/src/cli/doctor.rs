//! `heapward doctor`: what is wrong, and what is unsafe, in words with what to do. Looks at the configuration, at the
//! machine and at the running daemon.

use std::collections::BTreeSet;
use std::io;
use std::path::Path;

use heapward_rules::units::{At, Span};
use heapward_rules::watch::SilenceParams;
use serde_json::Value;

use super::check::remarks;
use super::client::{Client, Reach};
use super::{Failure, Outcome, print, tried};
use crate::clock::{Clock, SystemClock};
use crate::config::Config;
use crate::copies::{Copies, on_same_disk};
use crate::disk::free_bytes;
use crate::limits::{BACKUP_OLD, BACKUP_TROUBLE, DISK_LOW_MB};
use crate::model::time::local;
use crate::store::last_copy;

/// Say what is wrong or unsafe, and what to do
#[derive(Debug, clap::Args)]
pub struct DoctorArgs {
    #[command(flatten)]
    reach: Reach,
}

/// What the running daemon says of itself.
struct Daemon {
    about: Value,
    probes: Value,
    piles: Value,
    refused: Value,
    outbox: Value,
}

const MB: u64 = 1_000_000;

pub fn run(args: &DoctorArgs) -> Outcome {
    let config = args.reach.config()?;
    let mut wrong = Vec::new();
    machine(&config, &SystemClock::new(config.farm.hardware_clock), &mut wrong);
    let mut doubts = remarks(&config);
    // Where copies go by themselves, or none was ever made, that is said already.
    if let (None, Some(last)) = (&config.backup, last_copy(&config.store.dir)) {
        doubts.extend(unsaved(Some(last), SystemClock::new(true).now()));
    }
    match args.reach.reader().and_then(|client| ask(&client)) {
        Ok(daemon) => {
            running(&config, &daemon, &mut wrong);
            doubts.extend(untested(&config, &daemon, &tried::channels(&config.store.dir)));
        }
        Err(failure) => wrong.push(format!("The daemon does not answer: {}", failure.text)),
    }
    print(&in_words(&wrong, &doubts))?;
    match wrong.len() {
        0 => Ok(()),
        1 => Err(Failure::failed("1 thing is wrong")),
        count => Err(Failure::failed(format!("{count} things are wrong"))),
    }
}

fn ask(client: &Client) -> Result<Daemon, Failure> {
    let list = |path: &str| client.get(&["v1", path], &[("limit", "500".to_owned())]);
    Ok(Daemon {
        about: client.get(&["v1", "about"], &[])?,
        probes: list("probes")?,
        piles: list("piles")?,
        refused: list("refused")?,
        outbox: list("outbox")?,
    })
}

fn in_words(wrong: &[String], doubts: &[String]) -> String {
    let mut text = String::new();
    let mut list = |head: &str, items: &[String]| {
        if !items.is_empty() {
            text.push_str(head);
            text.extend(items.iter().map(|item| format!("  * {item}\n")));
        }
    };
    list("Wrong:\n", wrong);
    list("Worth a second look:\n", doubts);
    if text.is_empty() { "All is well.\n".to_owned() } else { text }
}

fn machine(config: &Config, clock: &dyn Clock, wrong: &mut Vec<String>) {
    if !clock.is_trusted() {
        wrong.push(
            "The clock is not trusted, so readings without a time of their own wait: let the network set it \
             (systemd-timesyncd), or fit a clock with a battery, or where another service sets it write \
             hardware_clock = true."
                .to_owned(),
        );
    }
    let dir = &config.store.dir;
    if dir.is_dir() {
        wrong.extend(room(dir, free_bytes(dir)));
        wrong.extend(copies(config, clock.now()));
    } else {
        wrong.push(format!("There is no folder {}: the daemon makes it when it starts.", dir.display()));
    }
}

/// A card that breaks takes everything since the last copy with it.
fn unsaved(last: Option<At>, now: At) -> Option<String> {
    let how = "heapward backup DIR copies the store to another card or machine while the daemon goes on.";
    match last {
        None => Some(format!("No backup of the store was made so far: {how}")),
        Some(last) if now - last > BACKUP_OLD => Some(format!(
            "The last backup of the store is {} days old: {how}",
            (now - last).0 / Span::days(1).0
        )),
        Some(_) => None,
    }
}

fn room(dir: &Path, free: io::Result<u64>) -> Option<String> {
    let dir = dir.display();
    match free.map(|bytes| bytes / MB) {
        Ok(free) if free < DISK_LOW_MB => Some(format!(
            "Only {free} MB are free where the records lie ({dir}): make room, or move them to a larger card."
        )),
        Ok(_) => None,
        Err(error) => Some(format!("The folder {dir} can't be looked at: {error}")),
    }
}

/// Whether the nightly copies are made, and where they are of use.
fn copies(config: &Config, now: At) -> Option<String> {
    let backup = config.backup.as_ref()?;
    let copies = Copies::new(backup, config.farm.timezone);
    let dir = copies.dir().display();
    if !copies.dir().is_dir() {
        return Some(format!("There is no folder {dir} for the nightly copy: is the stick in and mounted?"));
    }
    if on_same_disk(copies.dir(), &config.store.dir) {
        return Some(if backup.same_disk {
            format!(
                "The nightly copy in {dir} lies on the same card as the records and dies with it: mount a stick \
                 there, or name a folder on another disk."
            )
        } else {
            format!(
                "No nightly copy is made: {dir} lies on the same card as the records. Is the stick in and mounted? \
                 Where a copy beside the records is wanted, write same_disk = true in [backup]."
            )
        });
    }
    match copies.newest() {
        None => {
            Some(format!("No copy of the records was made in {dir} yet: is Heapward allowed to write there?"))
        }
        Some(at) if now - at > BACKUP_TROUBLE => {
            let day = local(at, config.farm.timezone).format("%-d %b %Y");
            Some(format!(
                "The newest copy of the records in {dir} is of {day}: is Heapward allowed to write there?"
            ))
        }
        Some(_) => None,
    }
}

fn running(config: &Config, daemon: &Daemon, wrong: &mut Vec<String>) {
    if daemon.about["clock_trusted"] == false {
        wrong.push("The daemon does not trust the clock yet: undated readings wait.".to_owned());
    }
    if daemon.about["messages_in"]["connected"] == false {
        wrong.push(format!(
            "No messages come in: {} is not reached.",
            text(&daemon.about["messages_in"]["source"])
        ));
    }
    probes(config, &daemon.probes, wrong);
    for refused in items(&daemon.refused) {
        wrong.push(format!(
            "{} messages on {} could not be read ({}), such as `{}`.",
            refused["count"],
            text(&refused["topic"]),
            text(&refused["reason"]),
            text(&refused["example"])
        ));
    }
    for pile in items(&daemon.piles) {
        cautions(pile, wrong);
    }
    for channel in channels_with(daemon, "failed") {
        wrong
            .push(format!("Messages by the channel `{channel}` were given up: heapward send-test tries it."));
    }
}

/// Channels by which nothing went out so far, neither a message nor a test.
fn untested(config: &Config, daemon: &Daemon, tried: &BTreeSet<String>) -> Vec<String> {
    let sent = channels_with(daemon, "sent");
    let used: BTreeSet<&String> = config
        .telling
        .contacts
        .iter()
        .flat_map(|contact| contact.addresses.iter().map(|(channel, _)| channel))
        .collect();
    used.into_iter()
        .filter(|channel| !sent.contains(*channel) && !tried.contains(*channel))
        .map(|channel| format!("The channel `{channel}` was never tested: heapward send-test tries it."))
        .collect()
}

fn channels_with(daemon: &Daemon, state: &str) -> BTreeSet<String> {
    items(&daemon.outbox)
        .filter(|message| message["delivery"]["state"] == state)
        .map(|message| text(&message["channel"]))
        .collect()
}

/// A device's clock that is off by so much is worth a word.
const CLOCK_NOTED: Span = Span::minutes(2);

fn probes(config: &Config, probes: &Value, wrong: &mut Vec<String>) {
    let measuring = config.probes.iter().filter(|probe| probe.mapping.availability.is_none());
    for probe in measuring {
        let of_probe: Vec<&Value> = items(probes).filter(|one| one["probe"] == probe.id.as_str()).collect();
        let silent = |one: &&Value| {
            let age = one["age_ms"].as_i64().unwrap_or_default();
            Span(age) > SilenceParams::default().limit(probe.every)
        };
        if of_probe.is_empty() {
            wrong.push(format!(
                "Nothing was ever heard of the probe `{}` on {}: heapward listen shows what is published.",
                probe.id, probe.topic
            ));
        } else if of_probe.iter().all(silent) {
            let last = of_probe.iter().filter_map(|one| one["time"].as_str()).max().unwrap_or("long ago");
            wrong.push(format!(
                "The probe `{}` has been silent since {last}: battery, cable, radio?",
                probe.id
            ));
        } else if of_probe.iter().all(|one| one["pile"].is_null()) {
            wrong.push(format!(
                "The probe `{0}` reports but stands in no pile: heapward pile place PILE {0} SPOT.",
                probe.id
            ));
        }
        let behind = of_probe.iter().filter_map(|one| one["clock_behind_ms"].as_i64()).map(Span).next();
        if let Some(behind) = behind.filter(|behind| behind.0.abs() >= CLOCK_NOTED.0) {
            let (minutes, way) = (behind.0.abs() / 60_000, if behind.0 > 0 { "behind" } else { "ahead" });
            wrong.push(format!(
                "By its messages the clock of the probe `{}` is {minutes} min {way}, or it sends late: set its clock.",
                probe.id
            ));
        }
    }
}

fn cautions(pile: &Value, wrong: &mut Vec<String>) {
    let cautions: BTreeSet<String> =
        items_of(&pile["verdicts"]).flat_map(|verdict| items_of(&verdict["cautions"])).map(text).collect();
    for caution in cautions {
        if let Some(spot) = caution.strip_prefix("unit-unconfirmed:") {
            wrong.push(format!(
                "The unit of the probe at {spot} of pile {0} is not confirmed: take a reading by hand there, \
                 heapward pile reading {0} {spot} \"... F\".",
                text(&pile["pile"])
            ));
        }
    }
}

fn items(list: &Value) -> impl Iterator<Item = &Value> {
    items_of(&list["items"])
}

fn items_of(list: &Value) -> impl Iterator<Item = &Value> {
    list.as_array().into_iter().flatten()
}

/// A value as a word; text of others stays on its line.
fn text(value: &Value) -> String {
    let text = value.as_str().map_or_else(|| value.to_string(), str::to_owned);
    text.chars().map(|c| if c.is_control() { ' ' } else { c }).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::clock::ManualClock;
    use crate::config::BackupConfig;
    use crate::config::read::read;
    use crate::limits::BACKUP_AT;
    use serde_json::json;

    fn config() -> Config {
        let text = include_str!("../../../config/minimal.toml");
        let more = ["k2", "k3", "k4"].map(|id| {
            format!("[[probe]]\nid = \"{id}\"\ntopic = \"heap/{id}\"\nevery = \"1m\"\nvalue = \"\"\nunit = \"F\"\n")
        });
        read("h.toml", &format!("{text}\n{}", more.concat()), Path::new(""), None).unwrap()
    }

    #[test]
    fn everything_that_is_wrong_is_said_with_what_to_do() {
        let probe = |id: &str, age_minutes: i64, pile: Value| json!({ "probe": id, "age_ms": age_minutes * 60_000, "time": "2026-05-02T00:00:00.000Z", "pile": pile });
        let of_clock = |mut probe: Value, behind_ms: i64| {
            probe["clock_behind_ms"] = json!(behind_ms);
            probe
        };
        let daemon = Daemon {
            about: json!({ "clock_trusted": false, "messages_in": { "connected": false, "source": "barn:1883" } }),
            probes: json!({ "items": [
                of_clock(probe("k1", 1, json!("2026-03")), 47 * 60_000), probe("k2", 90, json!("2026-03")), probe("k3", 1, Value::Null),
            ] }),
            piles: json!({ "items": [{
                "pile": "2026-03",
                "verdicts": [{ "cautions": ["unit-unconfirmed:toe", "curing-not-recorded"] }],
            }] }),
            refused: json!({ "items": [{ "topic": "a", "reason": "not-json", "count": 3, "example": "x\ny" }] }),
            outbox: json!({ "items": [
                { "channel": "mail", "delivery": { "state": "failed" } },
                { "channel": "text", "delivery": { "state": "sent" } },
            ] }),
        };
        let mut wrong = Vec::new();
        running(&config(), &daemon, &mut wrong);
        let wanted = [
            "The daemon does not trust the clock",
            "barn:1883 is not reached",
            "the clock of the probe `k1` is 47 min behind",
            "`k2` has been silent since 2026-05-02",
            "`k3` reports but stands in no pile",
            "Nothing was ever heard of the probe `k4`",
            "3 messages on a could not be read (not-json), such as `x y`.",
            "at toe of pile 2026-03 is not confirmed",
            "by the channel `mail` were given up",
        ];
        assert_eq!(wrong.len(), wanted.len(), "{wrong:#?}");
        for (wrong, wanted) in wrong.iter().zip(wanted) {
            assert!(wrong.contains(wanted), "{wanted}: {wrong}");
        }
    }

    #[test]
    fn a_channel_that_nothing_went_out_by_is_named() {
        let text = include_str!("../../../config/minimal.toml");
        let channel = |name: &str| format!("[[channel]]\nname = \"{name}\"\nkind = \"terminal\"\n");
        let text = format!(
            "{text}\n{}{}{}[[contact]]\nname = \"Odile\"\naddresses = {{ a = \"1\", b = \"2\", c = \"3\" }}\n",
            channel("a"),
            channel("b"),
            channel("c")
        );
        let config = read("h.toml", &text, Path::new(""), None).unwrap();
        let none = json!({ "items": [] });
        let daemon = Daemon {
            about: Value::Null,
            probes: none.clone(),
            piles: none.clone(),
            refused: none,
            outbox: json!({ "items": [{ "channel": "a", "delivery": { "state": "sent" } }] }),
        };
        let tried = BTreeSet::from(["b".to_owned()]);
        assert_eq!(
            untested(&config, &daemon, &tried),
            ["The channel `c` was never tested: heapward send-test tries it."]
        );
    }

    #[test]
    fn a_card_that_is_nearly_full_is_told_with_its_room() {
        let dir = Path::new("/records");
        assert!(room(dir, Ok(499 * MB)).unwrap().starts_with("Only 499 MB are free"));
        assert_eq!(room(dir, Ok(500 * MB)), None);
        assert!(room(dir, Err(io::Error::other("gone"))).unwrap().contains("can't be looked at: gone"));
    }

    #[test]
    fn copies_that_are_missing_old_or_on_the_same_card_are_told() {
        let mut config = config();
        let said = |config: &Config, now| copies(config, now).unwrap_or_default();
        assert_eq!(said(&config, At(0)), "");
        let dir = tempfile::tempdir().unwrap();
        config.store.dir = dir.path().to_owned();
        let backup =
            |to: &Path| Some(BackupConfig { dir: to.to_owned(), at: BACKUP_AT, keep: 3, same_disk: false });
        config.backup = backup(Path::new("/nowhere"));
        assert!(said(&config, At(0)).contains("is the stick in"));
        config.backup = backup(dir.path());
        assert!(said(&config, At(0)).contains("No nightly copy is made"));
        config.backup.as_mut().unwrap().same_disk = true;
        assert!(said(&config, At(0)).contains("on the same card as the records and dies with it"));
        // Another file system that every Linux has.
        let stick = tempfile::tempdir_in("/dev/shm").unwrap();
        config.backup = backup(stick.path());
        assert!(said(&config, At(0)).contains("No copy of the records was made"));
        let copy = stick.path().join("heapward-2026-05-12");
        std::fs::create_dir(&copy).unwrap();
        std::fs::write(copy.join("copy.txt"), "made 2026-05-12T06:30:00Z\n").unwrap();
        let made = crate::model::time::parse_rfc3339("2026-05-12T06:30:00Z").unwrap();
        assert_eq!(said(&config, made + Span::hours(48)), "");
        assert!(said(&config, made + Span::hours(49)).contains("is of 12 May 2026"));
    }

    #[test]
    fn a_machine_without_time_or_records_is_told_so() {
        let mut wrong = Vec::new();
        let mut config = config();
        config.store.dir = "/nowhere".into();
        let clock = ManualClock::new(At(0));
        clock.set_trusted(false);
        machine(&config, &clock, &mut wrong);
        assert_eq!(wrong.len(), 2, "{wrong:#?}");
        assert_eq!(in_words(&[], &[]), "All is well.\n");
        let (then, later) = (At(0), At(0) + Span::days(40));
        assert!(unsaved(None, later).is_some_and(|text| text.starts_with("No backup")));
        assert!(unsaved(Some(then), later).is_some_and(|text| text.contains("is 40 days old")));
        assert_eq!(unsaved(Some(then), then + Span::days(30)), None);
    }
}
