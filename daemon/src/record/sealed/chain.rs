//! The sums of a folder, and the chain of its sealed days down to the texts of readings.

use std::fs::{self, File};
use std::io::Read;
use std::path::{Component, Path};

use chrono::NaiveDate;

use super::{FOLDER, HEAD, LIST, SIGNATURE, SUMS, files_in, name_of};
use crate::limits::VERIFY_FILE_BYTES_MAX;
use crate::record::digest::sha256_of;
use crate::store::{Digest, Doubt, Head, Section};

/// A sealed day as the folder has it.
#[derive(Clone, Debug)]
pub(super) struct Day {
    pub(super) section: Section,
    pub(super) digest: Digest,
    /// The texts of readings that the day's list holds to: name and text.
    pub(super) texts: Vec<(String, String)>,
    /// Every text that the list names, of whatever pile.
    pub(super) listed: Vec<String>,
}

/// A text of the folder, or why it can't be read.
pub(super) fn text(folder: &Path, name: &str) -> Result<String, Doubt> {
    let read = || {
        let file = File::open(folder.join(name))?;
        let mut text = String::new();
        file.take(VERIFY_FILE_BYTES_MAX).read_to_string(&mut text)?;
        Ok(text)
    };
    read().map_err(|error: std::io::Error| doubt(name, None, format!("it can't be read: {error}")))
}

pub(super) fn doubt(file: &str, day: Option<NaiveDate>, what: impl Into<String>) -> Doubt {
    Doubt { file: file.to_owned(), day, what: what.into() }
}

/// `2026-05-12` of `sealed/00012-2026-05-12/list`.
fn day_in(name: &str) -> Option<NaiveDate> {
    name.strip_prefix("sealed/")?.split_once('-')?.1.get(..10)?.parse().ok()
}

/// Compares every file with its line in `SHA256SUMS`.
pub(super) fn sums(folder: &Path, doubts: &mut Vec<Doubt>) {
    let list = match text(folder, SUMS) {
        Ok(list) => list,
        Err(unread) => return doubts.push(unread),
    };
    let mut listed = Vec::new();
    for line in list.lines() {
        let Some((digest, name)) = line.split_once("  ").filter(|(_, name)| stays_inside(name)) else {
            doubts.push(doubt(SUMS, None, format!("`{line}` is no line of it")));
            continue;
        };
        listed.push(name);
        match sha256_of(&folder.join(name)) {
            Ok(now) if now == digest => {}
            Ok(_) => doubts.push(doubt(name, day_in(name), "it is not as it was written")),
            Err(error) => doubts.push(doubt(name, day_in(name), format!("it can't be read: {error}"))),
        }
    }
    for name in files_in(folder).unwrap_or_default() {
        if !listed.contains(&name.as_str()) && name != SUMS && name != SIGNATURE {
            doubts.push(doubt(&name, day_in(&name), "it was not in the folder when that was written"));
        }
    }
}

/// A name of the sums leads nowhere else.
fn stays_inside(name: &str) -> bool {
    Path::new(name).components().all(|part| matches!(part, Component::Normal(_)))
}

/// Goes from day to day: each names the digest of the one before, `HEAD` that of the last, and the digests of a day's
/// list and of its texts are those that were sealed.
pub(super) fn days(folder: &Path, doubts: &mut Vec<Doubt>) -> Vec<Day> {
    let mut days: Vec<Day> = Vec::new();
    for name in section_names(folder) {
        let file = format!("{FOLDER}/{name}");
        let read = text(folder, &file).and_then(|text| section(&file, &text));
        let (section, digest) = match read {
            Ok(read) => read,
            Err(unread) => {
                doubts.push(Doubt { day: day_in(&file), ..unread });
                continue;
            }
        };
        let day = Some(section.day);
        if file != format!("{FOLDER}/{}.txt", name_of(section.seq, section.day)) {
            doubts.push(doubt(&file, day_in(&file), format!("it holds the day {}", section.day)));
        }
        if let Some(before) = days.last() {
            if section.seq != before.section.seq + 1 || before.section.day.succ_opt() != day {
                let what = format!("day {} does not follow {}", section.day, before.section.day);
                doubts.push(doubt(&file, before.section.day.succ_opt(), what));
            } else if section.prev != before.digest {
                let what = format!("it was not sealed upon {} as that is now", before.section.day);
                doubts.push(doubt(&file, Some(before.section.day), what));
            }
        }
        let (listed, texts) = readings(folder, &section, doubts);
        days.push(Day { section, digest, texts, listed });
    }
    head(folder, days.last(), doubts);
    days
}

