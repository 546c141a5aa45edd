//! Answers made smaller by gzip (RFC 1952) for who takes it (RFC 9110 section 12.5.3): a page of 100 kB goes over bad
//! Wi-Fi in a quarter of the time. Every answer but the live view is whole in memory when it comes here.

use std::io::{self, Write as _};

use axum::body::{Body, HttpBody as _, to_bytes};
use axum::extract::Request;
use axum::http::header::{ACCEPT_ENCODING, CONTENT_ENCODING, CONTENT_LENGTH, CONTENT_TYPE, VARY};
use axum::http::{HeaderMap, HeaderValue, StatusCode};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use flate2::Compression;
use flate2::write::GzEncoder;

use super::problem::Problem;
use crate::limits::{HTTP_PACK_LEVEL, HTTP_PACKED_BYTES_MIN};

/// Kinds of text, which become smaller; pictures and PDF are packed already.
const KINDS: [&str; 5] = ["text/html", "text/css", "text/csv", "text/javascript", "text/plain"];

pub(super) async fn packed(request: Request, next: Next) -> Response {
    let is_taken = takes_gzip(request.headers());
    let mut response = next.run(request).await;
    if !becomes_smaller(response.headers()) {
        return response;
    }
    response.headers_mut().append(VARY, HeaderValue::from_static("accept-encoding"));
    let size = response.body().size_hint().exact();
    if !is_taken || size.is_none_or(|size| size < HTTP_PACKED_BYTES_MIN) {
        return response;
    }
    let (mut parts, body) = response.into_parts();
    match pack(body).await {
        Ok(bytes) => {
            parts.headers.remove(CONTENT_LENGTH);
            parts.headers.insert(CONTENT_ENCODING, HeaderValue::from_static("gzip"));
            Response::from_parts(parts, Body::from(bytes))
        }
        Err(_) => {
            Problem::new(StatusCode::INTERNAL_SERVER_ERROR, "the answer could not be made").into_response()
        }
    }
}

/// On a thread of its own: a megabyte takes a Pi some tenths of a second.
async fn pack(body: Body) -> io::Result<Vec<u8>> {
    let bytes = to_bytes(body, usize::MAX).await.map_err(io::Error::other)?;
    let packing = tokio::task::spawn_blocking(move || {
        let mut encoder = GzEncoder::new(Vec::new(), Compression::new(HTTP_PACK_LEVEL));
        encoder.write_all(&bytes)?;
        encoder.finish()
    });
    packing.await.map_err(io::Error::other)?
}

/// `gzip` or `*` in the list, and not with a weight of nothing.
fn takes_gzip(headers: &HeaderMap) -> bool {
    let weight = |wanted: &str| {
        let lists = headers.get_all(ACCEPT_ENCODING).iter().filter_map(|list| list.to_str().ok());
        lists.flat_map(|list| list.split(',')).find_map(|one| {
            let (name, rest) = one.split_once(';').unwrap_or((one, ""));
            let weight = rest.trim().strip_prefix("q=").and_then(|weight| weight.trim().parse().ok());
            name.trim().eq_ignore_ascii_case(wanted).then(|| weight.unwrap_or(1.0_f32))
        })
    };
    weight("gzip").or_else(|| weight("*")).is_some_and(|weight| weight > 0.0)
}

fn becomes_smaller(headers: &HeaderMap) -> bool {
    let kind = headers.get(CONTENT_TYPE).and_then(|kind| kind.to_str().ok()).unwrap_or_default();
    let kind = kind.split(';').next().unwrap_or_default().trim();
    let is_text = KINDS.contains(&kind)
        || kind == "image/svg+xml"
        || kind.starts_with("application/") && kind.ends_with("json");
    is_text && !headers.contains_key(CONTENT_ENCODING)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn gzip_goes_to_who_takes_it() {
        for (lists, wanted) in [
            (&["gzip"][..], true),
            (&["deflate, GZip;q=0.5"], true),
            (&["br", "gzip"], true),
            (&["*"], true),
            (&["*;q=0, gzip"], true),
            (&["gzip;q=0, *"], false),
            (&["gzip; q=0.0"], false),
            (&["br, deflate"], false),
            (&["gzippy"], false),
            (&[""], false),
            (&[], false),
        ] {
            let mut headers = HeaderMap::new();
            for list in lists {
                headers.append(ACCEPT_ENCODING, HeaderValue::from_str(list).unwrap());
            }
            assert_eq!(takes_gzip(&headers), wanted, "{lists:?}");
        }
    }

    #[test]
    fn text_is_packed_once_and_pictures_never() {
        for (kind, encoding, wanted) in [
            ("text/html; charset=utf-8", None, true),
            ("application/json", None, true),
            ("application/problem+json", None, true),
            ("image/svg+xml", None, true),
            ("text/csv", Some("gzip"), false),
            ("image/png", None, false),
            ("application/pdf", None, false),
            ("text/event-stream", None, false),
            ("", None, false),
        ] {
            let mut headers = HeaderMap::new();
            headers.insert(CONTENT_TYPE, HeaderValue::from_static(kind));
            if let Some(encoding) = encoding {
                headers.insert(CONTENT_ENCODING, HeaderValue::from_static(encoding));
            }
            assert_eq!(becomes_smaller(&headers), wanted, "{kind}");
        }
    }
}
