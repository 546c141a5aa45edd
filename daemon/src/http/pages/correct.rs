//! Correcting an entry: a new one stands in for it, or it is withdrawn. The old one stays as it was.

use std::sync::Arc;

use axum::extract::{Extension, Path, State};
use axum::response::{IntoResponse, Redirect, Response};
use heapward_rules::units::At;
use maud::{Markup, html};

use super::form::{self, Posted, Values, needed};
use super::frame::{instant, page};
use super::log::can_be_corrected;
use super::write::{self, fresh};
use crate::http::access::Visitor;
use crate::http::house::House;
use crate::http::params::Params;
use crate::http::problem::Problem;
use crate::http::words::Style;
use crate::http::words::log::{LITRES_PER_GALLON, sentence};
use crate::mix::asked::{self, QUESTIONS};
use crate::model::entry::{Entry, Event};

pub(super) async fn choose(
    State(house): State<Arc<House>>,
    Extension(visitor): Extension<Visitor>,
    Path((pile, seq)): Path<(String, u64)>,
    params: Params,
) -> Result<Markup, Problem> {
    params.done("none")?;
    let entry = entry(&house, &pile, seq).await?;
    Ok(sheet(&house, &visitor, &pile, &entry, &fresh(&house, &visitor), None))
}

/// The form of the entry's kind with its own values, to be put right.
pub(super) async fn anew(
    State(house): State<Arc<House>>,
    Extension(visitor): Extension<Visitor>,
    Path((pile, seq)): Path<(String, u64)>,
    params: Params,
) -> Result<Markup, Problem> {
    params.done("none")?;
    let entry = entry(&house, &pile, seq).await?;
    let view = house.pile(&pile)?;
    let style = Style::of(&house.app.config);
    let mut values = fresh(&house, &visitor);
    values.set("at", form::local_value(At(entry.entry.at_ms), style));
    values.set("note", entry.entry.note.clone());
    values.set("corrects", seq.to_string());
    let slug = fill(&mut values, &entry.entry.event);
    Ok(write::sheet(&house, &view, write::verb(slug)?, &values, visitor.form_token(), None))
}

pub(super) async fn withdraw(
    State(house): State<Arc<House>>,
    Extension(visitor): Extension<Visitor>,
    Path((pile, seq)): Path<(String, u64)>,
    Posted(mut params): Posted,
) -> Result<Response, Problem> {
    let entry = entry(&house, &pile, seq).await?;
    let values = Values::of(&params);
    let style = Style::of(&house.app.config);
    let new = needed(&mut params, "reason", "the reason").and_then(|reason| {
        let mut new = write::common(&mut params, &pile, Event::Withdrawn { reason }, house.now(), style)?;
        new.corrects = Some(seq);
        Ok(new)
    });
    let entered = match new {
        Ok(new) => house.enter(new).await,
        Err(problem) => Err(problem),
    };
    match entered {
        Ok(new) => Ok(Redirect::to(&format!("/piles/{pile}?wrote={}", new.seq)).into_response()),
        Err(problem) if problem.status.is_client_error() => {
            Ok(form::again(sheet(&house, &visitor, &pile, &entry, &values, Some(&problem))))
        }
        Err(problem) => Err(problem),
    }
}

async fn entry(house: &House, pile: &str, seq: u64) -> Result<Entry, Problem> {
    let asked = pile.to_owned();
    let found = house.read(move |reader| reader.entries(Some(&asked), seq.saturating_sub(1), 1)).await?;
    let entry = found.into_iter().find(|entry| entry.seq == seq);
    let entry = entry.ok_or_else(|| Problem::not_found("there is no such entry in the log of this pile"))?;
    if can_be_corrected(&entry.entry.event) {
        return Ok(entry);
    }
    Err(Problem::bad("this entry is none that a person wrote; correct the one that it follows from"))
}

