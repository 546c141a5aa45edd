//! All piles, the working ones first.

use std::sync::Arc;

use axum::extract::State;
use heapward_rules::ids::StandardId;
use heapward_rules::standard::Standard;
use heapward_rules::units::At;
use maud::{Markup, html};

use super::frame::page;
use crate::http::house::House;
use crate::http::params::Params;
use crate::http::problem::Problem;
use crate::http::words::{self, Style, today, verdict};
use crate::recorder::PileView;

pub(super) async fn all(State(house): State<Arc<House>>, params: Params) -> Result<Markup, Problem> {
    params.done("none")?;
    let style = Style::of(&house.app.config);
    let now = house.now();
    let mut views = house.app.handle.views();
    views.sort_by_key(|view| std::cmp::Reverse(view.pile.built_ms));
    let main = html! {
        h1 { "Piles" }
        @if views.is_empty() {
            p.verdict { "No pile has been started yet." }
        }
        @for view in &views {
            (lines(view, &house, now, style))
        }
    };
    Ok(page("Piles", &house.app.config.farm.name, &main))
}

fn lines(view: &PileView, house: &House, now: At, style: Style) -> Markup {
    let pile = &view.pile;
    html! {
        section.pile {
            h2 { "Pile " (pile.id) }
            p.aside {
                @if let Some(bay) = &pile.bay { "Bay " (bay) ", " }
                (words::method(&pile.method)) ", built " (style.day(At(pile.built_ms)))
            }
            @for one in &view.judgement.verdicts {
                p.verdict { (verdict::sentence(one, style)) }
                p.aside { (verdict::standard_line(one, standard(house, &one.standard))) }
            }
            ul.today {
                @for job in today::jobs(view, now, style) {
                    li.act[job.act] { (job.what) }
                }
            }
        }
    }
}

fn standard<'a>(house: &'a House, id: &StandardId) -> Option<&'a Standard> {
    house.app.standards.get(id)
}
