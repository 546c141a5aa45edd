//! Topics that no probe listens to: what comes in on them, and how a probe is taken into use from there.
//!
//! The unit is never taken for granted: whoever takes a probe into use says what it reads now.

use std::sync::Arc;

use axum::extract::{Extension, State};
use axum::response::{IntoResponse, Redirect, Response};
use heapward_rules::ids::ProbeId;
use heapward_rules::reading::Unit;
use heapward_rules::units::{Celsius, Span};
use maud::{Markup, html};

use super::form::{self, Posted, Values, needed};
use super::frame::{ago, page};
use super::write::fresh;
use crate::http::access::Visitor;
use crate::http::house::House;
use crate::http::params::Params;
use crate::http::problem::Problem;
use crate::http::words::Style;
use crate::ingest::book::Book;
use crate::ingest::status::{SeenTopic, printable};
use crate::ingest::suggest::{Field, Proposal, block};
use crate::limits::{EXAMPLE_BYTES_MAX, OVERHEAR_TIME};
use crate::model::entry::{Event, NewEntry};
use crate::model::reading::{quantity_word, unit_word};

const BACK: &str = "/unassigned";

pub(super) async fn all(
    State(house): State<Arc<House>>,
    Extension(visitor): Extension<Visitor>,
    params: Params,
) -> Result<Markup, Problem> {
    params.done("none")?;
    let book = &house.app.probes;
    let mut status = book.ingest().status();
    status.topics.sort_by_key(|topic| std::cmp::Reverse(topic.last));
    let main = html! {
        h1 { "Topics without a probe" }
        p.verdict {
            @if status.topics.is_empty() { "Nothing comes in that no probe reads." }
            @else { "Something comes in that no probe reads, on " (topics(status.topics.len())) "." }
        }
        @if status.topics_forgotten > 0 { p.aside { (status.topics_forgotten) " more were seen and forgotten." } }
        @if status.broker.is_some() { (other_topics(book, visitor.form_token())) }
        ul.log {
            @for topic in &status.topics { (row(&house, topic)) }
        }
        @let kept = book.kept();
        @if !kept.is_empty() {
            h2 { "Taken into use here" }
            @for probe in &kept {
                form.inline method="post" action="/unassigned/remove" {
                    (form::hidden(visitor.form_token()))
                    input type="hidden" name="id" value=(probe.id.as_str());
                    p { (probe.id) " " span.aside { (probe.topic) } " " button { "Take out of use" } }
                }
            }
        }
    };
    Ok(page(&house, "Topics without a probe", None, &main))
}

/// From a broker only the topics of our probes come in by themselves.
fn other_topics(book: &Book, token: Option<String>) -> Markup {
    let (is_listening, trouble) = book.ingest().overhearing();
    html! {
        @if is_listening {
            p { "Listening to all topics of the broker. Look again in a minute." }
        } @else {
            @if let Some(trouble) = trouble { p.wrong { (super::frame::as_sentence(&trouble)) } }
            form.inline method="post" action="/unassigned/listen" {
                (form::hidden(token))
                p {
                    "From the broker only the topics of your probes come in. "
                    button { "Listen to all for " (OVERHEAR_TIME.as_secs()) " s" }
                }
            }
        }
    }
}

fn row(house: &House, topic: &SeenTopic) -> Markup {
    let style = Style::of(&house.app.config);
    let suggestion = house.app.probes.ingest().suggest(&topic.topic);
    html! {
        li {
            div.when { @if topic.count == 1 { "once" } @else { (topic.count) " times" } br; (ago(topic.last, house.now(), style)) }
            div {
                p { (topic.topic) }
                p.aside {
                    @if topic.retained { "kept by the broker, of unknown age" } @else { "live" }
                    @if let Some(every) = topic.every() { ", about every " (in_seconds(every)) }
                }
                pre { (topic.payload) }
                @if let Some(suggestion) = suggestion {
                    @if let Some(numbers) = numbers(&suggestion.fields) { p.aside { (numbers) } }
                    @if let Some(remark) = suggestion.remark { p { (super::frame::as_sentence(remark)) } }
                    @for proposal in &suggestion.proposals {
                        p {
                            a.touch href=(address(&topic.topic, proposal.probe.id.as_str())) {
                                (quantity_word(proposal.probe.quantity)) " " (proposal.value) " " (unit_word(proposal.unit))
                                ": take into use"
                            }
                        }
                    }
                }
            }
        }
    }
}

