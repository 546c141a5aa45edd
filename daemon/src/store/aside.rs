//! A damaged store is set aside, never deleted and never written again, and a new one goes on with what can be saved.

use std::collections::BTreeMap;

use heapward_rules::units::At;

use super::error::StoreError;
use super::frame::Frame;
use super::open::Expect;
use super::reader::Reader;
use super::schema;
use super::sidelog::SideLog;
use super::types::{NewReading, OpenReport, SeriesId};
use super::upgrade::free_name;
use super::{DATABASE_FILE, SIDE_LOG_FILE, Store, StoreOptions};
use crate::limits::SET_ASIDE_MAX;
use crate::model::time;

/// What stands between the name of a file and the instant when it was set aside.
const BAD: &str = ".bad-";

// === impl Store ===

impl Store {
    /// Opens the store; if it is damaged, renames what is (`store.redb.bad-20260501T150000Z`), makes a new one, and
    /// brings back what the side log and the record have. The report says so, and its sentences belong into the log.
    ///
    /// After [`SET_ASIDE_MAX`] damaged files the error is given instead: something is wrong with the card itself.
    pub fn open_or_set_aside(
        options: &StoreOptions,
        reader: &Reader,
        now: At,
    ) -> Result<(Store, OpenReport), StoreError> {
        let damage = match Store::open_for(options, reader) {
            Err(error) if error.is_damage() => error,
            opened => return opened,
        };
        let disk = &*options.disk;
        let kept = disk.list("")?.iter().filter(|name| name.contains(BAD)).count();
        if kept >= SET_ASIDE_MAX {
            return Err(damage);
        }
        let files: &[&str] = match &damage {
            StoreError::Damaged { file, .. } if *file != DATABASE_FILE => &[*file],
            _ => &[DATABASE_FILE, SIDE_LOG_FILE],
        };
        let saved = if files.contains(&SIDE_LOG_FILE) && disk.exists(SIDE_LOG_FILE)? {
            SideLog::salvage(disk.open(SIDE_LOG_FILE)?)?
        } else {
            Vec::new()
        };
        let stamp = time::utc(now).unwrap_or_default().format("%Y%m%dT%H%M%SZ");
        let mut set_aside = Vec::new();
        for file in files {
            if disk.exists(file)? {
                let name = free_name(disk, &format!("{file}{BAD}{stamp}"))?;
                disk.rename(file, &name)?;
                set_aside.push(name);
            }
        }
        let expect = match files {
            [_, _] => Expect::NoDatabase,
            [SIDE_LOG_FILE] => Expect::NoLog,
            _ => Expect::Whole,
        };
        let (mut store, mut report) = Store::open_with(options, reader, expect)?;
        report.salvaged = store.bring_back(saved)?;
        report.set_aside = set_aside;
        report.damage = Some(damage.to_string());
        Ok((store, report))
    }

    /// Appends what can be read of a side log. What the store has already is a repetition.
    fn bring_back(&mut self, frames: Vec<(u64, Vec<u8>)>) -> Result<u64, StoreError> {
        let mut names: BTreeMap<SeriesId, SeriesId> = BTreeMap::new();
        let mut brought = 0;
        for (_, payload) in frames {
            let Ok(frame) = Frame::decode(&payload) else { continue };
            for (old, text) in &frame.names {
                if let Ok(key) = schema::parse_series_text(text) {
                    names.insert(*old, self.series(&key)?);
                }
            }
            let known =
                |reading: &NewReading| Some(NewReading { series: *names.get(&reading.series)?, ..*reading });
            let readings: Vec<NewReading> = frame.readings.iter().filter_map(known).collect();
            let fates = self.append(&readings)?;
            brought += fates.iter().filter(|fate| fate.is_kept()).count() as u64;
        }
        Ok(brought)
    }
}
