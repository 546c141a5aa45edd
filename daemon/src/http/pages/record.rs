//! The record of a pile on a page, and the same document as PDF.

use std::sync::Arc;

use axum::extract::{Path, State};
use axum::http::HeaderValue;
use axum::http::header::{CONTENT_DISPOSITION, CONTENT_TYPE};
use axum::response::{IntoResponse, Response};
use heapward_rules::ids::is_plain_name;
use maud::{Markup, html};

use super::frame::{page, whole_name};
use crate::http::house::House;
use crate::http::params::Params;
use crate::http::problem::Problem;
use crate::record::document::Document;
use crate::record::facts::Surroundings;
use crate::record::pdf::{Paper, pdf};
use crate::record::{compose, html as written};

const PAPERS: [(&str, Paper); 2] = [("a4", Paper::A4), ("letter", Paper::Letter)];

pub(super) async fn shown(
    State(house): State<Arc<House>>,
    Path(pile): Path<String>,
    params: Params,
) -> Result<Markup, Problem> {
    params.done("none")?;
    let document = document(&house, &pile).await?;
    let main = html! {
        h1 {
            @match document.title.strip_suffix(&pile) {
                Some(title) => { (title) (whole_name(&pile)) }
                None => { (document.title) }
            }
        }
        p {
            @for (word, name) in [("letter", "Letter"), ("a4", "A4")] {
                a.touch href=(format!("/piles/{pile}/record.pdf?paper={word}")) { "PDF, " (name) }
            }
            a.touch href=(format!("/v1/piles/{pile}/history?format=csv")) { "Readings as CSV" }
        }
        div.record { (written::body(&document)) }
        p { a.touch href=(format!("/piles/{pile}")) { "Back to pile " (pile) } }
    };
    Ok(page(&house, &document.title, None, &main))
}

pub(super) async fn printed(
    State(house): State<Arc<House>>,
    Path(pile): Path<String>,
    mut params: Params,
) -> Result<Response, Problem> {
    let paper = params.word("paper", &PAPERS)?.unwrap_or(Paper::Letter);
    params.done("paper")?;
    let bytes = pdf(&document(&house, &pile).await?, paper);
    let mut response = bytes.into_response();
    let headers = response.headers_mut();
    headers.insert(CONTENT_TYPE, HeaderValue::from_static("application/pdf"));
    let name = if is_plain_name(&pile) { pile.as_str() } else { "pile" };
    if let Ok(value) = HeaderValue::from_str(&format!("inline; filename=\"{name}-record.pdf\"")) {
        headers.insert(CONTENT_DISPOSITION, value);
    }
    Ok(response)
}

async fn document(house: &House, pile: &str) -> Result<Document, Problem> {
    house.pile(pile)?;
    let (config, standards) = (Arc::clone(&house.app.config), Arc::clone(&house.app.standards));
    let asked = pile.to_owned();
    let facts =
        house.read(move |reader| Surroundings::of(&config, &standards).gather(reader, &asked)).await?;
    Ok(compose::document(&facts.ok_or_else(|| Problem::no_pile(pile))?))
}
