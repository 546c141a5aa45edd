//! What went wrong, for the person or the script that asked: RFC 9457 problem details, or the same on a page.

use axum::http::header::{CONTENT_TYPE, RETRY_AFTER, WWW_AUTHENTICATE};
use axum::http::{HeaderValue, StatusCode};
use axum::response::{IntoResponse, Response};
use serde::Serialize;

use crate::recorder::Refusal;

/// An error answer. `detail` is one plain line: what, and what to do instead.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Problem {
    pub(super) status: StatusCode,
    pub(super) detail: String,
    retry_after_seconds: Option<u64>,
}

#[derive(Serialize)]
struct Details<'a> {
    r#type: &'a str,
    title: &'a str,
    status: u16,
    detail: &'a str,
}

// === impl Problem ===

impl Problem {
    pub(super) fn new(status: StatusCode, detail: impl Into<String>) -> Problem {
        Problem { status, detail: detail.into(), retry_after_seconds: None }
    }

    pub(super) fn bad(detail: impl Into<String>) -> Problem {
        Problem::new(StatusCode::BAD_REQUEST, detail)
    }

    pub(super) fn not_found(detail: impl Into<String>) -> Problem {
        Problem::new(StatusCode::NOT_FOUND, detail)
    }

    pub(super) fn no_pile(id: &str) -> Problem {
        Problem::not_found(format!("there is no pile `{}`; /v1/piles lists them", shown(id)))
    }

    pub(super) fn no_pass(detail: impl Into<String>) -> Problem {
        Problem::new(StatusCode::UNAUTHORIZED, detail)
    }

    pub(super) fn too_many(detail: impl Into<String>, retry_after_seconds: u64) -> Problem {
        Problem {
            status: StatusCode::TOO_MANY_REQUESTS,
            detail: detail.into(),
            retry_after_seconds: Some(retry_after_seconds),
        }
    }

    pub(super) fn unavailable(detail: impl Into<String>) -> Problem {
        Problem {
            status: StatusCode::SERVICE_UNAVAILABLE,
            detail: detail.into(),
            retry_after_seconds: Some(5),
        }
    }

    /// For an answer that a library made: the status is right, the words are ours.
    pub(super) fn of_status(status: StatusCode) -> Problem {
        let detail = match status {
            StatusCode::NOT_FOUND => "there is no such page; / lists the piles, /v1/openapi.json the routes",
            StatusCode::METHOD_NOT_ALLOWED => {
                "this address is not for that method; /v1/openapi.json lists both"
            }
            StatusCode::REQUEST_TIMEOUT => "the request was not complete in time; send it again",
            StatusCode::PAYLOAD_TOO_LARGE => "the body is longer than 16 KiB; send less at a time",
            StatusCode::UNSUPPORTED_MEDIA_TYPE => "send the body as `application/json`",
            _ => "the request can't be answered",
        };
        Problem::new(status, detail)
    }

    pub(super) fn title(&self) -> &'static str {
        self.status.canonical_reason().unwrap_or("Error")
    }
}

impl IntoResponse for Problem {
    fn into_response(self) -> Response {
        let details = Details {
            r#type: "about:blank",
            title: self.title(),
            status: self.status.as_u16(),
            detail: &self.detail,
        };
        let body = serde_json::to_vec(&details).unwrap_or_default();
        let mut response = (self.status, [(CONTENT_TYPE, "application/problem+json")], body).into_response();
        let headers = response.headers_mut();
        if let Some(seconds) = self.retry_after_seconds {
            headers.insert(RETRY_AFTER, HeaderValue::from(seconds));
        }
        if self.status == StatusCode::UNAUTHORIZED {
            headers.insert(WWW_AUTHENTICATE, HeaderValue::from_static("Bearer"));
        }
        response.extensions_mut().insert(self);
        response
    }
}

impl From<Refusal> for Problem {
    fn from(refusal: Refusal) -> Problem {
        match refusal {
            Refusal::Wrong(detail) => Problem::bad(detail),
            Refusal::Unknown(detail) => Problem::not_found(detail),
            Refusal::Conflict(detail) => Problem::new(StatusCode::CONFLICT, detail),
            Refusal::Unavailable(detail) => Problem::unavailable(detail),
        }
    }
}

/// A text of the client's as it may be repeated to it: short, on one line, without control characters.
pub(super) fn shown(text: &str) -> String {
    text.chars().map(|c| if c.is_control() { '?' } else { c }).take(60).collect()
}
