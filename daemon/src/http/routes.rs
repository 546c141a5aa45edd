//! All routes in one table: the router, the check of who may use them and the `OpenAPI` description are made of it.

use std::sync::Arc;

use axum::Router;
use axum::extract::DefaultBodyLimit;
use axum::http::{Method, StatusCode};
use axum::middleware::{from_fn, from_fn_with_state};
use axum::routing::{MethodRouter, get};
use tower_http::limit::RequestBodyLimitLayer;

use super::access::{self, Access};
use super::house::House;
use super::problem::Problem;
use super::{api, guard, packed, pages};
use crate::limits::HTTP_BODY_BYTES_MAX;

/// One method of one path.
pub(super) struct Route {
    pub(super) method: Method,
    pub(super) path: &'static str,
    pub(super) access: Access,
    pub(super) handler: MethodRouter<Arc<House>>,
    /// How the API describes it; none for pages.
    pub(super) operation: Option<api::operation::Operation>,
}

/// All of them, pages first.
pub(super) fn all() -> Vec<Route> {
    pages::routes().into_iter().chain(api::routes()).collect()
}

pub(super) fn router(house: Arc<House>) -> Router {
    let mut router = Router::new();
    for route in all() {
        let check = from_fn_with_state((Arc::clone(&house), route.access), access::check);
        router = router.route(route.path, route.handler.route_layer(check));
    }
    router
        .fallback(async || Problem::of_status(StatusCode::NOT_FOUND))
        .method_not_allowed_fallback(async || Problem::of_status(StatusCode::METHOD_NOT_ALLOWED))
        .layer(DefaultBodyLimit::max(HTTP_BODY_BYTES_MAX))
        .layer(RequestBodyLimitLayer::new(HTTP_BODY_BYTES_MAX))
        .layer(from_fn(guard::in_time))
        .layer(from_fn(guard::in_our_words))
        .layer(from_fn_with_state(Arc::clone(&house), guard::guard))
        .layer(from_fn(packed::packed))
        .with_state(house)
}

/// One sentence for whatever is asked, with the style sheet of the pages.
pub(super) fn notice(sentence: String) -> Router {
    Router::new()
        .route("/style.css", get(pages::style))
        .fallback(async move || Problem::unavailable(sentence.clone()))
        .layer(RequestBodyLimitLayer::new(HTTP_BODY_BYTES_MAX))
        .layer(from_fn(guard::fenced))
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeSet;

    #[test]
    fn the_module_comment_lists_every_route_with_its_access() {
        let letter = |access| match access {
            Access::Anyone => "-",
            Access::Reader => "r",
            Access::Script | Access::Writer => "w",
            Access::Form => "f",
        };
        let routes: BTreeSet<String> = all()
            .iter()
            .map(|route| format!("{} `{}` {}", route.method, route.path, letter(route.access)))
            .collect();
        let rows = include_str!("mod.rs").lines().filter_map(|line| line.strip_prefix("//! | "));
        let listed: BTreeSet<String> = rows
            .map(|row| row.split(" | ").take(2).collect::<Vec<_>>().join(" "))
            .filter(|row| row.starts_with("GET") || row.starts_with("POST"))
            .collect();
        assert_eq!(listed, routes);
    }
}
