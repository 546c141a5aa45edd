//! Pages about the farm's equipment: probes, messages out, messages refused, Heapward itself.

use std::collections::BTreeMap;
use std::sync::Arc;

use axum::extract::{Extension, State};
use axum::response::{IntoResponse, Redirect, Response};
use heapward_rules::ids::ProbeId;
use heapward_rules::reading::{Unit, reported_c};
use heapward_rules::units::{At, Span};
use maud::{Markup, html};

use super::form::{Posted, needed};
use super::frame::{ago, instant, more, page};
use super::signs;
use crate::http::access::Visitor;
use crate::http::access::keys::Pass;
use crate::http::entering;
use crate::http::house::House;
use crate::http::params::{Behind, Params};
use crate::http::problem::Problem;
use crate::http::words::{Style, about};
use crate::model::message::{Delivery, OutboxMessage};
use crate::model::reading::{quantity_word, unit_word};
use crate::model::words::FROM_MEMORY_SENTENCE;
use crate::recorder::PileView;
use crate::store::{Latest, Reader};

pub(super) async fn probes(State(house): State<Arc<House>>, params: Params) -> Result<Markup, Problem> {
    params.done("none")?;
    let style = Style::of(&house.app.config);
    let now = house.now();
    let latest = house.read(Reader::latest).await?;
    let views = house.app.handle.views();
    let mut probes: BTreeMap<String, Vec<&Latest>> =
        house.app.probes.all().iter().map(|probe| (probe.id.to_string(), Vec::new())).collect();
    for one in &latest {
        probes.entry(one.key.probe.to_string()).or_default().push(one);
    }
    let heard = house.app.probes.ingest().status().probes;
    let main = html! {
        h1 { "Probes" }
        @if probes.is_empty() { p.verdict { "No probe is configured, and none has spoken." } }
        table.lines {
            thead { tr { th { "Probe" } th { "Says" } th { "Stands" } th { "What is wrong" } } }
            tbody {
                @for (probe, said) in &probes {
                    tr {
                        th { (probe) p.aside { "every " (about(house.declared_every(probe))) } }
                        td data-head="Says" {
                            @if said.is_empty() { "nothing yet" }
                            @for one in said { p.aside { (figure(one, style)) ", " (ago(one.reading.at, now, style)) } }
                            @if let Some(heard) = heard.get(&ProbeId::new(probe.as_str())) {
                                (signs::of(heard, said.iter().map(|one| one.reading.at).max(), now, style))
                            }
                        }
                        td data-head="Stands" { (stands(&views, probe, now)) }
                        td data-head="What is wrong" { (wrong(&views, probe)) }
                    }
                }
            }
        }
        (super::unassigned::pointer(&house))
        p.hint { "Place or move a probe from the page of its pile: \u{201c}Something else\u{201d}, then \u{201c}Place a probe\u{201d}." }
    };
    Ok(page(&house, "Probes", Some("*"), &main))
}

/// As reported, to the digit; a temperature in another unit than the farm's also in the farm's, which comes first.
fn figure(one: &Latest, style: Style) -> String {
    let (value, unit) = (one.reading.value, one.key.unit);
    let sign = match unit {
        Unit::Celsius => "°C",
        Unit::Fahrenheit => "°F",
        unit => unit_word(unit),
    };
    let quantity = quantity_word(one.key.quantity);
    match reported_c(value, unit) {
        Some(c) if sign != style.sign() => {
            format!("{quantity} {}, reported as {value} {sign}", style.temperature(c))
        }
        _ => format!("{quantity} {value} {sign}"),
    }
}

fn stands(views: &[Arc<PileView>], probe: &str, now: At) -> Markup {
    let placed: Vec<(&str, &str)> = views
        .iter()
        .flat_map(|view| view.pile.placements.iter().map(move |one| (view.pile.id.as_str(), one)))
        .filter(|(_, one)| one.probe == probe && one.until_ms.is_none_or(|until| until > now.0))
        .map(|(pile, one)| (pile, one.spot.as_str()))
        .collect();
    html! {
        @if placed.is_empty() { "in no pile" }
        @for (n, (pile, spot)) in placed.iter().enumerate() {
            @if n > 0 { br; }
            a.link href=(format!("/piles/{pile}")) { "pile " (pile) } ", " (spot)
        }
    }
}

