//! What every request passes first and every answer passes last, whatever its route.
//!
//! In: a request form that we don't need is refused, the `Host` must be one of ours (421: a foreign page that has its
//! name point at us is none of ours), one address has its pace (429). Out: the headers of `reliability`: no sniffing,
//! no framing, nothing from elsewhere, nothing kept by caches; errors in our own words.

use std::collections::BTreeSet;
use std::net::IpAddr;
use std::sync::Arc;

use axum::body::{Body, to_bytes};
use axum::extract::{Request, State};
use axum::http::header::{
    CACHE_CONTROL, CONTENT_LENGTH, CONTENT_SECURITY_POLICY, CONTENT_TYPE, ETAG, HOST, HeaderName,
    IF_NONE_MATCH, REFERRER_POLICY, TRANSFER_ENCODING, X_CONTENT_TYPE_OPTIONS,
};
use axum::http::{HeaderMap, HeaderValue, Method, StatusCode, Uri};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use tokio::time::timeout_at;

use super::access::keys;
use super::house::House;
use super::pages::frame;
use super::problem::Problem;
use super::server::Peer;
use crate::sha256;

/// Host names by which we may be reached, lower case and without port.
pub(super) struct Hosts(BTreeSet<String>);

/// Scripts only from ourselves and never inside a page; the live view may ask ourselves.
const POLICY: &str = "default-src 'none'; style-src 'self'; script-src 'self'; connect-src 'self'; img-src 'self'; \
                      form-action 'self'; base-uri 'none'; frame-ancestors 'none'";

pub(super) async fn guard(State(house): State<Arc<House>>, request: Request, next: Next) -> Response {
    let api = is_for_scripts(request.uri().path());
    let tag = request.headers().get(IF_NONE_MATCH).cloned();
    let method = request.method().clone();
    let response = match admit(&house, &request) {
        Ok(()) => next.run(request).await,
        Err(problem) => problem.into_response(),
    };
    let response = if api { response } else { on_a_page(response) };
    let mut response = if method == Method::GET { tagged(response, tag).await } else { response };
    fence(response.headers_mut(), api);
    response
}

/// The last part alone, for answers that need no house.
pub(super) async fn fenced(request: Request, next: Next) -> Response {
    let api = is_for_scripts(request.uri().path());
    let response = next.run(request).await;
    let mut response = if api { response } else { on_a_page(response) };
    fence(response.headers_mut(), api);
    response
}

fn admit(house: &House, request: &Request) -> Result<(), Problem> {
    let Some(peer) = request.extensions().get::<Peer>() else {
        return Err(Problem::new(StatusCode::INTERNAL_SERVER_ERROR, "the connection is not known"));
    };
    well_formed(request.uri(), request.headers())?;
    let host = host_of(request.headers())?;
    if !house.hosts.has(host, peer.local.ip()) {
        return Err(Problem::new(
            StatusCode::MISDIRECTED_REQUEST,
            "this name is not one of this Heapward's; add it to `hosts` under [http] in heapward.toml",
        ));
    }
    let now = house.app.clock.monotonic();
    let seconds = house.pace.request(peer.remote.ip(), now);
    match seconds {
        None => Ok(()),
        Some(seconds) => {
            Err(Problem::too_many("too many requests from this address; wait a little", seconds))
        }
    }
}

/// Absolute targets are for proxies, and a body of unknown length is how requests are smuggled past them.
fn well_formed(uri: &Uri, headers: &HeaderMap) -> Result<(), Problem> {
    if uri.authority().is_some() || !uri.path().starts_with('/') {
        return Err(Problem::bad("ask for a path, as `GET /v1/piles`"));
    }
    if headers.contains_key(TRANSFER_ENCODING) {
        return Err(Problem::bad("send the body with its Content-Length, not in chunks"));
    }
    if headers.get_all(CONTENT_LENGTH).iter().count() > 1 {
        return Err(Problem::bad("Content-Length is given twice"));
    }
    Ok(())
}

/// Name or address from the Host header, without the port.
fn host_of(headers: &HeaderMap) -> Result<&str, Problem> {
    let mut hosts = headers.get_all(HOST).iter();
    let (Some(host), None) = (hosts.next(), hosts.next()) else {
        return Err(Problem::bad("a request has one Host header"));
    };
    let host = host.to_str().map_err(|_| Problem::bad("the Host header can't be read"))?;
    let name = match host.strip_prefix('[') {
        Some(v6) => v6.split_once(']').map(|(address, _)| address),
        None => host.split(':').next(),
    };
    name.filter(|name| !name.is_empty()).ok_or_else(|| Problem::bad("the Host header can't be read"))
}

/// Addresses that scripts read; everything else is for people.
pub(super) fn is_for_scripts(path: &str) -> bool {
    path.starts_with("/v1/") || path == "/v1" || path == "/metrics" || path == "/healthz"
}

