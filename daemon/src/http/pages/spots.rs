//! The spots of a pile: what each says now, and how far each has got under the first standard.

use heapward_rules::reading::{Quantity, reported_c};
use heapward_rules::units::{At, Celsius};
use heapward_rules::verdict::{SpotVerdict, Verdict};
use maud::{Markup, PreEscaped, html};

use super::frame::{ago, instant};
use crate::http::words::verdict::{break_sentence, counted, doubt};
use crate::http::words::{Style, hours};
use crate::model::pile::{PileRecord, PlacementRecord, SpotRecord};
use crate::recorder::PileView;
use crate::store::Latest;

/// Breaks that the page shows; the newest tell what to do better.
const BREAKS_SHOWN: usize = 6;

pub(super) fn table(view: &PileView, latest: &[Latest], now: At, style: Style) -> Markup {
    let pile = &view.pile;
    let columns = columns(view, style);
    html! {
        h2 { "Spots" }
        table.lines {
            thead { tr { th { "Spot" } th { "Now" } th { "Probe" } @for (standards, _) in &columns { th { (standards) } } } }
            tbody {
                @for (n, spot) in pile.spots.iter().enumerate() {
                    tr {
                        th { (spot.name) p.aside { (place(spot)) } }
                        td data-head="Now" { (newest(pile, spot, latest, now, style)) }
                        td data-head="Probe" { (probes(pile, spot, now)) }
                        @for (standards, cells) in &columns {
                            td data-head=(standards) { @if let Some(cell) = cells.get(n) { (PreEscaped(cell)) } }
                        }
                    }
                }
            }
        }
        (breaks(view, style))
    }
}

fn place(spot: &SpotRecord) -> String {
    let depth = spot.depth_in.map(|depth| format!(", {depth} in deep")).unwrap_or_default();
    let watched = if spot.watched_only { ", watched only" } else { "" };
    format!("{}{depth}{watched}", spot.zone)
}

/// The placements at a spot that have not ended: one for each thing that is measured.
fn placed<'a>(
    pile: &'a PileRecord,
    spot: &'a SpotRecord,
    now: At,
) -> impl Iterator<Item = &'a PlacementRecord> {
    let lasts = move |one: &&PlacementRecord| one.until_ms.is_none_or(|until| until > now.0);
    pile.placements.iter().rev().filter(|one| one.spot == spot.name).filter(lasts)
}

fn probes(pile: &PileRecord, spot: &SpotRecord, now: At) -> String {
    let mut names: Vec<&str> = placed(pile, spot, now).map(|one| one.probe.as_str()).collect();
    names.sort_unstable();
    if names.is_empty() { "none".to_owned() } else { names.join(", ") }
}

fn newest(pile: &PileRecord, spot: &SpotRecord, latest: &[Latest], now: At, style: Style) -> Markup {
    let of_probe = placed(pile, spot, now).find_map(|placement| {
        let mut series = latest.iter().filter(|one| one.key.probe.as_str() == placement.probe);
        let newest = series
            .find(|one| one.key.quantity == Quantity::Temperature && one.reading.at.0 >= placement.from_ms)?;
        let c = reported_c(newest.reading.value, newest.key.unit)?;
        Some((Celsius(c.0 + placement.offset_c), newest.reading.at))
    });
    html! {
        @match of_probe {
            Some((c, at)) => { (style.temperature(c)) p.aside { (ago(at, now, style)) } }
            None => { "not known" }
        }
    }
}

/// What each standard says of every spot; standards that say the same are one column.
fn columns(view: &PileView, style: Style) -> Vec<(String, Vec<String>)> {
    let mut columns: Vec<(String, Vec<String>)> = Vec::new();
    for verdict in &view.judgement.verdicts {
        let cells = view.pile.spots.iter().map(|spot| progress(verdict, &spot.name, style).into_string());
        let cells: Vec<String> = cells.collect();
        let standard = format!("{}{}", verdict.standard, doubt(verdict));
        match columns.iter_mut().find(|(_, other)| *other == cells) {
            Some((standards, _)) => *standards = format!("{standards}, {standard}"),
            None => columns.push((standard, cells)),
        }
    }
    columns
}

fn progress(verdict: &Verdict, spot: &str, style: Style) -> Markup {
    let one = verdict.spots.iter().find(|one| one.spot.as_str() == spot);
    html! { @if let Some(one) = one { (spot_progress(verdict, one, style)) } }
}

fn spot_progress(verdict: &Verdict, spot: &SpotVerdict, style: Style) -> Markup {
    let required =
        verdict.required.map(|required| format!(" of {}", hours(required.time))).unwrap_or_default();
    html! {
        @match (&spot.given_up, spot.qualified_at) {
            (Some(given_up), _) => { "given up on " (instant(given_up.at, style)) ": " (given_up.reason) }
            (None, Some(at)) => { "qualified on " (instant(at, style)) }
            (None, None) if !spot.required => { "not required" }
            (None, None) => {
                (hours(counted(spot, verdict.status))) (required)
                @if spot.open_run.is_some() { ", counting" } @else { ", not counting" }
            }
        }
        @if let Some(run) = &spot.longest_run {
            p.aside { (instant(run.start, style)) " to " (instant(run.end, style)) }
        }
    }
}

fn breaks(view: &PileView, style: Style) -> Markup {
    let Some(verdict) = view.judgement.verdicts.first().filter(|verdict| !verdict.breaks.is_empty()) else {
        return html! {};
    };
    html! {
        h3 { "Runs that ended" }
        @for one in verdict.breaks.iter().rev().take(BREAKS_SHOWN) {
            p { (break_sentence(one, style)) }
        }
        @if verdict.breaks.len() > BREAKS_SHOWN { p.aside { (verdict.breaks.len() - BREAKS_SHOWN) " earlier ones" } }
    }
}
