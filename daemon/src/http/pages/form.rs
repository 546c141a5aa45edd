//! The pieces of a form, and what comes back of it.

use axum::extract::{FromRequest, Request};
use axum::http::StatusCode;
use axum::response::IntoResponse;
use axum::{Form, RequestExt};
use heapward_rules::units::At;
use maud::{Markup, html};

use crate::http::access::Visitor;
use crate::http::params::Params;
use crate::http::problem::{Problem, shown};
use crate::http::words::Style;
use crate::model::time::{from_local, local};

/// Fields of a posted form of ours: the hidden field was right.
pub(super) struct Posted(pub(super) Params);

impl<S: Send + Sync> FromRequest<S> for Posted {
    type Rejection = Problem;

    async fn from_request(mut request: Request, _: &S) -> Result<Posted, Problem> {
        let visitor = request.extensions_mut().remove::<Visitor>();
        let visitor = visitor.ok_or_else(|| Problem::no_pass("this form needs a paired phone"))?;
        let Form(pairs) = request
            .extract::<Form<Vec<(String, String)>>, _>()
            .await
            .map_err(|rejection| Problem::of_status(rejection.into_response().status()))?;
        let mut params = Params::of(pairs)?;
        visitor.made(&params.text("form").unwrap_or_default())?;
        Ok(Posted(params))
    }
}

/// Values that a form shows: those that were sent, or those that it starts with.
#[derive(Clone, Debug, Default)]
pub(super) struct Values(Vec<(String, String)>);

/// One field below its label.
#[derive(Clone, Copy, Debug)]
pub(super) enum Field {
    /// A number with its unit in the label.
    Number { key: &'static str, label: &'static str, needed: bool },
    /// One line of text.
    Line { key: &'static str, label: &'static str, needed: bool },
    /// One of a few words: (value, label).
    Choice {
        key: &'static str,
        label: &'static str,
        options: &'static [(&'static str, &'static str)],
        needed: bool,
    },
    /// A spot of the pile.
    Spot,
    /// A probe of the farm.
    Probe,
}

// === impl Values ===

impl Values {
    pub(super) fn of(params: &Params) -> Values {
        Values(params.pairs())
    }

    pub(super) fn set(&mut self, key: &str, value: impl Into<String>) {
        self.0.push((key.to_owned(), value.into()));
    }

    /// The value of a field; the one set last.
    pub(super) fn get(&self, key: &str) -> &str {
        self.0.iter().rev().find(|(name, _)| name == key).map_or("", |(_, value)| value)
    }
}

/// The field with its label. `spots` and `probes` are what can be chosen.
pub(super) fn field(field: Field, values: &Values, spots: &[String], probes: &[String]) -> Markup {
    match field {
        Field::Number { key, label, needed } => html! {
            label for=(key) { (label) }
            input.short id=(key) name=(key) value=(values.get(key)) inputmode="decimal" autocomplete="off" required[needed];
        },
        Field::Line { key, label, needed } => html! {
            label for=(key) { (label) }
            input id=(key) name=(key) value=(values.get(key)) maxlength="200" autocomplete="off" required[needed];
        },
        Field::Choice { key, label, options, needed } => choice(key, label, options, needed, values),
        Field::Spot => one_of("spot", "Spot", spots, values),
        Field::Probe => one_of("probe", "Probe", probes, values),
    }
}

fn choice(key: &str, label: &str, options: &[(&str, &str)], needed: bool, values: &Values) -> Markup {
    html! {
        fieldset {
            legend { (label) }
            @for (value, name) in options {
                label.choice {
                    input type="radio" name=(key) value=(value) checked[values.get(key) == *value] required[needed];
                    (name)
                }
            }
        }
    }
}

/// Up to eight are shown to be touched, more are in a list.
fn one_of(key: &str, label: &str, names: &[String], values: &Values) -> Markup {
    let options: Vec<(&str, &str)> = names.iter().map(|name| (name.as_str(), name.as_str())).collect();
    if options.len() <= 8 {
        return choice(key, label, &options, true, values);
    }
    select(key, label, &options, values)
}