/// The answer begins before the connection's deadline, or says that the request was too slow.
pub(super) async fn in_time(request: Request, next: Next) -> Response {
    let Some(deadline) = request.extensions().get::<Peer>().map(Peer::deadline) else {
        return Problem::of_status(StatusCode::REQUEST_TIMEOUT).into_response();
    };
    let answer = timeout_at(deadline, next.run(request)).await;
    answer.unwrap_or_else(|_| Problem::of_status(StatusCode::REQUEST_TIMEOUT).into_response())
}

/// Errors that a library made get our words.
pub(super) async fn in_our_words(request: Request, next: Next) -> Response {
    let response = next.run(request).await;
    let status = response.status();
    let wrong = status.is_client_error() || status.is_server_error();
    // A form that could not be taken comes back as a page of its own.
    let page =
        response.headers().get(CONTENT_TYPE).is_some_and(|kind| kind.as_bytes().starts_with(b"text/html"));
    if wrong && !page && response.extensions().get::<Problem>().is_none() {
        return Problem::of_status(status).into_response();
    }
    response
}

/// Errors for people become a page.
fn on_a_page(response: Response) -> Response {
    let Some(problem) = response.extensions().get::<Problem>().cloned() else {
        return response;
    };
    let (mut parts, _) = problem.clone().into_response().into_parts();
    parts.headers.insert(CONTENT_TYPE, HeaderValue::from_static("text/html; charset=utf-8"));
    for (name, value) in response.headers() {
        if name == axum::http::header::SET_COOKIE {
            parts.headers.append(name, value.clone());
        }
    }
    Response::from_parts(parts, Body::from(frame::problem(&problem).into_string()))
}

/// Gives JSON answers their tag and answers 304 to who has them already.
async fn tagged(response: Response, known: Option<HeaderValue>) -> Response {
    let is_json = response.headers().get(CONTENT_TYPE).is_some_and(|kind| kind == "application/json");
    if response.status() != StatusCode::OK || !is_json {
        return response;
    }
    let (mut parts, body) = response.into_parts();
    let Ok(bytes) = to_bytes(body, usize::MAX).await else {
        return Problem::new(StatusCode::INTERNAL_SERVER_ERROR, "the answer could not be made")
            .into_response();
    };
    let hex = keys::hex(&sha256::digest(&bytes)[..12]);
    // Weak: the same answer may go out compressed.
    let Ok(tag) = HeaderValue::from_str(&format!("W/\"{hex}\"")) else {
        return Response::from_parts(parts, Body::from(bytes));
    };
    let same = known.as_ref().and_then(|known| known.to_str().ok()).is_some_and(|known| known.contains(&hex));
    parts.headers.insert(ETAG, tag);
    if same {
        parts.status = StatusCode::NOT_MODIFIED;
        parts.headers.remove(CONTENT_TYPE);
        parts.headers.remove(CONTENT_LENGTH);
        return Response::from_parts(parts, Body::empty());
    }
    Response::from_parts(parts, Body::from(bytes))
}

fn fence(headers: &mut HeaderMap, api: bool) {
    let mut put = |name: HeaderName, value: &'static str| {
        headers.entry(name).or_insert(HeaderValue::from_static(value));
    };
    put(CONTENT_SECURITY_POLICY, POLICY);
    put(X_CONTENT_TYPE_OPTIONS, "nosniff");
    // Pages name their own origin to themselves: without it a browser sends `Origin: null` with a form, and the check
    // of the origin would refuse our own pages.
    put(REFERRER_POLICY, if api { "no-referrer" } else { "same-origin" });
    put(CACHE_CONTROL, "no-store");
    put(HeaderName::from_static("cross-origin-resource-policy"), "same-origin");
    put(HeaderName::from_static("cross-origin-opener-policy"), "same-origin");
}

// === impl Hosts ===

impl Hosts {
    /// The configured names, `localhost`, and the machine's own name with and without `.local`.
    pub(super) fn new(configured: &[String], machine: Option<&str>) -> Hosts {
        let mut names: BTreeSet<String> = configured.iter().map(|name| name.to_ascii_lowercase()).collect();
        names.insert("localhost".to_owned());
        if let Some(machine) = machine.map(str::trim).filter(|name| !name.is_empty()) {
            let machine = machine.to_ascii_lowercase();
            names.insert(format!("{machine}.local"));
            names.insert(machine);
        }
        Hosts(names)
    }

    /// Whether a Host header may say this. A bare address must be the one that the client has reached: any page
    /// elsewhere has a name.
    fn has(&self, host: &str, local: IpAddr) -> bool {
        match host.parse::<IpAddr>() {
            Ok(address) if address.to_canonical() == local.to_canonical() => true,
            _ => self.0.contains(&host.to_ascii_lowercase()),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn hosts() {
        let hosts = Hosts::new(&["Barn.lan".to_owned()], Some("heappi\n"));
        let local = IpAddr::from([192, 168, 7, 20]);
        for ours in ["localhost", "barn.LAN", "heappi", "HeapPi.local", "192.168.7.20"] {
            assert!(hosts.has(ours, local), "{ours}");
        }
        for foreign in ["", "evil.example", "192.168.7.21", "127.0.0.1", "localhost.evil.example", "local"] {
            assert!(!hosts.has(foreign, local), "{foreign}");
        }
    }
}
