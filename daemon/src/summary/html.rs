//! The summary as HTML: what a phone shows without loading anything from outside.

use maud::{DOCTYPE, Markup, html};

use super::chart::colour_word;
use super::lines::Line;
use super::snapshot::{PileDay, Snapshot};
use crate::telling::gsm;
use crate::telling::wording;

/// Mail readers drop style sheets: every style stands at its element.
const BODY: &str = "margin:0;padding:16px;background:#ffffff;color:#222222;max-width:640px;\
    font:16px/1.45 system-ui,-apple-system,'Segoe UI',Roboto,sans-serif";
const LABEL: &str = "margin:14px 0 0;font-size:13px;color:#5a5a5a";
const TEXT: &str = "margin:0;overflow-wrap:anywhere";
const JOB: &str =
    "margin:2px 0 0;padding:8px 12px;border-left:4px solid #4a7a3c;background:#f1f6ee;font-size:17px";
const IMAGE: &str = "display:block;width:100%;max-width:480px;height:auto;margin:14px 0 2px";
const LEGEND: &str = "margin:0;font-size:13px;color:#444444";

/// Content id of a pile's chart.
pub(super) fn content_id(index: usize) -> String {
    format!("chart-{}", index + 1)
}

pub(super) fn page(snapshot: &Snapshot, subject: &str, lines: &[Line]) -> String {
    let markup = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                title { (subject) }
            }
            body style=(BODY) {
                @for line in lines { (paragraph(line)) }
                @for (index, pile) in snapshot.piles.iter().enumerate() {
                    @if !pile.chart.is_empty() { (chart(index, pile)) }
                }
                p style=(LABEL) {
                    @for part in wording::signature(&snapshot.site, snapshot.now).lines() { (part) br; }
                }
            }
        }
    };
    markup.into_string()
}

/// The page with some lines before all others.
pub(super) fn with_before(page: &str, lines: &str) -> String {
    let body = page.find("<body").and_then(|begin| Some(begin + page.get(begin..)?.find('>')? + 1));
    let Some((head, rest)) = body.and_then(|place| page.split_at_checked(place)) else {
        return page.to_owned();
    };
    let before = html! { p style=(TEXT) { @for line in lines.lines() { (line) br; } } };
    format!("{head}{}{rest}", before.into_string())
}

fn paragraph(line: &Line) -> Markup {
    let style = if line.label == "Today" { JOB } else { TEXT };
    html! {
        p style=(LABEL) { (line.label) }
        p style=(style) { (line.text) }
    }
}

fn chart(index: usize, pile: &PileDay) -> Markup {
    let pile_name = gsm::one_line(&pile.id);
    html! {
        img src={ "cid:" (content_id(index)) } style=(IMAGE) alt={ "Temperatures of pile " (pile_name) };
        p style=(LEGEND) {
            b { (pile_name) } " "
            @for (place, series) in pile.chart.iter().enumerate() {
                span style={ "color:" (colour_word(place)) } { "\u{25a0}" } " " (gsm::one_line(&series.name)) " "
            }
        }
    }
}
