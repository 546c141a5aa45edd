//! Pairing a phone by a one-time link, and taking its pass away again.
//!
//! The link itself changes nothing, so that a messenger that looks at it does not use it up: the button does.

use std::sync::Arc;

use axum::Form;
use axum::extract::{Extension, Path, State};
use axum::http::HeaderMap;
use axum::http::header::SET_COOKIE;
use axum::response::{IntoResponse, Redirect, Response};
use maud::{Markup, html};

use super::form::{self, Posted, Values};
use super::frame::page;
use crate::http::access::keys::CODE_MINUTES;
use crate::http::access::{Visitor, clear_cookie, same_origin, set_cookie};
use crate::http::entering;
use crate::http::house::House;
use crate::http::params::Params;
use crate::http::problem::Problem;

pub(super) async fn empty(
    State(house): State<Arc<House>>,
    Extension(visitor): Extension<Visitor>,
    params: Params,
) -> Result<Markup, Problem> {
    params.done("none")?;
    Ok(sheet(&house, &visitor, &Values::default(), None))
}

pub(super) async fn link(
    State(house): State<Arc<House>>,
    Extension(visitor): Extension<Visitor>,
    Path(code): Path<String>,
    params: Params,
) -> Result<Markup, Problem> {
    params.done("none")?;
    let mut values = Values::default();
    values.set(
        "code",
        code.chars().filter(|c| c.is_ascii_alphanumeric() || *c == '-').take(20).collect::<String>(),
    );
    Ok(sheet(&house, &visitor, &values, None))
}

pub(super) async fn pair(
    State(house): State<Arc<House>>,
    Extension(visitor): Extension<Visitor>,
    headers: HeaderMap,
    Form(pairs): Form<Vec<(String, String)>>,
) -> Result<Response, Problem> {
    same_origin(&headers)?;
    let mut params = Params::of(pairs)?;
    let values = Values::of(&params);
    let paired = paired(&house, &visitor, &mut params);
    match paired {
        Ok(secret) => Ok(([(SET_COOKIE, set_cookie(&secret))], Redirect::to("/")).into_response()),
        Err(problem) if problem.status == axum::http::StatusCode::BAD_REQUEST => {
            Ok(form::again(sheet(&house, &visitor, &values, Some(&problem))))
        }
        Err(problem) => Err(problem),
    }
}

fn paired(house: &House, visitor: &Visitor, params: &mut Params) -> Result<String, Problem> {
    let now = house.app.clock.monotonic();
    if let Some(seconds) = house.pace.may_try(visitor.from, now) {
        return Err(Problem::too_many("too many wrong codes from this address; wait a minute", seconds));
    }
    let code = form::needed(params, "code", "the code")?;
    let name = form::needed(params, "name", "your initials")?;
    entering::text("initials", &name)?;
    let secret = house.keys.pair(&code, name.trim(), house.now()).map_err(|error| {
        tracing::error!(%error, "the folder of passes can't be written");
        Problem::unavailable("the pass can't be made at the moment; see the log of the service")
    })?;
    secret.ok_or_else(|| {
        house.pace.was_wrong(visitor.from, now);
        Problem::bad("this code is not known, was used already or is over; make another with `heapward pair`")
    })
}

pub(super) async fn forget(
    State(house): State<Arc<House>>,
    Extension(visitor): Extension<Visitor>,
    Posted(params): Posted,
) -> Result<Response, Problem> {
    params.done("none")?;
    if let Some(secret) = visitor.secret() {
        house.keys.forget(secret).map_err(|error| {
            tracing::error!(%error, "a pass can't be removed");
            Problem::unavailable("the pass can't be taken away at the moment; see the log of the service")
        })?;
    }
    Ok(([(SET_COOKIE, clear_cookie())], Redirect::to("/")).into_response())
}

fn sheet(house: &House, visitor: &Visitor, values: &Values, problem: Option<&Problem>) -> Markup {
    let main = html! {
        h1 { "Pair this phone" }
        (form::wrong(problem))
        @if let Some(pass) = &visitor.pass {
            p.verdict { "This phone is paired as " (pass.name) "." }
            form.write method="post" action="/forget" {
                (form::hidden(visitor.form_token()))
                p.done { button { "Take its pass away" } a.touch href="/" { "Leave it" } }
            }
        } @else {
            p {
                "Whoever writes into the notebook needs a pass. On the machine that runs Heapward enter "
                code { "heapward pair" } ": it shows a code to scan or to type, good for " (CODE_MINUTES) " minutes and for one phone."
            }
            form.write method="post" action="/pair" {
                label for="code" { "Code" }
                input id="code" name="code" value=(values.get("code")) maxlength="20" autocomplete="off" autocapitalize="characters" spellcheck="false" required;
                label for="name" { "Your initials" }
                input.short id="name" name="name" value=(values.get("name")) maxlength="20" autocomplete="off" required;
                p.done { button.main { "Pair this phone" } }
            }
        }
    };
    page(house, "Pair this phone", None, &main)
}
