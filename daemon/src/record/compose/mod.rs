//! The document of a pile, in the order in which an inspector asks: did it get hot enough and by which rule; what is in
//! it and from whom; the three days, spot by spot; the curve with its gaps; what was done; how the probes are known to
//! be right; where it went; and how far all this can be believed.

mod after;
mod done;
mod proof;
mod spots;

use heapward_rules::pile::Material;
use heapward_rules::recipe::dates::keep_organic_until;
use heapward_rules::verdict::Status;

use super::chart::chart;
use super::document::{Block, Document, Table};
use super::facts::Facts;
use super::words;
use crate::mix::asked::{self, QUESTIONS};
use crate::model::entry::{Entry, Event};
use crate::model::recipe::{FigureRecord, RecipeRecord};
use crate::recorder::facts::in_force;

/// Puts the facts into a document.
pub fn document(facts: &Facts) -> Document {
    let id = &facts.record.id;
    let mut document = Document {
        title: format!("Compost record of pile {id}"),
        foot: format!("{}, pile {id}", facts.farm.name),
        blocks: Vec::new(),
    };
    verdicts(facts, &mut document);
    about(facts, &mut document);
    feedstocks(facts, &mut document);
    spots::write(facts, &mut document);
    curve(facts, &mut document);
    done::write(facts, &mut document);
    after::write(facts, &mut document);
    proof::write(facts, &mut document);
    document
}

fn verdicts(facts: &Facts, document: &mut Document) {
    for verdict in &facts.judgement.verdicts {
        document.blocks.push(Block::Verdict(words::verdict(facts, verdict)));
        if let Some(standard) = facts.standard(&verdict.standard) {
            document.aside(format!("The rule: {}", standard.meaning));
        }
    }
    if facts.judgement.verdicts.is_empty() {
        document
            .blocks
            .push(Block::Verdict("No rule was chosen for this pile; it is not judged.".to_owned()));
    }
    if is_raw_manure(facts) {
        document.text(
            "As it stands this is raw manure for US organic rules: not less than 120 days between incorporation and \
             harvest where the edible part touches the soil or its particles, 90 days where it does not \
             (7 CFR 205.203(c)(1)). The dates stand under Use.",
        );
    }
}

/// Manure in it, and no organic rule met.
fn is_raw_manure(facts: &Facts) -> bool {
    let met = |status| matches!(status, Status::Qualified | Status::NotRequired);
    facts.pile.material == Material::Manure
        && !facts.judgement.verdicts.iter().any(|verdict| met(verdict.status))
}

fn about(facts: &Facts, document: &mut Document) {
    let farm = &facts.farm;
    let mut lines = vec![
        ("Farm", farm.name.clone()),
        (
            "Pile",
            facts
                .record
                .bay
                .as_ref()
                .map_or(facts.record.id.clone(), |bay| format!("{}, bay {bay}", facts.record.id)),
        ),
        ("Method", facts.record.method.replace('-', " ")),
        ("Material", words::material(facts.pile.material).to_owned()),
        ("Built", farm.exactly(facts.pile.built)),
        ("Covers", format!("{} to {}", farm.when(facts.from), farm.when(facts.to))),
        ("Times", format!("{}, with the offset from UTC", farm.zone)),
    ];
    if let Some(until) = farm.date(facts.to).and_then(keep_organic_until) {
        lines.push(("Keep until", format!("{until} at least (7 CFR 205.103)")));
    }
    document
        .blocks
        .push(Block::Facts(lines.into_iter().map(|(name, value)| (name.to_owned(), value)).collect()));
}

