//! Checking the record: the chain of its sections, `HEAD`, and the store's readings against their digests.

use std::collections::{BTreeMap, BTreeSet};

use chrono::NaiveDate;
use heapward_rules::units::At;

use super::section::{DAY_MS, ReadingsList, file_name, readings_text};
use super::{Digest, HEAD_FILE, Head, Section, day_of, end_of, start_of};
use crate::model::reading::SeriesKey;
use crate::model::time;
use crate::store::block::Row;
use crate::store::disk::Disk;
use crate::store::error::StoreError;
use crate::store::reader::{Reader, Shared};
use crate::store::schema::{BLOCKS, LATE, parse_series_text, series_text};
use crate::store::seal::scan;
use crate::store::types::SeriesId;

/// What a check found.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Check {
    pub sections: u64,
    pub days: Option<(NaiveDate, NaiveDate)>,
    pub head: Option<Head>,
    pub doubts: Vec<Doubt>,
}

/// Something that is not as it was sealed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Doubt {
    pub file: String,
    pub day: Option<NaiveDate>,
    pub what: String,
}

/// A sealed day: its section word for word, and the SHA-256 of that.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SealedDay {
    pub section: Section,
    pub text: String,
    pub digest: Digest,
}

/// The readings of a sealed day.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct DayReadings {
    /// A line `SHA-256  FILE` for each series, as `sha256sum --check` reads it.
    pub list: String,
    pub texts: Vec<SeriesReadings>,
}

/// What one series said on a day, and the file name that the list gives it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SeriesReadings {
    pub key: SeriesKey,
    pub file: String,
    pub text: String,
}

/// A section, its digest, and the file and place where it stands.
pub(super) struct Placed {
    pub(super) section: Section,
    pub(super) digest: Digest,
    pub(super) file: String,
    pub(super) place: u64,
}

/// Readings that a section lists as late: series, instant, bits of the value.
type Late = BTreeSet<(String, i64, u64)>;

// === reading ===

/// All sections in order of the files, up to the first that can't be read in each file.
pub(super) fn read_sections(disk: &dyn Disk) -> Result<(Vec<Placed>, Vec<Doubt>), StoreError> {
    let (mut sections, mut doubts) = (Vec::new(), Vec::new());
    for name in disk.list("record")? {
        let file = format!("record/{name}");
        if name.strip_suffix(".txt").is_none() {
            continue;
        }
        let bytes = disk.read(&file)?.unwrap_or_default();
        let Ok(text) = std::str::from_utf8(&bytes) else {
            doubts.push(Doubt { file, day: None, what: "it is no text".to_owned() });
            continue;
        };
        let mut rest = text;
        while !rest.is_empty() {
            let place = (text.len() - rest.len()) as u64;
            match Section::parse(rest) {
                Ok((section, after)) => {
                    let digest = Digest::of(&rest.as_bytes()[..rest.len() - after.len()]);
                    sections.push(Placed { section, digest, file: file.clone(), place });
                    rest = after;
                }
                Err(what) => {
                    doubts.push(Doubt { file: file.clone(), day: None, what });
                    break;
                }
            }
        }
    }
    Ok((sections, doubts))
}

/// Looks at the files alone: every section follows the one before, and the last is that of `HEAD`.
fn check_chain(disk: &dyn Disk) -> Result<(Check, Vec<Placed>), StoreError> {
    let (sections, doubts) = read_sections(disk)?;
    let mut check = Check { sections: sections.len() as u64, doubts, ..Check::default() };
    let (mut seq, mut prev, mut day) = (0, Digest::ZERO, None);
    for placed in &sections {
        let Placed { section, digest, file, .. } = placed;
        let mut doubt = |what: String| {
            check.doubts.push(Doubt { file: file.clone(), day: Some(section.day), what });
        };
        if section.seq != seq + 1 {
            doubt(format!("section {} follows section {seq}", section.seq));
        }
        if section.prev != prev {
            doubt("the section before it is not the one that it was sealed upon".to_owned());
        }
        if day.is_some_and(|day: NaiveDate| day.succ_opt() != Some(section.day)) {
            doubt("its day does not follow the day before".to_owned());
        }
        (seq, prev, day) = (section.seq, *digest, Some(section.day));
    }
    check.days = sections.first().map(|p| p.section.day).zip(day);
    let text = disk.read(HEAD_FILE)?.map(|bytes| String::from_utf8_lossy(&bytes).into_owned());
    check.head = text.as_deref().and_then(Head::parse);
    let last = sections.last().map(|placed| (placed.section.seq, placed.digest));
    if check.head.map(|head| (head.seq, head.digest)) != last {
        let what = format!("it does not name the last section, {seq}");
        check.doubts.push(Doubt { file: HEAD_FILE.to_owned(), day, what });
    }
    Ok((check, sections))
}

// === impl Reader ===

impl Reader {
    /// The newest sealed day: what the daily mail shows.
    pub fn head(&self) -> Result<Option<Head>, StoreError> {
        Ok(*self.open()?.head.read().unwrap_or_else(std::sync::PoisonError::into_inner))
    }

