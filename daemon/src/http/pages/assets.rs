//! What pages load besides themselves, built into the binary.

use axum::http::header::{CACHE_CONTROL, CONTENT_TYPE};
use axum::response::{IntoResponse, Response};

const STYLE: &str = include_str!("style.css");

/// Kept by browsers for a year: the address changes with the version.
const KEPT: &str = "public, max-age=31536000, immutable";

pub(super) async fn style() -> Response {
    ([(CONTENT_TYPE, "text/css; charset=utf-8"), (CACHE_CONTROL, KEPT)], STYLE).into_response()
}

/// The style sheet's address, with a mark that changes when the sheet does.
pub(super) fn style_address() -> String {
    format!("/style.css?{:08x}", crc32fast::hash(STYLE.as_bytes()))
}