/// `HEAD` names the last day. Where it names a later one, the day after the last is the first that is missing.
fn head(folder: &Path, last: Option<&Day>, doubts: &mut Vec<Doubt>) {
    let is = last.map(|last| Head { seq: last.section.seq, digest: last.digest });
    let said = fs::read_to_string(folder.join(HEAD)).ok();
    if said != is.map(|head| head.text()) {
        let named = said.as_deref().and_then(Head::parse);
        let is_later = named.zip(is).is_some_and(|(named, is)| named.seq > is.seq);
        let day =
            last.and_then(|last| if is_later { last.section.day.succ_opt() } else { Some(last.section.day) });
        doubts.push(doubt(HEAD, day, "it does not name the last sealed day that is here"));
    }
}

fn section_names(folder: &Path) -> Vec<String> {
    let files = fs::read_dir(folder.join(FOLDER)).into_iter().flatten().flatten();
    let names = files.filter_map(|file| file.file_name().into_string().ok());
    let mut names: Vec<String> = names.filter(|name| name.strip_suffix(".txt").is_some()).collect();
    names.sort();
    names
}

/// One section, and nothing behind it.
fn section(file: &str, text: &str) -> Result<(Section, Digest), Doubt> {
    match Section::parse(text) {
        Ok((section, "")) => Ok((section, Digest::of(text.as_bytes()))),
        Ok((section, _)) => Err(doubt(file, Some(section.day), "something was added behind its end")),
        Err(what) => Err(doubt(file, None, what)),
    }
}

/// What a day's list names, and the texts of it that are as they were sealed; what is not is a doubt.
fn readings(
    folder: &Path,
    section: &Section,
    doubts: &mut Vec<Doubt>,
) -> (Vec<String>, Vec<(String, String)>) {
    let (dir, day) = (format!("{FOLDER}/{}", name_of(section.seq, section.day)), Some(section.day));
    let file = format!("{dir}/{LIST}");
    let list = match text(folder, &file) {
        Ok(list) if Digest::of(list.as_bytes()) == section.readings_digest => list,
        Ok(_) => {
            doubts.push(doubt(&file, day, "it is not the list of readings that was sealed"));
            return Default::default();
        }
        Err(unread) => {
            doubts.push(Doubt { day, ..unread });
            return Default::default();
        }
    };
    let mut texts = Vec::new();
    let files = fs::read_dir(folder.join(&dir)).into_iter().flatten().flatten();
    let mut names: Vec<String> = files.filter_map(|file| file.file_name().into_string().ok()).collect();
    names.sort();
    for name in names.into_iter().filter(|name| name != LIST) {
        let file = format!("{dir}/{name}");
        match text(folder, &file) {
            Ok(text)
                if list.lines().any(|line| line == format!("{}  {name}", Digest::of(text.as_bytes()))) =>
            {
                texts.push((name, text));
            }
            Ok(_) => doubts.push(doubt(&file, day, "its readings are not those that were sealed")),
            Err(unread) => doubts.push(Doubt { day, ..unread }),
        }
    }
    let listed = list.lines().filter_map(|line| Some(line.split_once("  ")?.1.to_owned())).collect();
    (listed, texts)
}
