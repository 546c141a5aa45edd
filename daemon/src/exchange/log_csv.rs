//! A pile's log as CSV: `time,event,detail`.
//!
//! `turned`, `material-added` and `spot-given-up` (detail: `SPOT: reason`) matter to the judge; others are kept.

use heapward_rules::ids::SpotName;
use heapward_rules::log::{LogEntry, LogEvent};

use super::FileProblem;
use super::rows::{Row, Table};

const HEADER: [&str; 3] = ["time", "event", "detail"];

/// Reads all rows; `spots` are those of the pile.
pub fn read(file: &str, bytes: &[u8], spots: &[SpotName]) -> Result<Vec<LogEntry>, FileProblem> {
    let table = Table::new(file, &HEADER);
    table.rows(bytes, |row| entry(&table, row, spots))
}

fn entry(table: &Table, row: &Row, spots: &[SpotName]) -> Result<LogEntry, FileProblem> {
    let event = match row.field(1) {
        "turned" => LogEvent::Turned,
        "material-added" => LogEvent::MaterialAdded,
        "spot-given-up" => given_up(table, row, spots)?,
        "watered" => LogEvent::Watered { litres: None },
        "aeration-changed" => LogEvent::AerationChanged,
        "moved-to-curing" => LogEvent::MovedToCuring,
        "used" => LogEvent::Used,
        _ => LogEvent::Other,
    };
    Ok(LogEntry { at: table.instant(row, 0)?, event })
}

fn given_up(table: &Table, row: &Row, spots: &[SpotName]) -> Result<LogEvent, FileProblem> {
    let (spot, reason) = row.field(2).split_once(':').unwrap_or((row.field(2), ""));
    // As in a reading's source, no blank belongs to the name of a spot.
    let reason = reason.trim();
    let Some(spot) = spots.iter().find(|known| known.as_str() == spot) else {
        let names: Vec<&str> = spots.iter().map(SpotName::as_str).collect();
        let what = format!(
            "`{spot}` is no spot of this pile; write `SPOT: reason` with one of: {}",
            names.join(", ")
        );
        return Err(table.problem(row.line, what));
    };
    if reason.is_empty() {
        let what = format!("no reason for giving up `{spot}`; write `{spot}: reason`, the record prints it");
        return Err(table.problem(row.line, what));
    }
    Ok(LogEvent::SpotGivenUp { spot: spot.clone(), reason: reason.to_owned() })
}
