//! What was done, read by hand and compared, which probe stood where, and what went wrong.

use std::collections::BTreeMap;

use heapward_rules::reading::Source;
use heapward_rules::units::{At, Celsius, Span};

use crate::http::words::Style;
use crate::http::words::{incident, log};
use crate::limits::RECORD_LOG_ROWS_MAX;
use crate::model::entry::{Entry, Event};
use crate::model::incident::Incident;
use crate::record::document::{Document, Row, Table};
use crate::record::facts::Facts;
use crate::record::words;

pub(super) fn write(facts: &Facts, document: &mut Document) {
    the_log(facts, document);
    hand_readings(facts, document);
    probes(facts, document);
    incidents(facts, document);
    not_counted(facts, document);
}

/// Entries that have a table of their own.
fn is_elsewhere(event: &Event) -> bool {
    matches!(
        event,
        Event::HandReading { .. }
            | Event::Calibration { .. }
            | Event::ProbePlaced { .. }
            | Event::Feedstock { .. }
            | Event::Recipe { .. }
    )
}

fn the_log(facts: &Facts, document: &mut Document) {
    document.heading("Log");
    let style = Style { zone: facts.farm.zone, unit: facts.farm.shows };
    let mut table =
        Table::of(&[("No.", 0.6, true), ("When", 1.9, false), ("Who", 1.2, false), ("What", 8.0, false)]);
    let mut entries: Vec<&Entry> =
        facts.entries.iter().filter(|entry| !is_elsewhere(&entry.entry.event)).collect();
    entries.sort_by_key(|entry| (entry.entry.at_ms, entry.seq));
    let more = entries.len().saturating_sub(RECORD_LOG_ROWS_MAX);
    for entry in entries.into_iter().take(RECORD_LOG_ROWS_MAX) {
        let said = log::sentence(&entry.entry.event, style);
        let (late, is_gone) = (entered_later(facts, entry), corrected(facts, entry));
        let said = [said, note(entry), late, is_gone.clone().unwrap_or_default()];
        let said = said.into_iter().filter(|part| !part.is_empty()).collect::<Vec<_>>().join(" ");
        let cells =
            vec![entry.seq.to_string(), facts.farm.when(At(entry.entry.at_ms)), entry.entry.by.clone(), said];
        table.rows.push(Row { cells, is_gone: is_gone.is_some() });
    }
    document.table(table, "Nothing was entered.");
    if more > 0 {
        document.aside(format!("And {more} more entries, all of them in log.csv."));
    }
}

/// The note on one line, ended like a sentence.
fn note(entry: &Entry) -> String {
    let note = entry.entry.note.trim().replace('\n', " ");
    let ended = note.is_empty() || note.ends_with(['.', '!', '?', ':']);
    if ended { note } else { format!("{note}.") }
}

/// `Entered 2026-05-03 07:10.` where it was not at once.
fn entered_later(facts: &Facts, entry: &Entry) -> String {
    let (at, entered) = (At(entry.entry.at_ms), At(entry.entry.entered_ms));
    let in_place = entry.entry.corrects.map(|seq| format!("In place of no. {seq}.")).unwrap_or_default();
    let later = if entered - at > Span::minutes(15) {
        format!("Entered {}.", facts.farm.when(entered))
    } else {
        String::new()
    };
    [in_place, later].into_iter().filter(|part| !part.is_empty()).collect::<Vec<_>>().join(" ")
}

/// `Corrected by no. 12.`
fn corrected(facts: &Facts, entry: &Entry) -> Option<String> {
    let other = facts.entries.iter().find(|other| other.entry.corrects == Some(entry.seq))?;
    Some(match &other.entry.event {
        Event::Withdrawn { reason } => format!("Withdrawn by no. {}: {reason}.", other.seq),
        _ => format!("Corrected by no. {}.", other.seq),
    })
}

fn hand_readings(facts: &Facts, document: &mut Document) {
    document.heading("Readings by hand");
    let mut table = Table::of(&[
        ("No.", 0.6, true),
        ("When", 1.9, false),
        ("Who", 1.2, false),
        ("Spot", 2.0, false),
        ("Read", 1.3, true),
        ("Remark", 4.7, false),
    ]);
    let by_hand = facts.entries.iter().filter(|entry| matches!(entry.entry.event, Event::HandReading { .. }));
    let mut entries: Vec<&Entry> = by_hand.collect();
    entries.sort_by_key(|entry| (entry.entry.at_ms, entry.seq));
    let more = entries.len().saturating_sub(RECORD_LOG_ROWS_MAX);
    for entry in entries.into_iter().take(RECORD_LOG_ROWS_MAX) {
        let Event::HandReading { spot, value, unit } = &entry.entry.event else { continue };
        let is_gone = corrected(facts, entry);
        let doubt =
            if is_gone.is_none() { doubted(facts, spot, At(entry.entry.at_ms)) } else { String::new() };
        let remark = [note(entry), entered_later(facts, entry), doubt, is_gone.clone().unwrap_or_default()];
        let cells = vec![
            entry.seq.to_string(),
            facts.farm.when(At(entry.entry.at_ms)),
            entry.entry.by.clone(),
            spot.clone(),
            format!("{value} °{unit}"),
            remark.into_iter().filter(|part| !part.is_empty()).collect::<Vec<_>>().join(" "),
        ];
        table.rows.push(Row { cells, is_gone: is_gone.is_some() });
    }
    document.table(table, "Nobody read a thermometer by hand.");
    if more > 0 {
        document.aside(format!("And {more} more, all of them in readings.csv."));
    }
}

