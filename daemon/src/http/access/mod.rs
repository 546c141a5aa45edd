//! Who asks, and what he may do.
//!
//! Reading on the farm's network is open or needs a pass, as configured; writing always needs one. A script shows
//! its pass as `Authorization: Bearer ...`; a phone got it into a cookie when it was paired. A pass never comes in a
//! query, and `/v1` takes no writes by cookie: a page elsewhere can make a browser send a cookie, but no such header.
//! Forms of our pages come with a cookie, and have to prove that a page of ours made them: the `Origin` is ours and
//! the hidden field `form` is derived from the cookie's secret.

pub mod invitation;
pub(super) mod keys;
pub(super) mod pace;

use std::net::IpAddr;
use std::sync::Arc;

use axum::extract::{Request, State};
use axum::http::header::{AUTHORIZATION, COOKIE, HOST, HeaderName, ORIGIN, SET_COOKIE};
use axum::http::{HeaderMap, HeaderValue, StatusCode};
use axum::middleware::Next;
use axum::response::{IntoResponse, Redirect, Response};

use super::guard::is_for_scripts;
use super::house::House;
use super::problem::Problem;
use super::server::Peer;
use keys::Pass;

/// What a route asks of the visitor.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Access {
    /// Anybody: says nothing about the farm.
    Anyone,
    /// Whoever may read.
    Reader,
    /// Whoever has a pass; by a script with its header.
    Script,
    /// Whoever has a pass: the pages with forms.
    Writer,
    /// Whoever has a pass; by a form of our pages.
    Form,
}

/// Who asks. In the extensions of every request that was let through.
#[derive(Clone, Debug)]
pub(super) struct Visitor {
    pub(super) from: IpAddr,
    pub(super) pass: Option<Pass>,
    /// Secret of the cookie, if it is the cookie that opened.
    secret: Option<String>,
}

pub(super) const COOKIE_NAME: &str = "heapward";
/// As long as browsers keep a cookie at all: a phone is paired once.
const COOKIE_SECONDS: i64 = 400 * 86_400;

/// Lets a request through to a route, or says why not.
pub(super) async fn check(
    State((house, access)): State<(Arc<House>, Access)>,
    mut request: Request,
    next: Next,
) -> Response {
    let api = is_for_scripts(request.uri().path());
    let visitor = match visitor(&house, &request) {
        Ok(visitor) => visitor,
        Err(problem) => return problem.into_response(),
    };
    if let Err(problem) = may(&house, access, &visitor, request.headers()) {
        let ask_for_pass = !api && problem.status == StatusCode::UNAUTHORIZED;
        return if ask_for_pass && request.method() == axum::http::Method::GET {
            Redirect::to("/pair").into_response()
        } else {
            problem.into_response()
        };
    }
    let stale = visitor.pass.is_none() && cookie(request.headers()).is_some();
    request.extensions_mut().insert(visitor);
    let mut response = next.run(request).await;
    // Asked again with the same dead cookie, a phone would soon count as one that guesses.
    if stale && let Ok(value) = HeaderValue::from_str(&clear_cookie()) {
        response.headers_mut().append(SET_COOKIE, value);
    }
    response
}

fn visitor(house: &House, request: &Request) -> Result<Visitor, Problem> {
    let from = request.extensions().get::<Peer>().map(|peer| peer.remote.ip());
    let from = from.ok_or_else(|| Problem::bad("the connection is not known"))?;
    let bearer = bearer(request.headers())?;
    let cookie = cookie(request.headers());
    let Some(secret) = bearer.or(cookie) else {
        return Ok(Visitor { from, pass: None, secret: None });
    };
    let now = house.app.clock.monotonic();
    if let Some(seconds) = house.pace.may_try(from, now) {
        return Err(Problem::too_many("too many wrong passes from this address; wait a minute", seconds));
    }
    let pass = house.keys.pass(secret).map_err(|error| {
        tracing::error!(%error, "the folder of passes can't be read");
        Problem::unavailable("the passes can't be read at the moment; try again in a minute")
    })?;
    if pass.is_none() {
        house.pace.was_wrong(from, now);
        // A cookie that opens nothing any more only makes its phone a stranger again.
        if bearer.is_some() {
            return Err(Problem::no_pass("this pass is not known; `heapward pair` makes one"));
        }
    }
    let secret = pass.as_ref().and(cookie).map(str::to_owned).filter(|_| bearer.is_none());
    Ok(Visitor { from, pass, secret })
}

