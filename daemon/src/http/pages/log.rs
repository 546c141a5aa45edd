//! The log: dates and initials in the margin, sentences right of it, a ruled line between. And the incidents.

use std::sync::Arc;

use axum::extract::{Extension, Path, State};
use heapward_rules::units::At;
use maud::{Markup, html};

use super::frame::{instant, more, page, whole_name};
use super::trouble;
use crate::http::access::Visitor;
use crate::http::house::House;
use crate::http::params::{Behind, Page, Params, digits};
use crate::http::problem::Problem;
use crate::http::receipts::Receipts;
use crate::http::sources::all_entries;
use crate::http::words::{Style, incident, log};
use crate::model::entry::{Entry, Event};
use crate::model::incident::{Incident, Stage};
use crate::store::IncidentFilter;
use crate::telling::policy::Mute;

/// Of a note beside the verdict.
const NOTE_CHARS_SHOWN: usize = 80;

pub(super) async fn whole(
    State(house): State<Arc<House>>,
    Extension(visitor): Extension<Visitor>,
    Path(pile): Path<String>,
    mut params: Params,
) -> Result<Markup, Problem> {
    let part = params.page()?;
    params.done("limit, after")?;
    house.pile(&pile)?;
    let style = Style::of(&house.app.config);
    let asked = pile.clone();
    // All of it: an entry is struck through by another one, wherever that stands.
    let entries = house.read(move |reader| all_entries(reader, &asked)).await?;
    let (shown, turns) = leaf(&entries, &part)?;
    let trouble = trouble::of_farm(&house).await;
    let main = html! {
        h1 { "Log of pile " (whole_name(&pile)) }
        (trouble)
        p.aside { "Newest first. Nothing is overwritten: what was corrected stays, struck through." }
        (list(shown.iter().rev(), &entries, visitor.pass.is_some(), style))
        (turning(&format!("/piles/{pile}/log"), part.limit, &turns))
        p { a.touch href=(format!("/piles/{pile}")) { "Back to pile " (pile) } }
    };
    Ok(page(&house, &format!("Log of pile {pile}"), None, &main))
}

/// Where the pages before and behind this one begin.
struct Turns {
    newer: Option<Start>,
    older: Option<Start>,
}

/// Where a page begins.
#[derive(Clone, Copy)]
enum Start {
    Newest,
    Before(u64),
}

/// The entries of one page of a log, which is in order, and where its neighbours begin.
fn leaf<'a>(entries: &'a [Entry], part: &Page) -> Result<(&'a [Entry], Turns), Problem> {
    let before = part.after.as_ref().map(|after| {
        let seq = digits(after, 18).and_then(|seq| u64::try_from(seq).ok());
        seq.ok_or_else(|| Problem::bad("`after` is the number of an entry, as the page before gives it"))
    });
    let before = before.transpose()?;
    let end = before.map_or(entries.len(), |before| entries.partition_point(|one| one.seq < before));
    let shown = &entries[end.saturating_sub(part.limit)..end];
    let newer = (end < entries.len())
        .then(|| entries.get(end + part.limit).map_or(Start::Newest, |one| Start::Before(one.seq)));
    let older = shown.first().filter(|_| end > part.limit).map(|one| Start::Before(one.seq));
    Ok((shown, Turns { newer, older }))
}

fn turning(address: &str, limit: usize, turns: &Turns) -> Markup {
    let link = |start: Start| match start {
        Start::Newest => format!("{address}?limit={limit}"),
        Start::Before(seq) => format!("{address}?limit={limit}&after={seq}"),
    };
    html! {
        @if turns.newer.is_some() || turns.older.is_some() {
            p {
                @if let Some(newer) = turns.newer { a.touch href=(link(newer)) { "Newer" } }
                @if let Some(older) = turns.older { a.touch href=(link(older)) { "Further back" } }
            }
        }
    }
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
    let trouble = trouble::of_farm(&house).await;
    let last = found.get(limit).and(found.get(limit - 1));
    let next = last.map(|last| {
        format!("/piles/{pile}/incidents?limit={limit}&after={}", Behind::text(last.opened_ms, &last.id))
    });
    let main = html! {
        h1 { "What was noticed about pile " (whole_name(&pile)) }
        (trouble)
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

/// What was written down a moment ago, or else what people wrote last: nobody writes it twice, and a slip is put right
/// in two taps.
pub(super) fn last_written(entries: &[Entry], wrote: Option<u64>, may_write: bool, style: Style) -> Markup {
    let is_good = |entry: &&Entry| {
        can_be_corrected(&entry.entry.event)
            && !entries.iter().any(|other| other.entry.corrects == Some(entry.seq))
    };
    let just = wrote.and_then(|seq| entries.iter().find(|entry| entry.seq == seq));
    let last = just.or_else(|| entries.iter().rev().find(is_good));
    html! {
        @if let Some(entry) = last {
            @let one = &entry.entry;
            p.written role=[just.map(|_| "status")] {
                @if just.is_some() { "Written down" } @else { "Last written down" }
                ", " (instant(At(one.at_ms), style)) " by " (one.by) ": "
                @let sentence = log::sentence(&one.event, style);
                @if !sentence.is_empty() { (sentence) " " }
                @if !one.note.is_empty() { "\u{201c}" (first_words(&one.note)) "\u{201d} " }
                @if may_write && is_good(&entry) {
                    @let pile = one.pile.as_deref().unwrap_or_default();
                    a.link.zoom href=(format!("/piles/{pile}/log/{}", entry.seq)) { "Correct" }
                }
            }
        }
    }
}

/// A long note is read in the log.
fn first_words(note: &str) -> String {
    let line = note.lines().next().unwrap_or_default();
    if line.chars().count() <= NOTE_CHARS_SHOWN && line.len() == note.len() {
        return line.to_owned();
    }
    line.chars().take(NOTE_CHARS_SHOWN).chain(['…']).collect()
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