/// Puts the figures of an event into the fields of its form, and says which form that is.
#[expect(clippy::too_many_lines, reason = "a table: an event, its fields, its form")]
fn fill(values: &mut Values, event: &Event) -> &'static str {
    let number = |value: &Option<f64>| value.map(|value| value.to_string()).unwrap_or_default();
    let minutes = |value: &Option<u32>| number(&value.map(|seconds| f64::from(seconds) / 60.0));
    let text = |value: &Option<String>| value.clone().unwrap_or_default();
    let yes_or_no = |value: &Option<bool>| value.map_or("", |yes| if yes { "yes" } else { "no" });
    match event {
        Event::HandReading { spot, value, unit } => {
            values.set("spot", spot);
            values.set("value", value.to_string());
            values.set("unit", unit);
            "reading"
        }
        Event::Asked { .. } => {
            for (question, answer) in QUESTIONS.iter().zip(asked::answers(event).unwrap_or_default()) {
                values.set(question.key, answer.unwrap_or_default());
            }
            "asked"
        }
        Event::Turned => "turned",
        Event::Watered { litres } => {
            let gallons = litres.map(|litres| format!("{:.0}", litres / LITRES_PER_GALLON));
            values.set("gallons", gallons.unwrap_or_default());
            "watered"
        }
        Event::Check { squeeze, smell, blower_heard } => {
            values.set("squeeze", text(squeeze));
            values.set("smell", text(smell));
            values.set("blower", yes_or_no(blower_heard));
            "check"
        }
        Event::Covered { depth_in } => {
            values.set("depth", number(depth_in));
            "covered"
        }
        Event::AerationChanged { on_seconds, off_seconds } => {
            values.set("on", minutes(on_seconds));
            values.set("off", minutes(off_seconds));
            "aeration"
        }
        Event::MaterialAdded { what } => {
            values.set("what", what);
            "material"
        }
        Event::SpotGivenUp { spot, reason } => {
            values.set("spot", spot);
            values.set("reason", reason);
            "give-up"
        }
        Event::ProbeRemoved { probe } => {
            values.set("probe", probe);
            "probe-out"
        }
        Event::Calibration { probe, reference_c, read_c } => {
            values.set("probe", probe);
            values.set("reference", reference_c.to_string());
            values.set("read", read_c.to_string());
            values.set("unit", "C");
            "compared"
        }
        Event::MovedToCuring => "curing",
        Event::MaturityTested { test, figure, passed } => {
            values.set("test", test);
            values.set("figure", number(figure));
            values.set("passed", yes_or_no(passed));
            "tested"
        }
        Event::Used { bed, cubic_yards, crop, touches_soil, harvest } => {
            values.set("bed", bed);
            values.set("yards", number(cubic_yards));
            values.set("crop", text(crop));
            values.set("soil", yes_or_no(touches_soil));
            values.set("harvest", text(harvest));
            "used"
        }
        _ => "note",
    }
}

fn sheet(
    house: &House,
    visitor: &Visitor,
    pile: &str,
    entry: &Entry,
    values: &Values,
    problem: Option<&Problem>,
) -> Markup {
    let style = Style::of(&house.app.config);
    let one = &entry.entry;
    let main = html! {
        h1 { "Correct entry no. " (entry.seq) }
        p.verdict { (sentence(&one.event, style)) " " (one.note) }
        p.aside { (instant(At(one.at_ms), style)) ", " (one.by) }
        p { a.touch href=(format!("/piles/{pile}/log/{}/anew", entry.seq)) { "Write it down anew" } }
        h2 { "It did not happen" }
        (form::wrong(problem))
        form.write method="post" action=(format!("/piles/{pile}/log/{}", entry.seq)) {
            (form::hidden(visitor.form_token()))
            label for="reason" { "Reason" }
            input id="reason" name="reason" value=(values.get("reason")) maxlength="200" required;
            (form::as_of(values, "When you found out"))
            (form::by_and_note(values))
            p.done { button.main { "Withdraw it" } a.touch href=(format!("/piles/{pile}/log")) { "Leave it" } }
        }
    };
    page(house, "Correct an entry", None, &main)
}
