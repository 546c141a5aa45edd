//! What pages load besides themselves, built into the binary.

use axum::http::header::{CACHE_CONTROL, CONTENT_TYPE};
use axum::response::{IntoResponse, Response};

const STYLE: &str = include_str!("style.css");
const SCRIPT: &str = include_str!("live.js");

/// Kept by browsers for a year: the address changes with the content.
const KEPT: &str = "public, max-age=31536000, immutable";

pub(super) async fn style() -> Response {
    ([(CONTENT_TYPE, "text/css; charset=utf-8"), (CACHE_CONTROL, KEPT)], STYLE).into_response()
}

pub(super) async fn script() -> Response {
    ([(CONTENT_TYPE, "text/javascript; charset=utf-8"), (CACHE_CONTROL, KEPT)], SCRIPT).into_response()
}

pub(super) fn style_address() -> String {
    format!("/style.css?{:08x}", crc32fast::hash(STYLE.as_bytes()))
}

pub(super) fn script_address() -> String {
    format!("/live.js?{:08x}", crc32fast::hash(SCRIPT.as_bytes()))
}
