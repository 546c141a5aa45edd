//! One pile: the verdict, what to do today, what can be written down, the chart, the figures, the log.

use std::sync::Arc;

use axum::extract::{Extension, State};
use heapward_rules::reading::Quantity;
use heapward_rules::units::{At, Span};
use maud::{Markup, html};

use super::chart::{self, Line, Mark, Plot, Rule, gather};
use super::frame::{instant, page};
use super::log;
use super::piles::{about, jobs, verdicts};
use super::spots;
use super::trouble;
use super::write::VERBS;
use crate::after::Stage;
use crate::config::DisplayUnit;
use crate::http::access::Visitor;
use crate::http::house::{House, OfPile};
use crate::http::params::Params;
use crate::http::problem::Problem;
use crate::http::receipts::Receipts;
use crate::http::sources::all_entries;
use crate::http::words::log::mark;
use crate::http::words::{self, Style};
use crate::ingest::book;
use crate::mix::card;
use crate::model::entry::Entry;
use crate::model::incident::Incident;
use crate::model::recipe::RecipeRecord;
use crate::recorder::facts::in_force;
use crate::recorder::tell::stored_mutes;
use crate::recorder::{PileView, Probes};
use crate::steering::gather::gather;
use crate::steering::{Steering, steer};
use crate::store::{IncidentFilter, Latest, Reader, StoreError};
use crate::telling::policy::Mute;

/// What the store knows for the page.
struct Known {
    entries: Vec<Entry>,
    incidents: Vec<Incident>,
    receipts: Receipts,
    mutes: Vec<Mute>,
    latest: Vec<Latest>,
    temperatures: Vec<Line>,
    /// Advice while it heats.
    steering: Option<Steering>,
    /// Lines of the other quantities, as in [`OTHERS`].
    others: Vec<Vec<Line>>,
}

/// A quantity beside temperature: drawn by itself, and nothing is judged by it here.
struct Other {
    quantity: Quantity,
    title: &'static str,
    caption: &'static str,
    unit: &'static str,
    at_least: (f64, f64),
}

const OTHERS: [Other; 3] = [
    Other {
        quantity: Quantity::Moisture,
        title: "Moisture",
        caption: "An index of the probe's own: look at its trend, and squeeze a handful.",
        unit: "%",
        at_least: (20.0, 80.0),
    },
    Other {
        quantity: Quantity::Oxygen,
        title: "Oxygen",
        caption: "Oxygen in the pores; the air has 20.9 %.",
        unit: "%",
        at_least: (0.0, 21.0),
    },
    Other {
        quantity: Quantity::Blower,
        title: "Blower",
        caption: "The blower's power in watts, or the part of the time that it ran: means, since it goes on and off.",
        unit: "",
        at_least: (0.0, 1.0),
    },
];

/// Stretches of the chart, by plain links.
const STRETCHES: [(&str, &str, Span); 5] = [
    ("6h", "6 hours", Span::hours(6)),
    ("1d", "1 day", Span::days(1)),
    ("3d", "3 days", Span::days(3)),
    ("7d", "1 week", Span::days(7)),
    ("30d", "30 days", Span::days(30)),
];
/// Entries and incidents that the page itself shows; the log's own page has all.
const LOG_SHOWN: usize = 8;
const INCIDENTS_SHOWN: usize = 6;

/// Which part of the pile's life the chart shows.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Stretch {
    /// None for the whole pile.
    of: Option<(&'static str, Span)>,
    from: At,
    to: At,
    /// Where the pile's story ends for the moment.
    end: At,
}