fn in_seconds(span: Span) -> String {
    let seconds = span.0 / 1_000;
    if seconds % 60 == 0 { format!("{} min", seconds / 60) } else { format!("{seconds} s") }
}

/// All numbers of a message with the pointers to them. A bare number has none.
fn numbers(fields: &[Field]) -> Option<String> {
    let one = |field: &Field| {
        let pointer = printable(field.pointer.as_bytes(), EXAMPLE_BYTES_MAX);
        format!("{pointer} {}{}", field.value, if field.in_quotes { " in quotes" } else { "" })
    };
    let all: Vec<String> = fields.iter().filter(|field| !field.pointer.is_empty()).map(one).collect();
    (!all.is_empty()).then(|| format!("Numbers in it: {}", all.join(", ")))
}

fn address(topic: &str, proposed: &str) -> String {
    format!("{BACK}/take?topic={}&proposed={}", in_query(topic), in_query(proposed))
}

/// Percent-encoded as RFC 3986 has it.
fn in_query(text: &str) -> String {
    let mut encoded = String::new();
    for byte in text.bytes() {
        if byte.is_ascii_alphanumeric() || matches!(byte, b'-' | b'.' | b'_' | b'~') {
            encoded.push(char::from(byte));
        } else {
            encoded.push('%');
            encoded.extend(
                [byte >> 4, byte & 15].map(|half| char::from(b"0123456789ABCDEF"[usize::from(half)])),
            );
        }
    }
    encoded
}

/// The form for one proposal.
pub(super) async fn ask(
    State(house): State<Arc<House>>,
    Extension(visitor): Extension<Visitor>,
    mut params: Params,
) -> Result<Markup, Problem> {
    let (topic, proposed) = which(&mut params)?;
    params.done("topic, proposed")?;
    let proposal = proposal(&house, &topic, &proposed)?;
    let mut values = fresh(&house, &visitor);
    values.set("topic", topic);
    values.set("proposed", proposed);
    values.set("id", proposal.probe.id.as_str());
    values.set("every", every(proposal.probe.every));
    values.set("unit", "");
    Ok(sheet(&house, &proposal, &values, visitor.form_token(), None))
}

pub(super) async fn take(
    State(house): State<Arc<House>>,
    Extension(visitor): Extension<Visitor>,
    Posted(mut params): Posted,
) -> Result<Response, Problem> {
    let values = Values::of(&params);
    let (topic, proposed) = which(&mut params)?;
    let proposal = proposal(&house, &topic, &proposed)?;
    match taken(&house, &proposal, params).await {
        Ok(()) => Ok(Redirect::to("/probes").into_response()),
        Err(problem) if problem.status.is_client_error() => {
            Ok(form::again(sheet(&house, &proposal, &values, visitor.form_token(), Some(&problem))))
        }
        Err(problem) => Err(problem),
    }
}

pub(super) async fn listen(
    State(house): State<Arc<House>>,
    Posted(params): Posted,
) -> Result<Redirect, Problem> {
    params.done("form")?;
    if house.app.probes.ingest().overhear() {
        Ok(Redirect::to(BACK))
    } else {
        Err(Problem::bad("there is no broker to listen to"))
    }
}

pub(super) async fn remove(
    State(house): State<Arc<House>>,
    Extension(visitor): Extension<Visitor>,
    Posted(mut params): Posted,
) -> Result<Redirect, Problem> {
    let id = ProbeId::new(needed(&mut params, "id", "the probe")?);
    params.done("form, id")?;
    house.app.probes.remove(&id).await?;
    note(&house, visitor.name(), format!("Probe {id} is out of use.")).await?;
    Ok(Redirect::to(BACK))
}

async fn taken(house: &House, proposal: &Proposal, mut params: Params) -> Result<(), Problem> {
    let mut probe = proposal.probe.clone();
    probe.id = ProbeId::new(needed(&mut params, "id", "the probe's name")?.trim());
    probe.every = params.span("every")?.ok_or_else(|| Problem::bad("how often it reports is missing"))?;
    let unit = params.word("unit", &[("C", Unit::Celsius), ("F", Unit::Fahrenheit)])?;
    let by = needed(&mut params, "by", "who takes it into use")?;
    params.done("the fields of the form")?;
    let mut reads = format!("{} {}", proposal.value, unit_word(proposal.unit));
    if asks_for_unit(proposal) {
        let unit = unit.ok_or_else(|| Problem::bad("say what it reads now, C or F"))?;
        probe.mapping.unit = Some(unit);
        reads = both(proposal.value, unit);
    }
    let done = format!("Probe {} is taken into use. It read {reads}.", probe.id);
    house.app.probes.add(probe).await?;
    note(house, &by, done).await
}

