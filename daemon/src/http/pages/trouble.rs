//! What ails the whole farm: records, clock, broker, card, channels. Whoever looks at a pile sees it there, since the
//! verdict beside it may stand still for that very reason.

use maud::{Markup, html};

use super::frame::as_sentence;
use crate::http::house::House;
use crate::http::words::{Style, incident};
use crate::limits::LIST_ITEMS_MAX;
use crate::model::incident::Incident;
use crate::store::IncidentFilter;

/// One line for each trouble; nothing while all is well.
pub(super) async fn of_farm(house: &House) -> Markup {
    let filter = IncidentFilter { open_only: true, pile: None };
    let open = house.read(move |reader| reader.incidents(&filter, None, LIST_ITEMS_MAX)).await;
    // Where the store can't answer, the line about the store says so.
    let open: Vec<Incident> = open.unwrap_or_default().into_iter().filter(|one| one.pile.is_none()).collect();
    let lines = lines(house, &open);
    html! {
        @if !lines.is_empty() {
            ul.today { @for (act, line) in lines { li { span.act[act] { (line) } } } }
        }
    }
}

/// How it is now comes before what was noticed of the same thing; the red pencil is for what lasts.
fn lines(house: &House, open: &[Incident]) -> Vec<(bool, String)> {
    let (now, style) = (house.now(), Style::of(&house.app.config));
    let ingest = (house.app.ingest)();
    let mut lines: Vec<(bool, String)> = Vec::new();
    let mut said: Vec<&str> = Vec::new();
    if let Some(trouble) = house.store_trouble() {
        lines.push((true, as_sentence(&trouble)));
        said.push("store-failing");
    }
    if !house.app.clock.is_trusted() {
        let line = "The clock is not trusted yet: readings without a time of their own wait.";
        lines.push((true, line.to_owned()));
        said.push("clock-untrusted");
    }
    if let Some(source) = ingest.source.filter(|_| !ingest.connected) {
        let away = open.iter().find(|one| one.kind == "broker-away");
        let since =
            away.map(|one| format!(" since {}", style.when(heapward_rules::units::At(one.opened_ms))));
        let line = format!("Not connected to {source}{}: no probe is heard.", since.unwrap_or_default());
        lines.push((away.is_some(), line));
        said.push("broker-away");
    }
    let others = open.iter().filter(|one| !said.contains(&one.kind.as_str()));
    lines.extend(others.map(|one| (true, incident::sentence(one, now, style))));
    lines
}
