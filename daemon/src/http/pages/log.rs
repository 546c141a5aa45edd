//! The log: dates and initials in the margin, sentences right of it, a ruled line between. And the incidents.

use std::sync::Arc;

use axum::extract::{Extension, Path, State};
use heapward_rules::units::At;
use maud::{Markup, html};

use super::frame::{instant, more, page};
use crate::http::access::Visitor;
use crate::http::house::House;
use crate::http::params::{Behind, Params};
use crate::http::problem::Problem;
use crate::http::receipts::Receipts;
use crate::http::sources::all_entries;
use crate::http::words::{Style, incident, log};
use crate::model::entry::{Entry, Event};
use crate::model::incident::{Incident, Stage};
use crate::store::IncidentFilter;
use crate::telling::policy::Mute;

pub(super) async fn whole(
    State(house): State<Arc<House>>,
    Extension(visitor): Extension<Visitor>,
    Path(pile): Path<String>,
    params: Params,
) -> Result<Markup, Problem> {
    params.done("none")?;
    house.pile(&pile)?;
    let style = Style::of(&house.app.config);
    let asked = pile.clone();
    let entries = house.read(move |reader| all_entries(reader, &asked)).await?;
    let main = html! {
        h1 { "Log of pile " (pile) }
        p.aside { "Newest first. Nothing is overwritten: what was corrected stays, struck through." }
        (list(entries.iter().rev(), &entries, visitor.pass.is_some(), style))
        p { a.touch href=(format!("/piles/{pile}")) { "Back to pile " (pile) } }
    };
    Ok(page(&house, &format!("Log of pile {pile}"), None, &main))
}

/// Everything that was noticed about a pile.
pub(super) async fn noticed(
    State(house): State<Arc<House>>,
    Extension(visitor): Extension<Visitor>,
    Path(pile): Path<String>,
    mut params: Params,
) -> Result<Markup, Problem> {
    let asked = params.page()?;
    params.done("limit, after")?;
    house.pile(&pile)?;
    let style = Style::of(&house.app.config);
    let (behind, limit) = (asked.behind()?, asked.limit);
    let filter = IncidentFilter { open_only: false, pile: Some(pile.clone()) };
    let (found, receipts) = house
        .read(move |reader| {
            let found = reader.incidents(&filter, behind.as_ref().map(Behind::key), limit + 1)?;
            let receipts = Receipts::of(reader, &found)?;
            Ok((found, receipts))
        })
        .await?;
    let last = found.get(limit).and(found.get(limit - 1));
    let next = last.map(|last| {
        format!("/piles/{pile}/incidents?limit={limit}&after={}", Behind::text(last.opened_ms, &last.id))
    });
    let main = html! {
        h1 { "What was noticed about pile " (pile) }
        @if found.is_empty() { p.verdict { "Nothing was noticed." } }
        (incidents(&found, &receipts, limit, &visitor, house.now(), style))
        (more(next))
        p { a.touch href=(format!("/piles/{pile}")) { "Back to pile " (pile) } }
    };
    Ok(page(&house, &format!("Noticed about pile {pile}"), None, &main))
}

/// Some entries; `all` tells which of them were corrected by others.
pub(super) fn list<'a>(
    shown: impl Iterator<Item = &'a Entry>,
    all: &[Entry],
    may_write: bool,
    style: Style,
) -> Markup {
    html! {
        ul.log {
            @for entry in shown { (line(entry, all, may_write, style)) }
        }
    }
}

fn line(entry: &Entry, all: &[Entry], may_write: bool, style: Style) -> Markup {
    let one = &entry.entry;
    let by_other = all.iter().find(|other| other.entry.corrects == Some(entry.seq));
    let correctable = may_write && by_other.is_none() && can_be_corrected(&one.event);
    html! {
        li {
            div.when { (instant(At(one.at_ms), style)) br; (one.by) }
            div {
                p.gone[by_other.is_some()] { (log::sentence(&one.event, style)) }
                @if !one.note.is_empty() { p.note.gone[by_other.is_some()] { (one.note) } }
                p.aside {
                    "No. " (entry.seq)
                    @if let Some(former) = one.corrects { ", in place of no. " (former) }
                    @if let Some(other) = by_other { ", corrected by no. " (other.seq) }
                    @if one.entered_ms > one.at_ms + 900_000 { ", entered " (instant(At(one.entered_ms), style)) }
                    @if correctable {
                        @let pile = one.pile.as_deref().unwrap_or_default();
                        " " a.link.zoom href=(format!("/piles/{pile}/log/{}", entry.seq)) { "Correct" }
                    }
                }
            }
        }
    }
}