fn feedstocks(facts: &Facts, document: &mut Document) {
    document.heading("What is in it");
    let mut table = Table::of(&[
        ("Feedstock", 3.0, false),
        ("Class", 1.2, false),
        ("Amount", 1.6, false),
        ("Source", 3.0, false),
        ("Entered", 2.0, false),
    ]);
    for entry in in_force(&facts.entries) {
        if let Event::Feedstock { name, class, amount, source } = &entry.entry.event {
            let or = |text: &Option<String>| text.clone().unwrap_or_else(|| "not recorded".to_owned());
            table.row([name.clone(), class.clone(), or(amount), or(source), by(facts, entry)]);
        }
    }
    let recipe = facts.record.recipe.as_deref();
    for part in recipe.into_iter().flat_map(|recipe| &recipe.parts) {
        let source = part.source.clone().unwrap_or_else(|| "not recorded".to_owned());
        let entered = "with the pile".to_owned();
        table.row([part.name.clone(), part.class.clone(), part.amount.clone(), source, entered]);
    }
    document.table(
        table,
        "No feedstock was recorded: where it came from and how much of it stands elsewhere, or nowhere.",
    );
    let mut lines: Vec<String> = recipe.map(computed).into_iter().collect();
    for entry in in_force(&facts.entries) {
        if let Event::Recipe { initial_cn, moisture_percent, how } = &entry.entry.event {
            let cn = initial_cn.map(|cn| format!("initial C:N {cn}:1, ")).unwrap_or_default();
            let moisture = moisture_percent.map(|m| format!("moisture {m} %, ")).unwrap_or_default();
            lines.push(format!("Recipe: {cn}{moisture}by {how} ({}).", by(facts, entry)));
        }
    }
    usual_questions(facts, &mut lines);
    let cn = facts
        .record
        .initial_cn
        .map_or("is not recorded".to_owned(), |cn| format!("is {}:1", words::ratio(cn)));
    lines.push(format!("The initial carbon to nitrogen ratio that the verdicts use {cn}."));
    for entry in in_force(&facts.entries) {
        if let Event::MaterialAdded { what } = &entry.entry.event {
            let when = facts.farm.when(heapward_rules::units::At(entry.entry.at_ms));
            lines.push(format!("Fresh material was added on {when}: {what}. All counting began anew."));
        }
    }
    document.list(lines);
}

/// What was answered about things from outside; a yes has a line of its own.
fn usual_questions(facts: &Facts, lines: &mut Vec<String>) {
    let mut told = false;
    for entry in in_force(&facts.entries) {
        let Some(answers) = asked::answers(&entry.entry.event) else { continue };
        told = true;
        let said = asked::in_words(&entry.entry.event);
        lines.push(format!("The usual questions: {said} ({}).", by(facts, entry)));
        let held = QUESTIONS.iter().zip(answers).filter(|(_, answer)| *answer == Some("yes"));
        lines.extend(held.map(|(question, _)| question.if_yes.to_owned()));
    }
    if !told {
        let names = QUESTIONS.map(|question| question.name).join(", ");
        lines.push(format!("Whether there was any of these in it has no answer here: {names}."));
    }
}

/// How the recipe was computed, with the range that the spread of its feedstocks gives.
fn computed(recipe: &RecipeRecord) -> String {
    let range =
        |figure: &FigureRecord| format!("{:.1} ({:.1} to {:.1})", figure.typical, figure.lo, figure.hi);
    let mut from: Vec<&str> = recipe
        .parts
        .iter()
        .flat_map(|part| [&part.nitrogen, &part.cn, &part.moisture])
        .map(|figure| match figure.from.as_str() {
            "lab" => "a laboratory",
            "table" => "table values (NRAES-54, as a public table gives them)",
            "handbook" => "table values (NRAES-54, from memory)",
            "practice" => "common practice",
            "computed" => "computed from the others",
            other => other,
        })
        .collect();
    from.sort_unstable();
    from.dedup();
    let water = match recipe.water_lb {
        none if none < 0.5 => "no water".to_owned(),
        pounds => format!("{pounds:.0} lb of water"),
    };
    format!(
        "Recipe: C:N {} to 1 and moisture {} %, with {water} added; computed by masses of carbon, nitrogen and \
         water from the feedstocks above when the pile was entered. Where their figures come from: {}.",
        range(&recipe.cn),
        range(&recipe.moisture),
        from.join(", ")
    )
}

fn curve(facts: &Facts, document: &mut Document) {
    document.heading("Temperatures");
    let Some(chart) = chart(facts) else {
        document.text("There is no reading to draw.");
        return;
    };
    document.blocks.push(Block::Chart(Box::new(chart)));
    document.aside(format!(
        "One strip for each spot, {}; dashed lines: the ends of the first rule's range. Where there is no reading \
         there is no line. Rings: read by hand. Crosses: readings that do not count. Bar at the foot of a strip: its \
         longest run by the first rule, black if the spot qualified by it.",
        facts.farm.sign()
    ));
    let mut gaps = Vec::new();
    for (spot, evidence) in facts.pile.spots.iter().zip(&facts.evidence.spots) {
        for (from, to) in &evidence.gaps {
            gaps.push(format!(
                "{}: no counting reading from {} to {} ({}). It proves nothing.",
                spot.name,
                facts.farm.when(*from),
                facts.farm.when(*to),
                words::counted(*to - *from)
            ));
        }
        if evidence.more_gaps > 0 {
            gaps.push(format!("{}: and {} shorter gaps.", spot.name, evidence.more_gaps));
        }
    }
    document.list(gaps);
}

/// `OM, 2026-05-02 14:05`.
fn by(facts: &Facts, entry: &Entry) -> String {
    format!("{}, {}", entry.entry.by, facts.farm.when(heapward_rules::units::At(entry.entry.at_ms)))
}