    /// Checks the files of the record, and the store's readings of each sealed day against its digest.
    pub fn check_record(&self) -> Result<Check, StoreError> {
        let shared = self.open()?;
        let (mut check, sections) = check_chain(&*shared.disk)?;
        let late = late_of(&sections, &mut check.doubts);
        for Placed { section, file, .. } in &sections {
            let (count, digest) = readings_of(&shared, section.day, &late)?.finish();
            if (count, digest) != (section.readings, section.readings_digest) {
                let what = format!(
                    "the store's readings of this day are not those that were sealed ({count} now, {} then)",
                    section.readings
                );
                check.doubts.push(Doubt { file: file.clone(), day: Some(section.day), what });
            }
        }
        Ok(check)
    }

    /// The sealed days from one to another, both included, in their order: text, digest, what it says. What is not as
    /// it was sealed is left to [`Reader::check_record`].
    pub fn sealed_days(&self, from: NaiveDate, to: NaiveDate) -> Result<Vec<SealedDay>, StoreError> {
        let shared = self.open()?;
        let (sections, _) = read_sections(&*shared.disk)?;
        let wanted = sections.into_iter().filter(|placed| (from..=to).contains(&placed.section.day));
        Ok(wanted
            .map(|Placed { section, digest, .. }| SealedDay { text: section.text(), digest, section })
            .collect())
    }

    /// The readings of sealed days as texts, late ones left out, day by day: the list of all series with their digests,
    /// of which the day's section has the digest, and the texts of those series that are wanted.
    pub fn readings_of_days<E: From<StoreError>>(
        &self,
        days: impl IntoIterator<Item = NaiveDate>,
        wants: impl Fn(&SeriesKey) -> bool,
        mut each: impl FnMut(NaiveDate, DayReadings) -> Result<(), E>,
    ) -> Result<(), E> {
        let shared = self.open()?;
        let (sections, mut doubts) = read_sections(&*shared.disk)?;
        let late = late_of(&sections, &mut doubts);
        for day in days {
            let (mut list, mut texts) = (ReadingsList::default(), Vec::new());
            each_series(&shared, day, &late, |series, rows| {
                list.add(series, rows);
                let key = parse_series_text(series)?;
                if !rows.is_empty() && wants(&key) {
                    let text = readings_text(series, rows);
                    texts.push(SeriesReadings { key, file: file_name(series), text });
                }
                Ok(())
            })?;
            each(day, DayReadings { list: list.into_text(), texts })?;
        }
        Ok(())
    }

    /// The same of one day.
    pub fn readings_of_day(
        &self,
        day: NaiveDate,
        wants: impl Fn(&SeriesKey) -> bool,
    ) -> Result<DayReadings, StoreError> {
        let mut readings = DayReadings::default();
        self.readings_of_days([day], wants, |_, of_day| {
            readings = of_day;
            Ok::<(), StoreError>(())
        })?;
        Ok(readings)
    }
}

fn late_of(sections: &[Placed], doubts: &mut Vec<Doubt>) -> BTreeMap<NaiveDate, Late> {
    let mut late: BTreeMap<NaiveDate, Late> = BTreeMap::new();
    for Placed { section, file, .. } in sections {
        for line in &section.late {
            match parse_late(line) {
                Some((at, bits, series)) => {
                    late.entry(day_of(at)).or_default().insert((series.to_owned(), at.0, bits));
                }
                None => doubts.push(Doubt {
                    file: file.clone(),
                    day: Some(section.day),
                    what: format!("`late {line}` can't be read"),
                }),
            }
        }
    }
    late
}

fn parse_late(line: &str) -> Option<(At, u64, &str)> {
    let mut words = line.splitn(3, ' ');
    let at = time::parse_rfc3339(words.next()?)?;
    let value: f64 = words.next()?.parse().ok()?;
    Some((at, value.to_bits(), words.next()?))
}

fn readings_of(
    shared: &Shared,
    day: NaiveDate,
    late: &BTreeMap<NaiveDate, Late>,
) -> Result<ReadingsList, StoreError> {
    let mut list = ReadingsList::default();
    each_series(shared, day, late, |series, rows| {
        list.add(series, rows);
        Ok(())
    })?;
    Ok(list)
}

/// The sealed readings of a day that were there when it was sealed, series by series in order of their texts.
fn each_series(
    shared: &Shared,
    day: NaiveDate,
    late: &BTreeMap<NaiveDate, Late>,
    mut each: impl FnMut(&str, &[Row]) -> Result<(), StoreError>,
) -> Result<(), StoreError> {
    let mut series: Vec<(String, SeriesId)> = {
        let hot = shared.hot.read().unwrap_or_else(std::sync::PoisonError::into_inner);
        hot.iter().map(|(id, series)| (series_text(&series.key), id)).collect()
    };
    series.sort();
    let txn = shared.begin()?;
    let (blocks, waiting) = (txn.open_table(BLOCKS)?, txn.open_table(LATE)?);
    let (from, to) = (start_of(day), end_of(day));
    debug_assert_eq!(to - from, DAY_MS);
    for (text, id) in series {
        let mut found = Vec::new();
        scan(&blocks, id.0, from, to, |block| {
            block.fill(from, to, &mut found)?;
            Ok(true)
        })?;
        let mut rows = Vec::with_capacity(found.len());
        for reading in found {
            let bits = reading.value.to_bits();
            let is_listed =
                late.get(&day).is_some_and(|late| late.contains(&(text.clone(), reading.at.0, bits)));
            if !is_listed && waiting.get((id.0, reading.at.0, bits))?.is_none() {
                rows.push(Row { at: reading.at.0, value: reading.value });
            }
        }
        each(&text, &rows)?;
    }
    Ok(())
}