pub(super) fn select(key: &str, label: &str, options: &[(&str, &str)], values: &Values) -> Markup {
    html! {
        label for=(key) { (label) }
        (bare_select(key, options, values, None))
    }
}

pub(super) fn bare_select(
    key: &str,
    options: &[(&str, &str)],
    values: &Values,
    name: Option<&str>,
) -> Markup {
    html! {
        select id=(key) name=(key) aria-label=[name] {
            @for (value, label) in options {
                option value=(value) selected[values.get(key) == *value] { (label) }
            }
        }
    }
}

/// When it happened, on the farm's clock.
pub(super) fn as_of(values: &Values, label: &str) -> Markup {
    html! {
        label for="at" { (label) }
        input id="at" name="at" type="datetime-local" value=(values.get("at")) required;
    }
}

pub(super) fn by_and_note(values: &Values) -> Markup {
    html! {
        label for="by" { "Initials" }
        input.short id="by" name="by" value=(values.get("by")) maxlength="20" autocomplete="off" required;
        label for="note" { "Note" }
        textarea id="note" name="note" maxlength="2000" { (values.get("note")) }
    }
}

pub(super) fn hidden(token: Option<String>) -> Markup {
    html! { input type="hidden" name="form" value=(token.unwrap_or_default()); }
}

pub(super) fn wrong(problem: Option<&Problem>) -> Markup {
    html! { @if let Some(problem) = problem { p.wrong role="alert" { (super::frame::as_sentence(&problem.detail)) } } }
}

/// A form that could not be taken, shown again with what was typed.
pub(super) fn again(page: Markup) -> axum::response::Response {
    (StatusCode::BAD_REQUEST, page).into_response()
}

/// `2026-05-01T11:00`, as a browser's field for date and time has it.
pub(super) fn local_value(at: At, style: Style) -> String {
    local(at, style.zone).format("%Y-%m-%dT%H:%M").to_string()
}

/// The instant of such a field.
pub(super) fn local_instant(text: &str, style: Style) -> Result<At, Problem> {
    let forms = ["%Y-%m-%dT%H:%M", "%Y-%m-%dT%H:%M:%S", "%Y-%m-%d %H:%M"];
    let naive = forms.iter().find_map(|form| chrono::NaiveDateTime::parse_from_str(text, form).ok());
    naive.and_then(|naive| from_local(naive, style.zone)).ok_or_else(|| {
        Problem::bad(format!("the time can't be `{}`; write it as 2026-05-01T11:00", shown(text)))
    })
}

/// A number as people type it: a comma for the point, a unit behind it.
pub(super) fn number(params: &mut Params, key: &str) -> Result<Option<f64>, Problem> {
    let Some(text) = params.text(key) else {
        return Ok(None);
    };
    let plain = text.trim().replace(',', ".");
    let digits = plain.trim_end_matches(|c: char| c.is_alphabetic() || matches!(c, '°' | '%' | ' ' | '"'));
    let good =
        !digits.is_empty() && digits.chars().all(|c| c.is_ascii_digit() || matches!(c, '.' | '-' | '+'));
    let number = digits.parse::<f64>().ok().filter(|number| good && number.is_finite());
    number
        .map(Some)
        .ok_or_else(|| Problem::bad(format!("`{}` is no number; write it as 131.5", shown(&text))))
}

pub(super) fn needed(params: &mut Params, key: &str, label: &str) -> Result<String, Problem> {
    params.text(key).ok_or_else(|| Problem::bad(format!("{label} is missing")))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_as_people_type_them() {
        for (typed, read) in [
            ("131.5", 131.5),
            ("131,5", 131.5),
            (" 131 ", 131.0),
            ("131 F", 131.0),
            ("131.5°F", 131.5),
            ("-4", -4.0),
        ] {
            let mut params = Params::of(vec![("value".to_owned(), typed.to_owned())]).unwrap();
            assert_eq!(number(&mut params, "value"), Ok(Some(read)), "{typed}");
        }
        for typed in ["hot", "1 3 1", "131.5.2", "inf", "NaN", "1e5x3", "F"] {
            let mut params = Params::of(vec![("value".to_owned(), typed.to_owned())]).unwrap();
            assert!(number(&mut params, "value").is_err(), "{typed}");
        }
    }
}