pub(super) async fn one(
    State(house): State<Arc<House>>,
    Extension(visitor): Extension<Visitor>,
    OfPile(view): OfPile,
    mut params: Params,
) -> Result<Markup, Problem> {
    let pile = &view.pile.id;
    let style = Style::of(&house.app.config);
    let now = house.now();
    let stretch = Stretch::read(&mut params, &view, now)?;
    let wrote = params.text("wrote").and_then(|seq| seq.parse::<u64>().ok());
    params.done("range, to, wrote")?;
    let asked = Arc::clone(&view);
    let probes = book::facts(&house.app.probes.all());
    let known = house.read(move |reader| known(reader, &asked, &probes, stretch, style, now)).await?;
    let trouble = trouble::of_farm(&house).await;
    let main = html! {
        h1 { "Pile " (pile) }
        (verdicts(&view, &house, style))
        (trouble)
        (cautions(&view))
        (jobs(&view, now, style))
        (log::last_written(&known.entries, wrote, visitor.pass.is_some(), style))
        (steering_lines(known.steering.as_ref(), &view, style))
        (verbs(pile))
        (chart::figure(&temperature_plot(&house, &view, &known, stretch, style), style))
        (zoom(pile, stretch))
        (spots::table(&view, &known.latest, now, style))
        @for (lines, other) in known.others.iter().zip(&OTHERS).filter(|(lines, _)| !lines.is_empty()) {
            h2 { (other.title) }
            (chart::figure(&other_plot(other, lines, stretch), style))
        }
        @if !known.incidents.is_empty() {
            h2 { "What was noticed" }
            (log::incidents(&known.incidents, &known.receipts, INCIDENTS_SHOWN, &visitor, now, style))
            @if known.incidents.len() > INCIDENTS_SHOWN {
                p { a.touch href=(format!("/piles/{pile}/incidents")) { "Everything that was noticed" } }
            }
        }
        (log::mute(pile, &known.mutes, &visitor, now, style))
        (uses(&view, style))
        h2 { "Log" }
        (log::list(known.entries.iter().rev().take(LOG_SHOWN), &known.entries, visitor.pass.is_some(), style))
        p {
            @if known.entries.len() > LOG_SHOWN { a.touch href=(format!("/piles/{pile}/log")) { "The whole log" } }
            a.touch href=(format!("/v1/piles/{pile}/history?format=sheet&step=1h")) { "Hourly figures for a spreadsheet" }
            a.touch href=(format!("/v1/piles/{pile}/history?format=csv")) { "Readings as CSV" }
            a.touch href=(format!("/piles/{pile}/record")) { "The record, to print" }
        }
        (facts(&view, style))
    };
    Ok(page(&house, &format!("Pile {pile}"), Some(pile), &main))
}

fn known(
    reader: &Reader,
    view: &PileView,
    probes: &Probes,
    stretch: Stretch,
    style: Style,
    now: At,
) -> Result<Known, StoreError> {
    let pile = &view.pile;
    // The newest reading may bear the very instant of looking.
    let window = (stretch.from, stretch.to + Span(1));
    let of_pile = IncidentFilter { open_only: false, pile: Some(pile.id.clone()) };
    let is_active = matches!(view.after.stage, Stage::Active { .. });
    let steering =
        is_active.then(|| gather(reader, pile, probes, now).map(|known| steer(view, &known))).transpose()?;
    let incidents = reader.incidents(&of_pile, None, INCIDENTS_SHOWN + 1)?;
    Ok(Known {
        steering,
        entries: all_entries(reader, &pile.id)?,
        receipts: Receipts::of(reader, &incidents)?,
        incidents,
        mutes: stored_mutes(reader)?,
        latest: reader.latest()?,
        temperatures: gather::temperatures(reader, pile, window, style)?,
        others: OTHERS
            .iter()
            .map(|other| gather::others(reader, pile, other.quantity, window))
            .collect::<Result<_, StoreError>>()?,
    })
}

fn steering_lines(steering: Option<&Steering>, view: &PileView, style: Style) -> Markup {
    html! {
        @if let Some(steering) = steering {
            h2 { "Water and air" }
            p { (words::steering::water(steering, &view.open, style)) }
            p { (words::steering::air(steering)) }
            p.aside { (words::steering::look(steering, style)) }
        }
    }
}

/// What can be written down, two taps away.
fn verbs(pile: &str) -> Markup {
    html! {
        div.write role="group" aria-label="Write down" {
            @for verb in VERBS.iter().filter(|verb| verb.often) {
                a.touch href=(format!("/piles/{pile}/write/{}", verb.slug)) { (verb.link) }
            }
            a.touch href=(format!("/piles/{pile}/write")) { "Something else" }
        }
    }
}

fn cautions(view: &PileView) -> Markup {
    let cautions = view.judgement.verdicts.iter().flat_map(|verdict| &verdict.cautions);
    let mut said: Vec<String> = Vec::new();
    for sentence in cautions.map(words::verdict::caution) {
        if !said.contains(&sentence) {
            said.push(sentence);
        }
    }
    html! { @for sentence in said { p { (sentence) } } }
}

