//! The pages. Their look is written down in DEVELOPERS.md, "The look".

mod assets;
pub(super) mod frame;
mod piles;

use axum::routing::get;

use super::access::Access;
use super::routes::Route;

#[rustfmt::skip]
pub(super) fn routes() -> Vec<Route> {
    use Access::{Anyone, Reader};
    let route = |path, access, handler| Route { path, access, handler, operation: None };
    vec![
        route("/", Reader, get(piles::all)),
        route("/style.css", Anyone, get(assets::style)),
    ]
}
