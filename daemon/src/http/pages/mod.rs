//! The pages. Their look is written down in DEVELOPERS.md, "The look".

mod assets;
mod chart;
mod correct;
mod farm;
mod form;
pub(super) mod frame;
mod log;
mod pair;
mod pile;
mod piles;
mod spots;
mod start;
mod write;

use axum::routing::{get, post};

use super::access::Access;
use super::routes::Route;

#[rustfmt::skip]
pub(super) fn routes() -> Vec<Route> {
    use Access::{Anyone, Form, Reader, Writer};
    let route = |path, access, handler| Route { path, access, handler, operation: None };
    vec![
        route("/", Reader, get(piles::all)),
        route("/piles/{pile}", Reader, get(pile::one)),
        route("/piles/{pile}/log", Reader, get(log::whole)),
        route("/piles/{pile}/log/{seq}", Writer, get(correct::choose)),
        route("/piles/{pile}/log/{seq}", Form, post(correct::withdraw)),
        route("/piles/{pile}/log/{seq}/anew", Writer, get(correct::anew)),
        route("/piles/{pile}/write", Writer, get(write::all)),
        route("/piles/{pile}/write/{what}", Writer, get(write::empty)),
        route("/piles/{pile}/write/{what}", Form, post(write::write)),
        route("/piles/{pile}/place", Writer, get(start::place_empty)),
        route("/piles/{pile}/place", Form, post(start::place)),
        route("/start", Writer, get(start::empty)),
        route("/start", Form, post(start::start)),
        route("/probes", Reader, get(farm::probes)),
        route("/refused", Reader, get(farm::refused)),
        route("/outbox", Reader, get(farm::outbox)),
        route("/about", Reader, get(farm::about_heapward)),
        route("/seen", Form, post(farm::seen)),
        route("/pair", Anyone, get(pair::empty)),
        route("/pair", Anyone, post(pair::pair)),
        route("/pair/{code}", Anyone, get(pair::link)),
        route("/forget", Form, post(pair::forget)),
        route("/style.css", Anyone, get(assets::style)),
        route("/live.js", Anyone, get(assets::script)),
    ]
}