fn wrong(views: &[Arc<PileView>], probe: &str) -> Markup {
    let open = views.iter().flat_map(|view| &view.open);
    let mut kinds: Vec<&str> = open
        .filter(|finding| finding.probe.as_ref().is_some_and(|one| one.as_str() == probe))
        .map(|finding| crate::http::words::kind(finding.kind))
        .collect();
    kinds.dedup();
    html! {
        @if kinds.is_empty() { "nothing known" }
        (kinds.iter().map(|kind| kind.replace('-', " ")).collect::<Vec<_>>().join(", "))
    }
}

pub(super) async fn refused(State(house): State<Arc<House>>, params: Params) -> Result<Markup, Problem> {
    params.done("none")?;
    let style = Style::of(&house.app.config);
    let status = (house.app.ingest)();
    let main = html! {
        h1 { "Messages refused" }
        @if status.refused.is_empty() { p.verdict { "Every message since the start could be read." } }
        @else { p.verdict { (status.refused.iter().map(|one| one.count).sum::<u64>()) " messages since the start could not be read." } }
        p {
            "Taken in: " (status.messages) " messages, " (status.readings) " readings. Retained: " (status.retained)
            " (never readings, their age is unknown). Undated: " (status.undated) "."
        }
        ul.log {
            @for one in &status.refused {
                li {
                    div.when { (one.count) " times" br; (instant(one.last, style)) }
                    div {
                        p { (one.reason) }
                        p.aside { "Topic " (one.topic) ", first " (instant(one.first, style)) }
                        pre { (one.example) }
                    }
                }
            }
        }
    };
    Ok(page(&house, "Messages refused", None, &main))
}

pub(super) async fn outbox(State(house): State<Arc<House>>, mut params: Params) -> Result<Markup, Problem> {
    let asked = params.page()?;
    params.done("limit, after")?;
    let style = Style::of(&house.app.config);
    let limit = asked.limit;
    let behind = asked.behind()?;
    let mut messages =
        house.read(move |reader| reader.messages(behind.as_ref().map(Behind::key), limit + 1)).await?;
    let further = messages.len() > limit;
    messages.truncate(limit);
    let next = messages
        .last()
        .filter(|_| further)
        .map(|last| format!("/outbox?limit={limit}&after={}", Behind::text(last.created_ms, &last.id)));
    let status = (house.app.telling)();
    let main = html! {
        h1 { "Messages sent" }
        @if messages.is_empty() { p.verdict { "Nobody has been told anything yet." } }
        @for (channel, trouble) in &status.trouble {
            p { span.act { "The channel " (channel) " does not work: " (trouble) } }
        }
        ul.log {
            @for one in &messages {
                li {
                    div.when { (instant(At(one.created_ms), style)) br; (one.contact) }
                    div {
                        p { (message_text(one)) }
                        p.aside { "By " (one.channel) ", " (delivery(&one.delivery, one.tries, style)) }
                    }
                }
            }
        }
        (more(next))
    };
    Ok(page(&house, "Messages sent", None, &main))
}

fn message_text(message: &OutboxMessage) -> &str {
    if message.html.is_some() && !message.subject.is_empty() { &message.subject } else { &message.text }
}

fn delivery(delivery: &Delivery, tries: u32, style: Style) -> Markup {
    html! {
        @match delivery {
            Delivery::Waiting { due_ms } => {
                "waits until " (instant(At(*due_ms), style)) @if tries > 0 { ", tried " (tries) " times" }
            }
            Delivery::Sent { at_ms } => { "sent " (instant(At(*at_ms), style)) }
            Delivery::Superseded { .. } => { "went out as part of another message" }
            Delivery::Failed { at_ms, reason } => { "given up " (instant(At(*at_ms), style)) ": " (reason) }
        }
    }
}

#[expect(clippy::cast_precision_loss, reason = "a figure for people")]
fn megabytes(bytes: u64) -> String {
    let mb = bytes as f64 / 1e6;
    match mb {
        0.0..100.0 => format!("{mb:.1} MB"),
        0.0..10_000.0 => format!("{mb:.0} MB"),
        _ => format!("{:.0} GB", mb / 1e3),
    }
}

/// Each name once.
fn names(passes: &[Pass]) -> String {
    let names: std::collections::BTreeSet<&str> = passes.iter().map(|pass| pass.name.as_str()).collect();
    names.into_iter().collect::<Vec<_>>().join(", ")
}

