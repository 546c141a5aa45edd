//! Which readings of a sealed day the folder has to hold: those of the pile's probes while they stood in it.
//!
//! A day's list names the series of every pile, and the folder has the texts of one. So that a text that was taken out is
//! missed, `sealed/probes` says which have to be there, a line `FIRST LAST FILE` for each placement, as UTC days without
//! dashes and as the file's name ends: `20260501 20260515 k1.txt`. That is for the script; nothing sealed holds that file.
//! The command takes the pile as it stands in the sealed days beside it.

use std::collections::BTreeSet;
use std::fmt::Write as _;
use std::path::Path;

use chrono::NaiveDate;
use heapward_rules::units::At;

use super::chain::{Day, doubt, text};
use super::{FOLDER, LIST, day_of, name_of};
use crate::model::pile::PileRecord;
use crate::store::{Doubt, Section, probe_file};

const PROBES: &str = "probes";

/// A probe in the pile, from the day on which it came to the day on which it went.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct Stay {
    first: NaiveDate,
    last: NaiveDate,
    /// How the names of its texts end: `k1.txt`.
    file: String,
}

/// The stays of a pile's probes.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(super) struct Stays(BTreeSet<Stay>);

// === impl Stays ===

impl Stays {
    /// Of the pile as it is now, and as it was when it was sealed last: who dates a move back takes nothing out of a day
    /// that was sealed before.
    pub(super) fn of<'a>(record: &PileRecord, sections: impl Iterator<Item = &'a Section>) -> Stays {
        let sealed = newest(&record.id, sections);
        Stays([Some(record), sealed.as_ref()].into_iter().flatten().flat_map(stays).collect())
    }

    /// Whether a text of the day has to be in the folder, by its name in the list.
    pub(super) fn have(&self, day: NaiveDate, name: &str) -> bool {
        // `temperature-C-k1.txt`: neither of the first words has a dash.
        let Some(file) = name.splitn(3, '-').nth(2) else { return false };
        self.0.iter().any(|stay| stay.file == file && (stay.first..=stay.last).contains(&day))
    }

    /// Whether the probe ever stood in the pile.
    pub(super) fn name(&self, probe: &str) -> bool {
        let file = probe_file(probe);
        self.0.iter().any(|stay| stay.file == file)
    }

    pub(super) fn text(&self) -> String {
        let mut text = String::new();
        for Stay { first, last, file } in &self.0 {
            let _ = writeln!(text, "{} {} {file}", first.format("%Y%m%d"), last.format("%Y%m%d"));
        }
        text
    }

    fn parse(text: &str) -> Option<Stays> {
        let day = |word: &str| NaiveDate::parse_from_str(word, "%Y%m%d").ok();
        let stay = |line: &str| {
            let mut words = line.splitn(3, ' ');
            Some(Stay {
                first: day(words.next()?)?,
                last: day(words.next()?)?,
                file: words.next()?.to_owned(),
            })
        };
        text.lines().map(stay).collect::<Option<_>>().map(Stays)
    }
}

fn stays(record: &PileRecord) -> impl Iterator<Item = Stay> {
    record.placements.iter().map(|placement| Stay {
        first: day_of(At(placement.from_ms)),
        last: placement
            .until_ms
            .map_or(NaiveDate::from_ymd_opt(9_999, 12, 31).unwrap_or_default(), |until| day_of(At(until))),
        file: probe_file(&placement.probe),
    })
}

/// The pile as it was sealed last.
pub(super) fn newest<'a>(id: &str, sections: impl Iterator<Item = &'a Section>) -> Option<PileRecord> {
    let piles = sections.flat_map(|section| &section.piles);
    piles.filter_map(|line| serde_json::from_str::<PileRecord>(line).ok()).filter(|pile| pile.id == id).last()
}

pub(super) fn write(stays: &Stays, sealed: &Path) -> Result<(), super::FolderProblem> {
    super::put(sealed, PROBES, stays.text().as_bytes())
}

/// Every text that a list names and that has to be there is there; the pile is the one that was sealed.
pub(super) fn missing(folder: &Path, pile: Option<&str>, days: &[Day], doubts: &mut Vec<Doubt>) {
    if days.is_empty() {
        return;
    }
    let file = format!("{FOLDER}/{PROBES}");
    let mut stays = match text(folder, &file).map(|text| Stays::parse(&text)) {
        Ok(Some(stays)) => stays,
        Ok(None) => return doubts.push(doubt(&file, None, "a line of it can't be read")),
        Err(unread) => return doubts.push(unread),
    };
    let sealed = pile.and_then(|id| newest(id, days.iter().map(|day| &day.section)));
    let sealed: BTreeSet<Stay> = sealed.iter().flat_map(self::stays).collect();
    if !sealed.is_subset(&stays.0) {
        doubts.push(doubt(&file, None, "it lacks a probe of the pile that was sealed"));
    }
    stays.0.extend(sealed);
    for Day { section, texts, listed, .. } in days {
        let of_day = format!("{FOLDER}/{}", name_of(section.seq, section.day));
        for name in listed.iter().filter(|name| stays.have(section.day, name)) {
            if !texts.iter().any(|(there, _)| there == name) && !folder.join(&of_day).join(name).exists() {
                let what = format!("readings of this day are missing: {LIST} names them");
                doubts.push(doubt(&format!("{of_day}/{name}"), Some(section.day), what));
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_stay_is_its_probes_and_from_its_first_day_to_its_last() {
        let stays = Stays::parse("20260501 20260515 k1.txt\n20260503 99991231 x-k1.txt\n").unwrap();
        let cases = [
            ("2026-04-30", "temperature-C-k1.txt", false),
            ("2026-05-01", "temperature-C-k1.txt", true),
            ("2026-05-15", "moisture-percent-k1.txt", true),
            ("2026-05-16", "temperature-C-k1.txt", false),
            ("2026-05-02", "temperature-C-x-k1.txt", false),
            ("2026-12-01", "temperature-C-x-k1.txt", true),
            ("2026-05-02", "temperature-C-k11.txt", false),
            ("2026-05-02", "k1.txt", false),
        ];
        for (day, name, has) in cases {
            assert_eq!(stays.have(day.parse().unwrap(), name), has, "{day} {name}");
        }
        assert_eq!(Stays::parse(&stays.text()), Some(stays));
        assert_eq!(Stays::parse("20260501 k1.txt\n"), None);
    }
}