/// People's entries can be corrected by people; what the daemon concluded follows from them.
pub(super) fn can_be_corrected(event: &Event) -> bool {
    !matches!(
        event,
        Event::Built
            | Event::ProbePlaced { .. }
            | Event::Withdrawn { .. }
            | Event::RunQualified { .. }
            | Event::RunBroken { .. }
            | Event::VerdictAmended { .. }
            | Event::RecordEvent { .. }
    )
}

/// What was written down a moment ago, so that nobody writes it twice.
pub(super) fn just_written(entries: &[Entry], seq: Option<u64>, style: Style) -> Markup {
    let entry = seq.and_then(|seq| entries.iter().find(|entry| entry.seq == seq));
    html! {
        @if let Some(entry) = entry {
            p role="status" {
                "Written down: " (log::sentence(&entry.entry.event, style)) " " (instant(At(entry.entry.at_ms), style))
            }
        }
    }
}

pub(super) fn incidents(
    incidents: &[Incident],
    receipts: &Receipts,
    most: usize,
    visitor: &Visitor,
    now: At,
    style: Style,
) -> Markup {
    html! {
        ul.log {
            @for one in incidents.iter().take(most) {
                li {
                    div.when { (instant(At(one.opened_ms), style)) }
                    div {
                        p { (incident::sentence(one, now, style)) }
                        @for line in incident::tellings(one, receipts, style) { p.aside { (line) } }
                        (seen(one, visitor))
                    }
                }
            }
        }
    }
}

/// The button that keeps an open incident from being told again.
fn seen(incident: &Incident, visitor: &Visitor) -> Markup {
    let open = incident.closed_ms.is_none()
        && !incident::is_good_news(&incident.kind)
        && matches!(incident.stage, Stage::Noted | Stage::Told | Stage::Reminded);
    html! {
        @if let Some(token) = visitor.form_token().filter(|_| open) {
            form.inline method="post" action="/seen" {
                input type="hidden" name="form" value=(token);
                input type="hidden" name="incident" value=(incident.id);
                button { "I have seen it" }
            }
        }
    }
}

/// What a person may be busy with at a pile: the reason of its silence, as the record says it.
const REASONS: [&str; 3] = ["watering now", "moving probes", "working at the pile"];
const MUTE_HOURS: [i64; 3] = [1, 2, 4];

/// Whether the pile is silent, and the form that makes it so for a while.
pub(super) fn mute(pile: &str, mutes: &[Mute], visitor: &Visitor, now: At, style: Style) -> Markup {
    let quiet = mutes.iter().find(|mute| mute.pile == pile && mute.until > now);
    html! {
        @if let Some(quiet) = quiet {
            p { "No messages about this pile until " (instant(quiet.until, style)) ": " (quiet.reason) ". Danger is told all the same, and everything is recorded." }
        }
        @if let Some(token) = visitor.form_token() {
            form method="post" action="/mute" {
                input type="hidden" name="form" value=(token);
                input type="hidden" name="pile" value=(pile);
                fieldset {
                    legend { "No messages about this pile for a while" }
                    @for (n, reason) in REASONS.iter().enumerate() {
                        label.choice { input type="radio" name="reason" value=(reason) checked[n == 0]; (reason) }
                    }
                    @for hours in MUTE_HOURS {
                        label.choice { input type="radio" name="hours" value=(hours) checked[hours == 2]; (hours) " h" }
                    }
                }
                button { "Be quiet" }
            }
        }
    }
}
