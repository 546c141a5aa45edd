//! Where it is now: curing and use, and the dates that follow if it did not qualify.

use heapward_rules::recipe::dates::earliest_harvest;
use heapward_rules::units::At;

use crate::after::maturity;
use crate::model::entry::Event;
use crate::record::document::{Document, Table};
use crate::record::facts::Facts;
use crate::recorder::facts::in_force;

pub(super) fn write(facts: &Facts, document: &mut Document) {
    document.heading("Curing");
    let farm = &facts.farm;
    let moved: Vec<String> = in_force(&facts.entries)
        .filter(|entry| matches!(entry.entry.event, Event::MovedToCuring))
        .map(|entry| {
            let note = entry.entry.note.trim();
            let note = if note.is_empty() { String::new() } else { format!(" {note}") };
            format!("Moved to curing on {} ({}).{note}", farm.when(At(entry.entry.at_ms)), entry.entry.by)
        })
        .collect();
    let tested = in_force(&facts.entries).filter_map(|entry| {
        let Event::MaturityTested { test, figure, passed } = &entry.entry.event else { return None };
        let said = maturity::sentence(test, *figure, *passed);
        Some(format!("{said} {} ({}).", farm.when(At(entry.entry.at_ms)), entry.entry.by))
    });
    let lines: Vec<String> = moved.into_iter().chain(tested).collect();
    if lines.is_empty() {
        document.text("Not recorded.");
    }
    document.list(lines);
    document.heading("Use");
    let raw = super::is_raw_manure(facts);
    let mut table = Table::of(&[
        ("When", 1.9, false),
        ("Who", 1.2, false),
        ("Bed", 2.4, false),
        ("Cubic yards", 1.2, true),
        ("Crop", 2.0, false),
        ("Harvest not before", 3.4, false),
    ]);
    for entry in in_force(&facts.entries) {
        let Event::Used { bed, cubic_yards, crop, touches_soil, harvest: planned } = &entry.entry.event
        else {
            continue;
        };
        let at = At(entry.entry.at_ms);
        let date = |contact| {
            farm.date(at)
                .and_then(|date| earliest_harvest(date, contact))
                .map_or("?".to_owned(), |date| date.to_string())
        };
        let harvest = if raw {
            match touches_soil {
                Some(true) => format!("{} (soil contact)", date(true)),
                Some(false) => format!("{} (no soil contact)", date(false)),
                None => format!("{} (soil contact), {} (none)", date(true), date(false)),
            }
        } else {
            "no waiting time for organic rules".to_owned()
        };
        let planned = planned.as_ref().map_or(String::new(), |day| format!("; planned for {day}"));
        let yards = cubic_yards.map_or(String::new(), |yards| yards.to_string());
        table.row([
            farm.when(at),
            entry.entry.by.clone(),
            bed.clone(),
            yards,
            crop.clone().unwrap_or_default(),
            format!("{harvest}{planned}"),
        ]);
    }
    document.table(table, "Not recorded.");
}