fn zoom(pile: &str, stretch: Stretch) -> Markup {
    let link = |range: &str, to: Option<At>| {
        let to = to.map(|to| format!("&to={}", to.0)).unwrap_or_default();
        format!("/piles/{pile}?range={range}{to}")
    };
    html! {
        p.zoom {
            @if let Some((range, span)) = stretch.of {
                a.touch href=(link(range, Some(stretch.from))) { "Earlier" }
                @if stretch.to < stretch.end {
                    a.touch href=(link(range, Some((stretch.to + span).min(stretch.end)))) { "Later" }
                }
            }
            @for (range, name, _) in STRETCHES {
                @let current = stretch.of.is_some_and(|(of, _)| of == range);
                a.touch href=(link(range, None)) aria-current=[current.then_some("true")] { (name) }
            }
            a.touch href=(link("all", None)) aria-current=[stretch.of.is_none().then_some("true")] { "Whole pile" }
        }
    }
}

fn temperature_plot(house: &House, view: &PileView, known: &Known, stretch: Stretch, style: Style) -> Plot {
    let (at_least, tick) = match style.unit {
        DisplayUnit::Fahrenheit => ((60.0, 176.0), 20.0),
        DisplayUnit::Celsius => ((15.0, 80.0), 10.0),
    };
    let lines: Vec<Line> = known.temperatures.iter().filter(|line| !line.is_empty()).cloned().collect();
    let crosses = lines.iter().any(|line| !line.crosses.is_empty());
    let hands = lines.iter().any(|line| !line.circles.is_empty());
    let caption = format!(
        "Temperatures in {} from {} to {}.{}{}",
        style.sign(),
        style.when(stretch.from),
        style.when(stretch.to),
        if crosses { " A cross is a reading that does not count." } else { "" },
        if hands { " A circle is a reading by hand." } else { "" },
    );
    Plot {
        from: stretch.from,
        to: stretch.to,
        caption,
        unit: style.sign(),
        lines,
        rules: limits(house, view, style),
        marks: marks(known, stretch),
        at_least,
        tick,
        low: false,
    }
}

fn other_plot(other: &Other, lines: &[Line], stretch: Stretch) -> Plot {
    let reached = lines.iter().filter_map(Line::extremes).map(|(_, high)| high);
    Plot {
        from: stretch.from,
        to: stretch.to,
        caption: other.caption.to_owned(),
        unit: other.unit,
        lines: lines.to_vec(),
        rules: Vec::new(),
        marks: Vec::new(),
        at_least: other.at_least,
        tick: chart::round_tick(reached.fold(other.at_least.1, f64::max) - other.at_least.0),
        low: true,
    }
}

/// The ends of the ranges that the pile's standards ask for, each once.
fn limits(house: &House, view: &PileView, style: Style) -> Vec<Rule> {
    let mut rules: Vec<Rule> = Vec::new();
    let Some(method) = crate::model::words::parse_method(&view.pile.method) else {
        return rules;
    };
    let chosen = view.judgement.verdicts.iter().filter_map(|one| house.app.standards.get(&one.standard));
    for profile in chosen.flat_map(|standard| standard.profiles(method)) {
        for end in std::iter::once(profile.lo).chain(profile.hi) {
            let rule = Rule { value: style.number(end), label: style.limit(end) };
            if !rules.contains(&rule) {
                rules.push(rule);
            }
        }
    }
    rules
}

/// What people did and what was told, in the stretch, in order of time.
fn marks(known: &Known, stretch: Stretch) -> Vec<Mark> {
    let done = in_force(&known.entries).filter_map(|entry| {
        let (word, through) = mark(&entry.entry.event)?;
        Some(Mark { at: At(entry.entry.at_ms), word, through })
    });
    let told = known.incidents.iter().flat_map(|incident| &incident.tellings);
    let told = told.filter(|telling| !telling.messages.is_empty());
    let told = told.map(|telling| Mark { at: At(telling.at_ms), word: "text", through: false });
    let mut marks: Vec<Mark> = done.chain(told).collect();
    marks.retain(|mark| (stretch.from..=stretch.to).contains(&mark.at));
    marks.sort_by_key(|mark| mark.at);
    marks
}

