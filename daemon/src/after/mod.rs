//! After the heat: curing, the test of maturity, use, and the dates of harvest where a pile stays raw manure.
//!
//! Everything here follows from a pile's log and its verdicts; nothing is stored of it.

pub mod maturity;
pub mod seasons;
pub mod stage;
pub mod uses;

use chrono::Datelike;
use chrono_tz::Tz;
use heapward_rules::finding::Finding;
use heapward_rules::recipe::dates::Date;
use heapward_rules::units::At;
use heapward_rules::verdict::Judgement;

use crate::model::entry::Entry;
use crate::model::pile::PileRecord;
use crate::model::time::local;

pub use stage::Stage;
pub use uses::Use;

/// What became of a pile so far.
#[derive(Clone, Debug, PartialEq)]
pub struct After {
    pub stage: Stage,
    /// In order of time.
    pub uses: Vec<Use>,
}

// === impl After ===

impl After {
    pub fn of(
        record: &PileRecord,
        entries: &[Entry],
        judgement: &Judgement,
        open: &[Finding],
        zone: Tz,
    ) -> After {
        After { stage: stage::of(record, entries, open), uses: uses::of(record, entries, judgement, zone) }
    }
}

/// The farm's calendar day of an instant.
pub fn day_of(at: At, zone: Tz) -> Option<Date> {
    let day = local(at, zone);
    Date::new(day.year(), u8::try_from(day.month()).ok()?, u8::try_from(day.day()).ok()?)
}

#[cfg(test)]
mod tests;