/// Why a hand reading does not count, if it does not.
fn doubted(facts: &Facts, spot: &str, at: At) -> String {
    let index = facts.pile.spots.iter().position(|one| one.name.as_str() == spot);
    let evidence = index.and_then(|index| facts.evidence.spots.get(index));
    let class =
        evidence.and_then(|evidence| evidence.by_hand.iter().find(|one| one.at == at)).map(|one| one.class);
    match class {
        None | Some(heapward_rules::verdict::Class::Counts) => String::new(),
        Some(class) => format!("Does not count: {}.", words::class(class)),
    }
}

fn probes(facts: &Facts, document: &mut Document) {
    document.heading("Probes and how they were compared");
    let farm = &facts.farm;
    let mut table = Table::of(&[
        ("Probe", 1.2, false),
        ("Spot", 2.0, false),
        ("From", 2.0, false),
        ("To", 2.0, false),
        ("Reports every", 1.4, false),
        ("Correction", 1.4, true),
    ]);
    for placement in &facts.record.placements {
        table.row([
            placement.probe.clone(),
            placement.spot.clone(),
            farm.when(At(placement.from_ms)),
            placement.until_ms.map_or("still there".to_owned(), |at| farm.when(At(at))),
            words::counted(Span(placement.every_ms)),
            format!("{:+} °C", placement.offset_c),
        ]);
    }
    document.table(table, "No probe stood in this pile.");
    let mut table = Table::of(&[
        ("When", 1.9, false),
        ("Who", 1.2, false),
        ("Probe", 1.2, false),
        ("Reference", 1.4, true),
        ("It said", 1.4, true),
        ("Off by", 1.2, true),
        ("Remark", 3.0, false),
    ]);
    for entry in &facts.entries {
        let Event::Calibration { probe, reference_c, read_c } = &entry.entry.event else { continue };
        let is_gone = corrected(facts, entry);
        let remark = [note(entry), is_gone.clone().unwrap_or_default()];
        let cells = vec![
            farm.when(At(entry.entry.at_ms)),
            entry.entry.by.clone(),
            probe.clone(),
            farm.temperature(Celsius(*reference_c)),
            farm.temperature(Celsius(*read_c)),
            format!("{:+.1} °C", read_c - reference_c),
            remark.into_iter().filter(|part| !part.is_empty()).collect::<Vec<_>>().join(" "),
        ];
        table.rows.push(Row { cells, is_gone: is_gone.is_some() });
    }
    document.table(table, "No comparison of a probe with a reference was recorded for this pile.");
}

fn incidents(facts: &Facts, document: &mut Document) {
    document.heading("Incidents");
    let farm = &facts.farm;
    let mut table = Table::of(&[
        ("What", 2.4, false),
        ("Where", 1.8, false),
        ("From", 1.9, false),
        ("To", 1.9, false),
        ("Worst", 1.3, true),
        ("Told", 2.2, false),
    ]);
    let is_news = |one: &&Incident| !incident::is_good_news(&one.kind);
    for one in facts.incidents.iter().filter(is_news) {
        let worst = one.figures.get("worst_c").map_or(String::new(), |c| farm.temperature(Celsius(*c)));
        let told = one.tellings.iter().find(|telling| !telling.messages.is_empty());
        table.row([
            incident::title(&one.kind),
            one.spot.as_ref().or(one.probe.as_ref()).cloned().unwrap_or_default(),
            farm.when(At(one.opened_ms)),
            one.closed_ms.map_or("still open".to_owned(), |at| farm.when(At(at))),
            worst,
            told.map_or("in the daily summary only".to_owned(), |telling| farm.when(At(telling.at_ms))),
        ]);
    }
    document.table(table, "None.");
}

fn not_counted(facts: &Facts, document: &mut Document) {
    document.heading("What did not count, and why");
    let counts = facts.judgement.counts;
    document.text(format!(
        "Of the temperature readings {} count; {} are in conflict (two values for one instant), {} are faults, {} were \
         taken where no probe was placed or before the pile was built, {} while a probe warmed up, {} are jumps that wait \
         for a second reading. All of them are kept as they were reported.",
        counts.counting, counts.conflict, counts.fault, counts.unplaced, counts.warming_up, counts.held
    ));
    let farm = &facts.farm;
    let mut table = Table::of(&[
        ("Spot", 1.8, false),
        ("Source", 1.1, false),
        ("Readings", 1.1, true),
        ("Why", 3.2, false),
        ("First", 1.9, false),
        ("Last", 1.9, false),
        ("Values", 1.9, true),
    ]);
    for doubt in &facts.evidence.doubts {
        let (low, high) = (farm.degrees(doubt.low), farm.degrees(doubt.high));
        let values =
            if (high - low).abs() < 0.05 { format!("{low:.1}") } else { format!("{low:.1} to {high:.1}") };
        table.row([
            words::spot_name(facts, doubt.spot).to_owned(),
            words::source(&doubt.source),
            doubt.count.to_string(),
            words::class(doubt.class).to_owned(),
            farm.when(doubt.first),
            farm.when(doubt.last),
            format!("{values} {}", farm.sign()),
        ]);
    }
    document.table(table, "At the spots of the pile every reading counts.");
}

/// How many entries each person made, by initials; and of the daemon's own.
pub(super) fn people(facts: &Facts) -> BTreeMap<&str, usize> {
    let mut people: BTreeMap<&str, usize> = BTreeMap::new();
    for entry in &facts.entries {
        *people.entry(entry.entry.by.as_str()).or_default() += 1;
    }
    people
}

/// Sources of hand readings are people; of everything else the probes named here.
pub(super) fn probe_names(facts: &Facts) -> Vec<String> {
    let mut names: Vec<String> =
        facts.pile.placements.iter().map(|one| words::source(&Source::Probe(one.probe.clone()))).collect();
    names.sort();
    names.dedup();
    names
}
