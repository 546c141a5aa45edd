//! The document as HTML: the body for the page, or a file of its own that prints.

use maud::{DOCTYPE, Markup, html};

use super::chart::{Anchor, Chart, Op};
use super::document::{Block, Document, Table};

const STYLE: &str = "\
html { font: 11pt/1.35 Charter, 'Bitstream Charter', Georgia, 'Liberation Serif', serif; color: #000; background: #fff; }
body { margin: 0 auto; max-width: 46rem; padding: 1rem; overflow-wrap: break-word; }
h1 { font-size: 1.5rem; } h2 { font-size: 1.1rem; margin: 1.4rem 0 .3rem; break-after: avoid; }
p { margin: .3rem 0; } .verdict { font-weight: 600; font-size: 1.1rem; } .aside { font-size: .85rem; }
table { border-collapse: collapse; width: 100%; font-size: .82rem; margin: .3rem 0 .6rem; }
th, td { text-align: left; vertical-align: top; padding: .15rem .5rem .15rem 0; }
thead th { border-bottom: 1px solid #000; } tbody tr { border-bottom: 1px solid #bbb; break-inside: avoid; }
.number { text-align: right; } .gone { text-decoration: line-through; color: #555; }
dl { display: grid; grid-template-columns: max-content 1fr; gap: 0 1rem; } dt { font-weight: 600; } dd { margin: 0; }
.wide { overflow-x: auto; } svg { width: 100%; min-width: 30rem; height: auto; } ul { margin: .3rem 0; padding-left: 1.1rem; }
.sign { display: grid; grid-template-columns: repeat(3, 1fr); gap: 1.5rem; margin-top: 3rem; break-inside: avoid; }
.sign p { border-top: 1px solid #000; font-size: .85rem; }
@media screen and (max-width: 599px) {
  thead { position: absolute; clip-path: inset(50%); width: 1px; height: 1px; overflow: hidden; }
  tr, td { display: block; } td, .number { text-align: left; } td[data-head]::before { content: attr(data-head) ': '; }
  td:empty { display: none; } dl, .sign { grid-template-columns: 1fr; } dd { margin: 0 0 .3rem; }
}
@media print { svg { min-width: 0; } }
";

/// Width of the chart in points: that of the text on paper.
const CHART_WIDTH: f32 = 500.0;

/// A file of its own: nothing else is needed to show and print it.
pub fn page(document: &Document) -> String {
    let page = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                title { (document.title) }
                style { (maud::PreEscaped(STYLE)) }
            }
            body { h1 { (document.title) } (body(document)) p.aside { (document.foot) } }
        }
    };
    page.into_string()
}

/// The document without its title.
pub fn body(document: &Document) -> Markup {
    html! { @for one in &document.blocks { (block(one)) } }
}

fn block(block: &Block) -> Markup {
    html! {
        @match block {
            Block::Heading(text) => { h2 { (text) } }
            Block::Verdict(text) => { p.verdict { (text) } }
            Block::Text(text) => { p { (text) } }
            Block::Aside(text) => { p.aside { (text) } }
            Block::List(lines) => { ul { @for line in lines { li { (line) } } } }
            Block::Facts(facts) => { dl { @for (name, value) in facts { dt { (name) } dd { (value) } } } }
            Block::Table(one) => { (table(one)) }
            Block::Chart(one) => { (chart(one)) }
            Block::Sign(words) => { div.sign { @for word in words { p { (word) } } } }
        }
    }
}

fn table(table: &Table) -> Markup {
    html! {
        table.lines {
            thead { tr { @for column in &table.columns { th.number[column.is_number] { (column.title) } } } }
            tbody {
                @for row in &table.rows {
                    tr.gone[row.is_gone] {
                        @for (cell, column) in row.cells.iter().zip(&table.columns) {
                            td.number[column.is_number] data-head=(column.title) { (cell) }
                        }
                    }
                }
            }
        }
    }
}

fn chart(chart: &Chart) -> Markup {
    let height = chart.height();
    html! {
        div.wide tabindex="0" role="region" aria-label="Chart of the temperatures" { svg viewBox=(format!("0 0 {CHART_WIDTH} {height}")) role="img"
            aria-label="Temperatures of each spot over time; the same figures stand in the tables and in hours.csv" {
            @for op in chart.ops(CHART_WIDTH, height) { (drawn(&op)) }
        } }
    }
}

/// Elements of SVG are always ended: without that each would hold all that follow, and nothing would be drawn.
fn drawn(op: &Op) -> Markup {
    html! {
        @match op {
            Op::Line { from, to, thick, gray, dashed } => {
                line x1=(place(from.0)) y1=(place(from.1)) x2=(place(to.0)) y2=(place(to.1)) stroke=(shade(*gray))
                    stroke-width=(thick) stroke-dasharray=[dashed.then_some("2.5 2")] {}
            }
            Op::Trail { points, thick } => {
                polyline points=(trail(points)) fill="none" stroke="#000" stroke-width=(thick) stroke-linejoin="round" {}
            }
            Op::Fill { corners: [left, top, right, bottom], gray } => {
                rect x=(place(*left)) y=(place(*top)) width=(place(right - left)) height=(place(bottom - top)) fill=(shade(*gray)) {}
            }
            Op::Ring { at, radius } => {
                circle cx=(place(at.0)) cy=(place(at.1)) r=(radius) fill="#fff" stroke="#000" stroke-width="0.7" {}
            }
            Op::Text { at, size, anchor, text } => {
                text x=(place(at.0)) y=(place(at.1)) font-size=(size) text-anchor=(word(*anchor)) { (text) }
            }
        }
    }
}

fn word(anchor: Anchor) -> &'static str {
    match anchor {
        Anchor::Start => "start",
        Anchor::Middle => "middle",
        Anchor::End => "end",
    }
}

/// A place to a tenth of a point.
fn place(at: f32) -> String {
    format!("{at:.1}")
}

fn shade(gray: f32) -> String {
    let percent = (gray * 100.0).round();
    format!("rgb({percent}% {percent}% {percent}%)")
}

fn trail(points: &[(f32, f32)]) -> String {
    points.iter().map(|(x, y)| format!("{x:.1},{y:.1}")).collect::<Vec<_>>().join(" ")
}
