//! The three days, spot by spot, under each rule; and where a run ended too early.

use heapward_rules::verdict::{Status, Verdict};

use crate::limits::RECORD_BREAKS_MAX;
use crate::record::document::{Document, Table};
use crate::record::facts::Facts;
use crate::record::words;

pub(super) fn write(facts: &Facts, document: &mut Document) {
    document.heading("Spot by spot");
    let mut told: Vec<(Vec<String>, Table, Vec<String>)> = Vec::new();
    for (index, verdict) in facts.judgement.verdicts.iter().enumerate() {
        if verdict.status == Status::NotRequired {
            continue;
        }
        let name =
            facts.standard(&verdict.standard).map_or(verdict.standard.to_string(), words::standard_name);
        let name = format!("{name}{}", asked(verdict));
        let (table, breaks) = (table(facts, index, verdict), breaks(facts, verdict));
        // Rules with the same range give the same runs: they share a table.
        match told.iter_mut().find(|(_, other, others)| *other == table && *others == breaks) {
            Some((names, _, _)) => names.push(name),
            None => told.push((vec![name], table, breaks)),
        }
    }
    for (names, table, breaks) in told {
        document.text(format!("Under {}:", names.join("; under ")));
        document.table(table, "The pile has no spot.");
        document.list(breaks);
    }
}

fn breaks(facts: &Facts, verdict: &Verdict) -> Vec<String> {
    let breaks = verdict.breaks.iter().take(RECORD_BREAKS_MAX);
    let mut lines: Vec<String> = breaks.map(|one| words::broken(&facts.farm, one)).collect();
    if verdict.breaks.len() > RECORD_BREAKS_MAX {
        let more = verdict.breaks.len() - RECORD_BREAKS_MAX;
        lines.push(format!("And {more} more; all of them are in verdict.json."));
    }
    lines
}

/// ` (72 h and 5 turns asked)`.
fn asked(verdict: &Verdict) -> String {
    verdict.required.map_or(String::new(), |required| {
        let turns = if required.turns > 0 { format!(" and {} turns", required.turns) } else { String::new() };
        format!(" ({}{turns} asked)", required.time)
    })
}

fn table(facts: &Facts, index: usize, verdict: &Verdict) -> Table {
    let farm = &facts.farm;
    let turned = verdict.required.is_some_and(|required| required.turns > 0);
    let low = format!("Lowest {}", farm.sign());
    let high = format!("Highest {}", farm.sign());
    let mut columns = vec![
        ("Spot", 60.0, false),
        ("Zone, depth", 46.0, false),
        ("Longest run from", 80.0, false),
        ("to", 80.0, false),
        ("Proven", 56.0, false),
        (low.as_str(), 32.0, true),
        (high.as_str(), 33.0, true),
        ("Qualified", 108.0, false),
    ];
    if turned {
        columns.insert(5, ("Turns", 26.0, true));
    }
    let mut table = Table::of(&columns);
    for (position, (spot, verdict)) in facts.pile.spots.iter().zip(&verdict.spots).enumerate() {
        let extremes =
            facts.evidence.extremes.get(index).and_then(|spots| spots.get(position)).copied().flatten();
        let degrees = |c: Option<heapward_rules::units::Celsius>| {
            c.map_or(String::new(), |c| format!("{:.1}", farm.degrees(c)))
        };
        let run = verdict.longest_run;
        let mut cells = vec![
            spot.name.to_string(),
            words::place(spot),
            run.map_or("none".to_owned(), |run| farm.to_the_second(run.start)),
            run.map_or(String::new(), |run| farm.to_the_second(run.end)),
            run.map_or(String::new(), |run| words::counted(run.counted)),
            degrees(extremes.map(|one| one.low)),
            degrees(extremes.map(|one| one.high)),
            words::outcome(farm, verdict),
        ];
        if turned {
            cells.insert(5, run.map_or(String::new(), |run| run.turns.to_string()));
        }
        table.rows.push(crate::record::document::Row { cells, is_gone: false });
    }
    table
}
