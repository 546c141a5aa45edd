//! All piles: what needs somebody today first, piles at rest last.

use std::sync::Arc;

use axum::extract::State;
use heapward_rules::units::{At, Span};
use maud::{Markup, html};

use super::frame::page;
use super::trouble;
use crate::after::Stage;
use crate::http::house::House;
use crate::http::params::Params;
use crate::http::problem::Problem;
use crate::http::words::{self, Style, today, verdict};
use crate::recorder::PileView;

/// A pile of which nothing was heard for so long is no work of today.
const AT_REST: Span = Span::days(30);

pub(super) async fn all(State(house): State<Arc<House>>, params: Params) -> Result<Markup, Problem> {
    params.done("none")?;
    let style = Style::of(&house.app.config);
    let now = house.now();
    let trouble = trouble::of_farm(&house).await;
    // What needs somebody most stands first; of those that need the same the newest.
    let mut views = house.app.handle.views();
    views.sort_by_cached_key(|view| std::cmp::Reverse((today::need(view, now), view.pile.built_ms)));
    let (at_rest, at_work): (Vec<_>, Vec<_>) = views.iter().partition(|view| now - view.judged_to > AT_REST);
    let main = html! {
        h1 { "Piles" }
        (trouble)
        @if views.is_empty() {
            p.verdict { "No pile has been started yet." }
            p { a.touch href="/start" { "Start a pile" } }
        }
        @for view in at_work { (lines(view, &house, now, style)) }
        @if !at_rest.is_empty() {
            h2 { "Piles at rest" }
            p.aside { "Nothing was measured or written down for a month." }
            @for view in at_rest {
                p {
                    a.link href=(format!("/piles/{}", view.pile.id)) { "Pile " (view.pile.id) } ", "
                    (about(view, style)) ". "
                    @if let Some(first) = view.judgement.verdicts.first() { (verdict::sentence(first, style)) (verdict::doubt(first)) }
                }
            }
        }
    };
    Ok(page(&house, "Piles", Some("*"), &main))
}

fn lines(view: &PileView, house: &House, now: At, style: Style) -> Markup {
    html! {
        section.pile {
            h2 { a href=(format!("/piles/{}", view.pile.id)) { "Pile " (view.pile.id) } }
            p.aside { (about(view, style)) }
            (verdicts(view, house, style))
            (jobs(view, now, style))
        }
    }
}

/// Where it stands, how it is treated and since when.
pub(super) fn about(view: &PileView, style: Style) -> Markup {
    let pile = &view.pile;
    html! {
        @if let Some(bay) = pile.bay.as_deref().filter(|bay| !bay.is_empty()) {
            @if view.after.stage.holds_bay() { "Bay " (bay) ", " } @else { "Was in bay " (bay) ", " }
        }
        (words::method(&pile.method)) ", built " (style.day(At(pile.built_ms)))
        @match view.after.stage {
            Stage::Active { .. } => {}
            Stage::Curing { since } => { ", curing since " (style.day(since)) }
            Stage::Ready { since } => { ", ready since " (style.day(since)) }
            Stage::Used { since } => { ", used " (style.day(since)) }
        }
    }
}

/// The verdicts as sentences, each with its rule.
pub(super) fn verdicts(view: &PileView, house: &House, style: Style) -> Markup {
    html! {
        @for (sentence, standards) in agreeing(view, house, style) {
            p.verdict { (sentence) }
            @for standard in standards { p.aside { (standard) } }
        }
        @if view.judgement.verdicts.is_empty() { p.verdict { "No standard was chosen for this pile." } }
    }
}

/// Each sentence once, with the standards that come to it.
fn agreeing(view: &PileView, house: &House, style: Style) -> Vec<(String, Vec<String>)> {
    let mut said: Vec<(String, Vec<String>)> = Vec::new();
    for one in &view.judgement.verdicts {
        let sentence = verdict::sentence(one, style);
        let standard = verdict::standard_line(one, house.app.standards.get(&one.standard));
        match said.iter_mut().find(|(other, _)| *other == sentence) {
            Some((_, standards)) => standards.push(standard),
            None => said.push((sentence, vec![standard])),
        }
    }
    said
}

pub(super) fn jobs(view: &PileView, now: At, style: Style) -> Markup {
    html! {
        ul.today {
            @for job in today::jobs(view, now, style) {
                li { span.act[job.act] { (job.what) } }
            }
        }
    }
}