fn may(house: &House, access: Access, visitor: &Visitor, headers: &HeaderMap) -> Result<(), Problem> {
    let open = match access {
        Access::Anyone => true,
        Access::Reader => house.app.config.http.open_reading,
        Access::Script | Access::Writer | Access::Form => false,
    };
    if open {
        return Ok(());
    }
    if visitor.pass.is_none() {
        return Err(Problem::no_pass(
            "this needs a pass: `heapward pair` makes one; a script sends it as `Authorization: Bearer PASS`",
        ));
    }
    match access {
        Access::Script if visitor.secret.is_some() => {
            Err(Problem::no_pass("a cookie can't write here; send the pass as `Authorization: Bearer PASS`"))
        }
        Access::Form => same_origin(headers),
        Access::Anyone | Access::Reader | Access::Writer | Access::Script => Ok(()),
    }
}

/// Whether a page of this very address sent the request. Browsers send `Origin` with every form that is posted.
pub(super) fn same_origin(headers: &HeaderMap) -> Result<(), Problem> {
    let refused = || {
        Problem::new(
            StatusCode::FORBIDDEN,
            "this form was not sent by a page of this Heapward; open the page again and send it from there",
        )
    };
    let host = headers.get(HOST).and_then(|host| host.to_str().ok()).ok_or_else(refused)?;
    let origin = headers.get(ORIGIN).and_then(|origin| origin.to_str().ok()).ok_or_else(refused)?;
    let ours = origin.strip_prefix("http://").or_else(|| origin.strip_prefix("https://"));
    if ours != Some(host) {
        return Err(refused());
    }
    let site = headers.get(HeaderName::from_static("sec-fetch-site"));
    if site.is_some_and(|site| site != "same-origin") { Err(refused()) } else { Ok(()) }
}

fn bearer(headers: &HeaderMap) -> Result<Option<&str>, Problem> {
    let Some(value) = headers.get(AUTHORIZATION) else {
        return Ok(None);
    };
    let secret = value.to_str().ok().and_then(|value| value.strip_prefix("Bearer "));
    secret.map(Some).ok_or_else(|| Problem::no_pass("write the header as `Authorization: Bearer PASS`"))
}

fn cookie(headers: &HeaderMap) -> Option<&str> {
    let cookies = headers.get_all(COOKIE).iter().filter_map(|value| value.to_str().ok());
    let mut pairs =
        cookies.flat_map(|cookies| cookies.split(';')).filter_map(|pair| pair.trim().split_once('='));
    pairs.find(|(name, _)| *name == COOKIE_NAME).map(|(_, secret)| secret).filter(|secret| !secret.is_empty())
}

/// The cookie that makes a phone a paired one. Not `Secure`: the farm's network has no certificate for us.
pub(super) fn set_cookie(secret: &str) -> String {
    format!("{COOKIE_NAME}={secret}; Path=/; Max-Age={COOKIE_SECONDS}; HttpOnly; SameSite=Strict")
}

pub(super) fn clear_cookie() -> String {
    format!("{COOKIE_NAME}=; Path=/; Max-Age=0; HttpOnly; SameSite=Strict")
}

// === impl Visitor ===

impl Visitor {
    /// Initials for the log.
    pub(super) fn name(&self) -> &str {
        self.pass.as_ref().map_or("", |pass| &pass.name)
    }

    /// Value of the hidden field in our forms; none for a visitor who can't send them.
    pub(super) fn form_token(&self) -> Option<String> {
        self.secret.as_ref().map(|secret| keys::hash(&format!("form of {secret}")))
    }

    /// Whether a posted form carries our hidden field.
    pub(super) fn made(&self, token: &str) -> Result<(), Problem> {
        let same =
            self.form_token().is_some_and(|ours| equal_in_constant_time(ours.as_bytes(), token.as_bytes()));
        if same {
            return Ok(());
        }
        Err(Problem::new(
            StatusCode::FORBIDDEN,
            "this form is out of date; open the page again and send it once more",
        ))
    }

    /// For the pairing page: takes the phone's own pass away.
    pub(super) fn secret(&self) -> Option<&str> {
        self.secret.as_deref()
    }
}

fn equal_in_constant_time(a: &[u8], b: &[u8]) -> bool {
    a.len() == b.len() && a.iter().zip(b).fold(0, |differs, (a, b)| differs | (a ^ b)) == 0
}