/// What was written down when the pile was started, and how its readings were classed.
fn facts(view: &PileView, style: Style) -> Markup {
    let (pile, counts) = (&view.pile, &view.judgement.counts);
    let other = [
        (counts.fault, "fault"),
        (counts.conflict, "in conflict"),
        (counts.held, "held as a jump"),
        (counts.warming_up, "warming up"),
        (counts.unplaced, "outside a placement"),
    ];
    html! {
        h2 { "About this pile" }
        p {
            (about(view, style)) ". Material: " (words::material(&pile.material)) ". "
            @match pile.initial_cn {
                Some(cn) => { "The recipe's carbon to nitrogen ratio is " (ratio(cn)) ":1." }
                None => { "The recipe's carbon to nitrogen ratio is not recorded." }
            }
        }
        @if let Some(recipe) = &pile.recipe { (recipe_table(recipe)) }
        p {
            (counts.counting) " readings count"
            @for (count, word) in other.iter().filter(|(count, _)| *count > 0) { ", " (count) " " (word) }
            ". Judged up to " (instant(view.judged_to, style)) "."
        }
        @for one in &pile.placements {
            p.aside {
                "Probe " (one.probe) " at " (one.spot) " from " (instant(At(one.from_ms), style))
                @if let Some(until) = one.until_ms { " to " (instant(At(until), style)) }
            }
        }
    }
}

/// Where it went, and from when on may be harvested there.
fn uses(view: &PileView, style: Style) -> Markup {
    html! {
        @if !view.after.uses.is_empty() {
            h2 { "Used" }
            table.lines {
                thead { tr { th { "Bed" } th { "Worked in" } th { "Amount" } th { "Crop" } th { "Harvest" } } }
                tbody {
                    @for one in &view.after.uses {
                        tr {
                            th { (one.bed) }
                            td data-head="Worked in" { (instant(one.at, style)) }
                            td data-head="Amount" { @if let Some(yards) = one.cubic_yards { (yards) " cubic yards" } @else { "not written down" } }
                            td data-head="Crop" { (one.crop.as_deref().unwrap_or("not written down")) }
                            td data-head="Harvest" {
                                @match one.not_before {
                                    None => { "no waiting time" }
                                    Some(dates) => {
                                        span.act { "raw manure: not before " (dates.soil) " where it touches the soil, " (dates.no_soil) " where it does not" }
                                    }
                                }
                                @if let Some(harvest) = one.harvest { p.aside { "planned for " (harvest) } }
                            }
                        }
                    }
                }
            }
        }
    }
}

/// Two decimals at most: a ratio just below 25:1 is not shown as 25:1.
fn ratio(cn: f64) -> String {
    let text = format!("{cn:.2}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

fn recipe_table(recipe: &RecipeRecord) -> Markup {
    html! {
        table {
            thead { tr { th { "Went in" } th.number { "Pounds" } th.number { "C:N" } th.number { "Moisture" } } }
            tbody {
                @for part in &recipe.parts {
                    tr {
                        td {
                            (part.name) ", " (part.amount)
                            p.aside { (part.class) @if let Some(source) = &part.source { ", " (source) } }
                        }
                        td.number { (format!("{:.0}", part.wet_lb)) }
                        td.number { (format!("{:.0}", part.cn.typical)) ":1" }
                        td.number { (format!("{:.0}", part.moisture.typical)) " %" }
                    }
                }
            }
        }
        p.aside {
            "Together with " (card::gallons(recipe.water_lb)) " gallons of water: C:N "
            (format!("{:.1}", recipe.cn.typical)) ":1 (" (format!("{:.1}", recipe.cn.lo)) " to " (format!("{:.1}", recipe.cn.hi))
            "), moisture " (format!("{:.0}", recipe.moisture.typical)) " %, added up by mass of carbon and nitrogen."
        }
    }
}

// === impl Stretch ===

impl Stretch {
    fn read(params: &mut Params, view: &PileView, now: At) -> Result<Stretch, Problem> {
        let built = At(view.pile.built_ms);
        // A pile that is over ends two days after its last reading: the silence is seen, and fills no chart.
        let end = now.min(view.judged_to.max(built) + Span::days(2)).max(built + Span::hours(1));
        let words: Vec<(&str, Option<(&'static str, Span)>)> = STRETCHES
            .iter()
            .map(|(range, _, span)| (*range, Some((*range, *span))))
            .chain([("all", None)])
            .collect();
        let of = params.word("range", &words)?.flatten();
        let to = params.instant("to")?.unwrap_or(end).clamp(built + Span::hours(1), end);
        Ok(match of {
            Some((_, span)) => Stretch { of, from: (to - span).max(built), to, end },
            None => Stretch { of, from: built, to: end, end },
        })
    }
}
