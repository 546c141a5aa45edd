//! The pages. Their look is written down in DEVELOPERS.md, "The look".

mod address;
mod assets;
mod chart;
mod correct;
mod farm;
mod form;
pub(super) mod frame;
mod log;
mod mix;
mod pair;
mod pile;
mod piles;
mod record;
mod season;
mod signs;
mod spots;
mod start;
mod trouble;
mod unassigned;
mod unbroken;
mod write;

use axum::http::Method;
use axum::routing::{get, post};

pub(super) use assets::style;

use super::access::Access;
use super::routes::Route;

#[rustfmt::skip]
pub(super) fn routes() -> Vec<Route> {
    use Access::{Anyone, Form, Reader, Writer};
    let page = |path, access, handler| Route { method: Method::GET, path, access, handler, operation: None };
    let sent = |path, access, handler| Route { method: Method::POST, path, access, handler, operation: None };
    vec![
        page("/", Reader, get(piles::all)),
        page("/piles/{pile}", Reader, get(pile::one)),
        page("/piles/{pile}/record", Reader, get(record::shown)),
        page("/piles/{pile}/record.pdf", Reader, get(record::printed)),
        page("/piles/{pile}/log", Reader, get(log::whole)),
        page("/piles/{pile}/incidents", Reader, get(log::noticed)),
        page("/piles/{pile}/log/{seq}", Writer, get(correct::choose)),
        sent("/piles/{pile}/log/{seq}", Form, post(correct::withdraw)),
        page("/piles/{pile}/log/{seq}/anew", Writer, get(correct::anew)),
        page("/piles/{pile}/write", Writer, get(write::all)),
        page("/piles/{pile}/write/{what}", Writer, get(write::empty)),
        sent("/piles/{pile}/write/{what}", Form, post(write::write)),
        page("/piles/{pile}/place", Writer, get(start::place_empty)),
        sent("/piles/{pile}/place", Form, post(start::place)),
        page("/mix", Reader, get(mix::plan)),
        page("/season", Reader, get(season::plan)),
        page("/start", Writer, get(start::empty)),
        sent("/start", Form, post(start::start)),
        page("/probes", Reader, get(farm::probes)),
        page("/unassigned", Reader, get(unassigned::all)),
        page("/unassigned/take", Writer, get(unassigned::ask)),
        sent("/unassigned/take", Form, post(unassigned::take)),
        sent("/unassigned/listen", Form, post(unassigned::listen)),
        sent("/unassigned/remove", Form, post(unassigned::remove)),
        page("/refused", Reader, get(farm::refused)),
        page("/outbox", Reader, get(farm::outbox)),
        page("/about", Reader, get(farm::about_heapward)),
        sent("/seen", Form, post(farm::seen)),
        sent("/mute", Form, post(farm::mute)),
        page("/pair", Anyone, get(pair::empty)),
        sent("/pair", Anyone, post(pair::pair)),
        page("/pair/{code}", Anyone, get(pair::link)),
        sent("/forget", Form, post(pair::forget)),
        page("/style.css", Anyone, get(style)),
        page("/live.js", Anyone, get(assets::script)),
    ]
}
