//! What is around every page, and the small pieces that several pages share.

use heapward_rules::units::At;
use maud::{DOCTYPE, Markup, PreEscaped, html};

use super::assets::{script_address, style_address};
use super::unbroken::unbroken;
use crate::http::house::House;
use crate::http::problem::Problem;
use crate::http::words::{Style, about};
use crate::model::time::rfc3339;

/// The other pages, at the foot: nothing but names stands above a page's first sentence.
const MENU: [(&str, &str); 8] = [
    ("/", "Piles"),
    ("/mix", "Plan a mix"),
    ("/season", "Plan the season"),
    ("/start", "Start a pile"),
    ("/probes", "Probes"),
    ("/outbox", "Messages sent"),
    ("/refused", "Messages refused"),
    ("/about", "About"),
];

/// In the type of a heading a longer one fills the line of a phone.
const WHOLE_NAME_CHARS_MAX: usize = 20;

/// A page of this farm. `live` names what the page follows while it is open (`*` for every pile).
pub(super) fn page(house: &House, title: &str, live: Option<&str>, main: &Markup) -> Markup {
    sheet(&house.app.config.farm.name, title, live, main)
}

/// What went wrong, in one line, with the way back.
pub(in crate::http) fn problem(problem: &Problem) -> Markup {
    let main = html! {
        h1 { (problem.title()) }
        p.verdict { (as_sentence(&problem.detail)) }
    };
    sheet("Heapward", problem.title(), None, &main)
}

fn sheet(farm: &str, title: &str, live: Option<&str>, main: &Markup) -> Markup {
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                title { (title) " - " (farm) }
                link rel="stylesheet" href=(style_address());
                link rel="icon" href="data:,";
                @if live.is_some() { script src=(script_address()) defer {} }
            }
            body {
                header { p.farm { a href="/" { (farm) } } }
                main data-live=[live] { (PreEscaped(unbroken(&main.0))) }
                nav aria-label="Pages" {
                    @for (address, name) in MENU { a.touch href=(address) { (name) } }
                }
            }
        }
    }
}

/// A line of ours as a sentence.
pub(super) fn as_sentence(line: &str) -> String {
    let mut chars = line.chars();
    let first = chars.next().map(|c| c.to_uppercase().to_string()).unwrap_or_default();
    let rest = chars.as_str();
    let end = if rest.ends_with('.') { "" } else { "." };
    format!("{first}{rest}{end}")
}

/// A pile's name that goes to the next line whole, where it has room there.
pub(super) fn whole_name(pile: &str) -> Markup {
    html! { @if pile.len() <= WHOLE_NAME_CHARS_MAX { span.whole { (pile) } } @else { (pile) } }
}

/// An instant on the farm's clock, readable for programs too.
pub(super) fn instant(at: At, style: Style) -> Markup {
    html! { time datetime=(rfc3339(at)) { (style.when(at)) } }
}

/// How long ago, with the instant for who wants it.
pub(super) fn ago(at: At, now: At, style: Style) -> Markup {
    html! { time datetime=(rfc3339(at)) title=(style.when(at)) { (about(now - at)) " ago" } }
}

/// The way to the next page of a list.
pub(super) fn more(address: Option<String>) -> Markup {
    html! { @if let Some(address) = address { p { a.touch href=(address) { "Further back" } } } }
}
