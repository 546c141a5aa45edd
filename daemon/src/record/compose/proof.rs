//! How far it can be believed: cautions, the settings that were used, who wrote, who looked at it, and what no record
//! can prove.

use heapward_rules::pile::{Agreement, Settings};
use heapward_rules::verdict::Caution;

use super::done;
use crate::record::document::{Block, Document};
use crate::record::facts::Facts;
use crate::record::words;

pub(super) fn write(facts: &Facts, document: &mut Document) {
    cautions(facts, document);
    settings(facts, document);
    people(facts, document);
    limits(document);
}

fn cautions(facts: &Facts, document: &mut Document) {
    document.heading("Cautions");
    let mut lines: Vec<String> = Vec::new();
    for verdict in &facts.judgement.verdicts {
        for caution in &verdict.cautions {
            let line = match caution {
                Caution::UnitUnconfirmed(spot) => format!(
                    "The readings at {spot} could be in another unit than declared: they were hot from the start, and no \
                     reading by hand there agrees with them."
                ),
                Caution::TurnsCloseTogether => "Two turns lie less than 12 hours apart.".to_owned(),
                Caution::CuringNotRecorded => format!(
                    "{} asks for curing as well, and none is recorded.",
                    facts
                        .standard(&verdict.standard)
                        .map_or(verdict.standard.to_string(), words::standard_name)
                ),
            };
            if !lines.contains(&line) {
                lines.push(line);
            }
        }
    }
    for standard in &facts.standards {
        let name = words::standard_name(standard);
        if !standard.verified {
            lines.push(format!(
                "{name}: the figures used are from memory and were not seen in a copy of the text."
            ));
        }
        for asked in
            [&standard.asks.readings, &standard.asks.curing, &standard.asks.tests].into_iter().flatten()
        {
            lines.push(format!("Not judged here, {name}: {asked}"));
        }
    }
    lines.push(
        "A probe's usual tolerance is 0.5 \u{b0}C (0.9 \u{b0}F); no allowance is made for it unless a guard is set below.".to_owned(),
    );
    document.list(lines);
}

fn settings(facts: &Facts, document: &mut Document) {
    document.heading("How the numbers were made");
    let used = &facts.pile.settings;
    let is_default = *used == Settings::default();
    let faults: Vec<String> = used.fault_values.iter().map(|c| format!("{} \u{b0}C", c.0)).collect();
    let agreement = match used.agreement {
        Agreement::Each => "each required spot for itself",
        Agreement::Together => "all required spots at the same time",
    };
    document.list(vec![
        format!(
            "Settings{}: two readings prove the time between them if both are in the range and at most {} apart, or {} \
             if one was taken by hand; allowance for a turn {}; guard {} \u{b0}C at both ends; judged: {agreement}; a probe \
             warms up for {}; fault values {}.",
            if is_default { " (as they come)" } else { " (changed for this pile)" },
            used.max_gap,
            used.hand_gap,
            used.turn_allowance,
            used.guard_c,
            used.settle,
            if faults.is_empty() { "none".to_owned() } else { faults.join(", ") }
        ),
        "Nothing is interpolated, averaged or rounded; a reading at the end of the range is in it. Hours are elapsed \
         hours, not days of the calendar."
            .to_owned(),
        format!(
            "Made by Heapward {}. pile.toml, readings.csv and log.csv beside this document are everything that the verdicts \
             follow from; `heapward judge pile.toml readings.csv --log log.csv` gives them again.",
            env!("CARGO_PKG_VERSION")
        ),
        sealed(facts),
    ]);
}

/// By what anybody can tell that nothing was changed, and since when.
fn sealed(facts: &Facts) -> String {
    let (Some(first), Some(head)) = (facts.sealed.days.first(), facts.sealed.head()) else {
        return "No day of it is sealed yet: that happens 26 hours after a day has ended.".to_owned();
    };
    let last = facts.sealed.days.last().map_or(first.section.day, |last| last.section.day);
    format!(
        "Its days are sealed, each with the SHA-256 of the one before, from no. {} ({}) to no. {} ({last}): HEAD {}:{}. The \
         daily mail after that day has the same line. Unchanged since that mail: `sh verify.sh` or `heapward verify` in the \
         folder of this record.",
        first.section.seq, first.section.day, head.seq, head.seq, head.digest
    )
}

fn people(facts: &Facts, document: &mut Document) {
    document.heading("Who wrote it, and who looked at it");
    let people = done::people(facts)
        .into_iter()
        .map(|(by, count)| format!("{by}: {count} {}", if count == 1 { "entry" } else { "entries" }));
    let people: Vec<String> = people.collect();
    let probes = done::probe_names(facts);
    let said = if people.is_empty() { "nobody".to_owned() } else { people.join("; ") };
    let by = if probes.is_empty() { "none".to_owned() } else { probes.join(", ") };
    document.text(format!("Entries by initials: {said}. Readings by probes: {by}."));
    document
        .blocks
        .push(Block::Sign(["Reviewed by (name, in print)", "Signature", "Date"].map(str::to_owned).to_vec()));
}

fn limits(document: &mut Document) {
    document.heading("What this record can't prove");
    document.list(
        [
            "That a probe was in the pile, and that what it said was true when it was written down.",
            "What the pile was like where there was no probe: a probe feels a ball of a few inches.",
            "The clock of the machine, beyond the times of the mails that carried the record's digest.",
            "Anything after the last digest that was mailed; who sat at the keyboard; that no second record was kept.",
            "That the certifier reads the rule in the same way. This is a record, not a certificate.",
        ]
        .map(str::to_owned)
        .to_vec(),
    );
}
