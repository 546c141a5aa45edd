//! Planning a mix: a form that works by its address alone, the answer above it, a card to print.

use std::sync::Arc;

use axum::extract::State;
use maud::{Markup, html};

use super::form::{self, Field, Values, number};
use super::frame::page;
use crate::http::house::House;
use crate::http::params::Params;
use crate::http::problem::Problem;
use crate::mix::amount::Sizes;
use crate::mix::request::{CN, MOISTURE, Plan, Request};
use crate::mix::table::Table;
use crate::mix::{advice, card};

const FIELDS: [Field; 7] = [
    Field::Line {
        key: "make",
        label: "Make so much, such as 8yd3 (empty: the amounts as they stand)",
        needed: false,
    },
    Field::Line { key: "bay", label: "The bay holds, such as 8yd3", needed: false },
    Field::Number { key: "cn", label: "C:N that is aimed at", needed: false },
    Field::Line { key: "moisture", label: "Moisture that is aimed at, %", needed: false },
    Field::Number { key: "bucket", label: "Gallons of a bucket", needed: false },
    Field::Number { key: "load", label: "Cubic yards of a load", needed: false },
    Field::Choice {
        key: "card",
        label: "Show",
        options: &[("no", "figures and advice"), ("yes", "the build card")],
        needed: false,
    },
];

pub(super) async fn plan(State(house): State<Arc<House>>, mut params: Params) -> Result<Markup, Problem> {
    let mut values = Values::default();
    for (key, value) in [
        ("cn", CN.to_string().as_str()),
        ("moisture", MOISTURE),
        ("bucket", "5"),
        ("load", "1"),
        ("card", "no"),
    ] {
        values.set(key, value);
    }
    for (key, value) in params.pairs().into_iter().filter(|(_, value)| !value.is_empty()) {
        values.set(&key, value);
    }
    let wants_card = params.word("card", &[("yes", true), ("no", false)])?.unwrap_or(false);
    let what = params.text("what");
    let asked = request(&mut params, what.as_deref().unwrap_or_default());
    params.done("what, make, bay, cn, moisture, bucket, load, card")?;
    let answer = match (what, asked) {
        (None, _) => None,
        (Some(_), Err(problem)) => Some(Err(problem.detail)),
        (Some(_), Ok(request)) => Some(request.plan(&house.table)),
    };
    let main = html! {
        h1 { "Plan a mix" }
        @match &answer {
            None => { p { "Write what there is, or what you mean to put in; figures come with the range that they are met in." } }
            Some(Err(text)) => { div.wrong role="alert" { @for line in text.lines() { p { (line) } } } }
            Some(Ok(plan)) if wants_card => { (build_card(plan)) (onwards(plan)) }
            Some(Ok(plan)) => { (figures(plan)) (onwards(plan)) }
        }
        form.write method="get" action="/mix" {
            label for="what" { "Feedstocks, one a line: name=amount, and where it came from" }
            textarea id="what" name="what" maxlength="4000" placeholder="horse-manure=2yd3 Ford stable\nleaves=40buckets\nwater=60gal" { (values.get("what")) }
            p.hint { "Amounts in lb, kg, yd3, ft3, m3, buckets, loads; water in gal or l. With \u{201c}Make so much\u{201d} an amount is the most there is." }
            @for field in FIELDS { (form::field(field, &values, &[], &[])) }
            p.done { button.main { "Work it out" } }
        }
        (known(&house.table))
    };
    Ok(page(&house, "Plan a mix", None, &main))
}

fn request(params: &mut Params, what: &str) -> Result<Request, Problem> {
    let usual = Request::default();
    Ok(Request {
        lines: what.lines().map(str::to_owned).collect(),
        make: params.text("make"),
        cn: number(params, "cn")?.unwrap_or(usual.cn),
        moisture: params.text("moisture").unwrap_or(usual.moisture),
        bay: params.text("bay"),
        sizes: Sizes {
            bucket_gallons: number(params, "bucket")?.unwrap_or(usual.sizes.bucket_gallons),
            load_yd3: number(params, "load")?.unwrap_or(usual.sizes.load_yd3),
        },
    })
}

/// Line by line, so that a line that is too long for a phone goes on with an indent.
fn build_card(plan: &Plan) -> Markup {
    let card = card::card(&plan.recipe, &plan.outcome, plan.sizes);
    html! { pre.card { @for line in card.lines() { span { (line) } } } }
}

fn figures(plan: &Plan) -> Markup {
    let outcome = &plan.outcome;
    html! {
        p.verdict {
            "C:N " (format!("{:.1}", outcome.cn.typical)) ":1, moisture " (format!("{:.0}", outcome.moisture.typical)) " %"
            @if let Some(pile) = outcome.pile { ", " (format!("{:.1}", pile.cubic_yards.typical)) " cubic yards" }
            "."
        }
        ul.today { @for line in &plan.warnings { li { span.act { (line) } } } }
        p { (advice::class_sentence(&plan.recipe)) }
        table {
            thead { tr { th { "Feedstock" } th.number { "Pounds" } th.number { "Cubic yards" } } }
            tbody {
                @for part in &plan.recipe.parts {
                    tr {
                        td { (part.feedstock.name) @if let Some(source) = &part.source { p.aside { (source) } } }
                        td.number { (format!("{:.0}", part.pounds)) }
                        td.number { @if let Some(density) = part.feedstock.bulk_density { (format!("{:.2}", part.pounds / density.typical)) } @else { "not known" } }
                    }
                }
                @if plan.recipe.water_pounds > 0.0 {
                    tr { td { "Water, " (card::gallons(plan.recipe.water_pounds)) " gallons" } td.number { (format!("{:.0}", plan.recipe.water_pounds)) } td {} }
                }
            }
        }
        dl {
            @for (name, figure) in card::rows(outcome) { dt { (name) } dd { (figure) } }
        }
        p.aside { (advice::provenance(&plan.recipe)) }
        h2 { "Ask once" }
        ul { @for question in advice::questions(&plan.recipe) { li { (question) } } }
        p.hint { "The form that starts the pile takes the answers; later they are under \u{201c}Something else\u{201d}, \u{201c}Usual questions answered\u{201d}." }
    }
}

/// From the plan to the pile.
fn onwards(plan: &Plan) -> Markup {
    let mix = super::address::encode(&plan.lines().join("\n"));
    html! { p { a.touch href=(format!("/start?mix={mix}")) { "Start a pile with this mix" } } }
}

fn known(table: &Table) -> Markup {
    html! {
        details {
            summary.link { "Feedstocks that are known: " (table.len()) }
            table.lines {
                thead { tr { th { "Name" } th { "What" } th { "C:N" } th { "Moisture, %" } th { "Pounds a cubic yard" } } }
                tbody {
                    @for feedstock in table.values() {
                        tr {
                            th { (feedstock.id) }
                            td data-head="What" { (feedstock.name) ", " (feedstock.class.word()) }
                            td data-head="C:N" { (format!("{:.0}", feedstock.cn.typical)) ":1" }
                            td data-head="Moisture, %" { (format!("{:.0}", feedstock.moisture.typical)) }
                            td data-head="Pounds a cubic yard" { @if let Some(density) = feedstock.bulk_density { (format!("{:.0}", density.typical)) } @else { "not known" } }
                        }
                    }
                }
            }
        }
    }
}