/// Who took which probe into use stands in the log of the farm.
async fn note(house: &House, by: &str, note: String) -> Result<(), Problem> {
    let now_ms = house.now().0;
    let (by, event) = (by.to_owned(), Event::Note);
    let entry = NewEntry { pile: None, at_ms: now_ms, entered_ms: now_ms, by, note, corrects: None, event };
    house.app.handle.enter(entry).await?;
    Ok(())
}

fn which(params: &mut Params) -> Result<(String, String), Problem> {
    Ok((needed(params, "topic", "the topic")?, needed(params, "proposed", "the proposal")?))
}

/// The proposal by the newest message of its topic: what it reads now is what the question is about.
fn proposal(house: &House, topic: &str, proposed: &str) -> Result<Proposal, Problem> {
    let suggestion = house.app.probes.ingest().suggest(topic);
    let proposals = suggestion.into_iter().flat_map(|suggestion| suggestion.proposals);
    let mut found = proposals.filter(|proposal| proposal.probe.id.as_str() == proposed);
    found.next().ok_or_else(|| {
        Problem::not_found(
            "this topic has a probe by now, was not heard of late, or its newest message differs",
        )
    })
}

fn asks_for_unit(proposal: &Proposal) -> bool {
    proposal.probe.mapping.unit.is_some() && matches!(proposal.unit, Unit::Celsius | Unit::Fahrenheit)
}

fn sheet(
    house: &House,
    proposal: &Proposal,
    values: &Values,
    token: Option<String>,
    problem: Option<&Problem>,
) -> Markup {
    let probe = &proposal.probe;
    let unit = |word: &'static str, unit: Unit| {
        html! {
            label.choice {
                input type="radio" name="unit" value=(word) checked[values.get("unit") == word] required;
                (both(proposal.value, unit))
            }
        }
    };
    let main = html! {
        h1 { "Take a probe into use" }
        p.aside { "Topic " (probe.topic) ", " (quantity_word(probe.quantity)) }
        (form::wrong(problem))
        form.write method="post" action="/unassigned/take" {
            (form::hidden(token))
            input type="hidden" name="topic" value=(values.get("topic"));
            input type="hidden" name="proposed" value=(values.get("proposed"));
            @if asks_for_unit(proposal) {
                fieldset {
                    legend { "What does it read now?" }
                    (unit("C", Unit::Celsius))
                    (unit("F", Unit::Fahrenheit))
                }
                p.hint { "A wrong unit forges the record. Hold a thermometer beside the probe if you are not sure." }
            } @else {
                p { "It reads " (proposal.value) " " (unit_word(proposal.unit)) " now." }
                @if let Some(question) = &proposal.question { p.hint { (question) } }
            }
            label for="id" { "Name of the probe" }
            input id="id" name="id" value=(values.get("id")) maxlength="64" autocomplete="off" required;
            label for="every" { "It reports every" }
            input.short id="every" name="every" value=(values.get("every")) autocomplete="off" required;
            label for="by" { "Initials" }
            input.short id="by" name="by" value=(values.get("by")) maxlength="20" autocomplete="off" required;
            p.done { button.main { "Take it into use" } a.touch href=(BACK) { "Back" } }
        }
        p { "It stays in use after a restart. Or write it into the configuration file:" }
        pre { (block(probe)) }
    };
    page(house, "Take a probe into use", None, &main)
}

/// `62 C = 144 F`, what the probe said first.
fn both(value: f64, unit: Unit) -> String {
    match unit {
        Unit::Fahrenheit => format!("{value:.0} F = {:.0} C", Celsius::from_f(value).0),
        _ => format!("{value:.0} C = {:.0} F", Celsius(value).to_f()),
    }
}

/// As it is typed: `5m`.
fn every(every: Span) -> String {
    match every.0 / 1_000 {
        seconds if seconds > 0 && seconds % 60 == 0 => format!("{}m", seconds / 60),
        seconds => format!("{}s", seconds.max(1)),
    }
}

/// The line on the page of probes that leads here.
pub(super) fn pointer(house: &House) -> Markup {
    let topics = house.app.probes.ingest().status().topics.len();
    html! {
        p { a.touch href=(BACK) { @if topics == 0 { "Find a new probe" } @else { (topics) " topics without a probe" } } }
    }
}

fn topics(count: usize) -> String {
    if count == 1 { "1 topic".to_owned() } else { format!("{count} topics") }
}