/// A person has seen an incident.
pub(super) async fn seen(
    State(house): State<Arc<House>>,
    Extension(_): Extension<Visitor>,
    Posted(mut params): Posted,
) -> Result<Response, Problem> {
    let incident = needed(&mut params, "incident", "the incident")?;
    params.done("form, incident")?;
    house.app.handle.seen(incident.clone()).await?;
    let known = |pile: &&str| house.app.handle.view(pile).is_some();
    let back = incident.split('/').next().filter(known).map(|pile| format!("/piles/{pile}"));
    Ok(Redirect::to(back.as_deref().unwrap_or("/")).into_response())
}

/// No messages of a pile for some hours.
pub(super) async fn mute(
    State(house): State<Arc<House>>,
    Extension(_): Extension<Visitor>,
    Posted(mut params): Posted,
) -> Result<Response, Problem> {
    let pile = needed(&mut params, "pile", "the pile")?;
    let reason = needed(&mut params, "reason", "the reason")?;
    let hours = needed(&mut params, "hours", "how long")?.parse::<i64>();
    let hours = hours.ok().filter(|hours| (1..=24).contains(hours));
    let hours = hours.ok_or_else(|| Problem::bad("`hours` is a number from 1 to 24"))?;
    params.done("form, pile, reason, hours")?;
    entering::needed("reason", &reason)?;
    house.pile(&pile)?;
    house.app.handle.mute(pile.clone(), house.now() + Span::hours(hours), reason).await?;
    Ok(Redirect::to(&format!("/piles/{pile}")).into_response())
}

pub(super) async fn about_heapward(
    State(house): State<Arc<House>>,
    params: Params,
) -> Result<Markup, Problem> {
    params.done("none")?;
    let style = Style::of(&house.app.config);
    let now = house.now();
    let app = &house.app;
    let (ingest, telling) = ((app.ingest)(), (app.telling)());
    let piles = app.handle.views().len();
    let sizes = house.read(Reader::sizes).await?;
    let passes = house.keys.passes().unwrap_or_default();
    let main = html! {
        h1 { "About" }
        p.verdict { "Heapward " (env!("CARGO_PKG_VERSION")) " keeps watch over " (piles) @if piles == 1 { " pile of " } @else { " piles of " }  (app.config.farm.name) "." }
        p { "It is no fire alarm and no gas alarm. It judges by published rules as data; your certifier decides." }
        h2 { "Clock" }
        p {
            "It is " (instant(now, style)) " (" (app.config.farm.timezone.name()) "). "
            @if app.clock.is_trusted() { "The clock is trusted." }
            @else { span.act { "The clock is not trusted yet: readings without a time of their own wait." } }
        }
        h2 { "Records" }
        p {
            "They take " (megabytes(sizes.database_bytes)) " in " code { (app.config.store.dir.display()) } ". "
            @match house.free_bytes() {
                Some(free) => { "There is room for " (megabytes(free)) " more." }
                None => { "How much room is left is not known." }
            }
        }
        h2 { "Passes" }
        p {
            @if passes.is_empty() { "Nobody has a pass. " } @else { "Who may write: " (names(&passes)) ". " }
            a.link href="/pair" { "Pair this phone" }
        }
        h2 { "Messages in" }
        p {
            @match &ingest.source {
                None => { "No broker is configured." }
                Some(source) if ingest.connected => { "Connected: " (source) "." }
                Some(source) => { span.act { "Not connected to " (source) "." } }
            }
            @if let Some(last) = ingest.last_message { " The last message came " (ago(last, now, style)) "." }
            " " a.link href="/refused" { "What was refused" } "."
        }
        h2 { "Messages out" }
        p { (telling.sent) " sent since the start, " (telling.waiting) " waiting, " (telling.failed) " given up. " a.link href="/outbox" { "All of them" } "." }
        h2 { "Rules" }
        @for standard in app.standards.values() {
            h3 { (standard.title) }
            p { (standard.meaning) " " (standard.clause) "." @if !standard.verified { " " (FROM_MEMORY_SENTENCE) } }
        }
        h2 { "For scripts" }
        p { "The API is described at " a.link href="/v1/openapi.json" { "/v1/openapi.json" } ", counters are at " a.link href="/metrics" { "/metrics" } "." }
    };
    Ok(page(&house, "About", None, &main))
}
