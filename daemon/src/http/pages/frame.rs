//! What is around every page.

use maud::{DOCTYPE, Markup, html};

use super::assets::style_address;
use crate::http::problem::Problem;

/// A page: the menu is short, and below the notebook's first lines it is all the page's own.
pub(super) fn page(title: &str, farm: &str, main: &Markup) -> Markup {
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                title { (title) " - " (farm) }
                link rel="stylesheet" href=(style_address());
            }
            body {
                header {
                    p.farm { a href="/" { (farm) } }
                }
                main { (main) }
            }
        }
    }
}

/// What went wrong, in one line, with the way back.
pub(in crate::http) fn problem(problem: &Problem) -> Markup {
    let main = html! {
        h1 { (problem.title()) }
        p.verdict { (sentence(&problem.detail)) }
        p { a.touch href="/" { "Back to the piles" } }
    };
    page(problem.title(), "Heapward", &main)
}

/// A line of ours as a sentence.
fn sentence(line: &str) -> String {
    let mut chars = line.chars();
    let first = chars.next().map(|c| c.to_uppercase().to_string()).unwrap_or_default();
    format!("{first}{}.", chars.as_str().replace('`', "\u{2019}"))
}
