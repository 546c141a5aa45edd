//! Starting a pile, and placing a probe in one.

use std::sync::Arc;

use axum::extract::{Extension, Path, State};
use axum::response::{IntoResponse, Redirect, Response};
use chrono::Datelike;
use heapward_rules::units::At;
use maud::{Markup, html};

use super::form::{self, Posted, Values, bare_select, needed, number, select};
use super::frame::page;
use super::write::{self, fresh, probes};
use crate::http::access::Visitor;
use crate::http::entering;
use crate::http::house::{House, OfPile};
use crate::http::params::{Params, span};
use crate::http::problem::Problem;
use crate::http::words::Style;
use crate::model::entry::{Event, NewEntry};
use crate::model::pile::{PileRecord, PlacementRecord, SettingsRecord, SpotRecord};
use crate::model::time::local;
use crate::recorder::PileView;

const METHODS: [(&str, &str); 3] =
    [("aerated-static", "aerated static pile"), ("in-vessel", "in a vessel"), ("windrow", "windrow")];
const MATERIALS: [(&str, &str); 3] =
    [("manure", "with manure"), ("animal", "animal material, no manure"), ("plant", "plant material only")];
const ZONES: [(&str, &str); 6] = [
    ("core", "core"),
    ("middle", "middle"),
    ("outer", "outer"),
    ("base", "base"),
    ("cover", "cover"),
    ("ambient", "air beside it"),
];
/// Rows for spots on the form.
const SPOT_ROWS: usize = 8;
/// What most aerated piles are measured at: the hottest and the coolest places.
const USUAL_SPOTS: [(&str, &str, &str); 4] = [
    ("core-north", "core", "24"),
    ("core-south", "core", "24"),
    ("outer-north", "outer", "12"),
    ("outer-south", "outer", "12"),
];

pub(super) async fn empty(
    State(house): State<Arc<House>>,
    Extension(visitor): Extension<Visitor>,
    mut params: Params,
) -> Result<Markup, Problem> {
    let mut values = fresh(&house, &visitor);
    values.set("recipe", params.text("mix").unwrap_or_default());
    params.done("mix")?;
    values.set("pile", next_name(&house));
    values.set("method", "aerated-static");
    values.set("material", "manure");
    for standard in &house.app.config.farm.standards {
        values.set(&format!("standard-{standard}"), "on");
    }
    for (n, (name, zone, depth)) in USUAL_SPOTS.iter().enumerate() {
        values.set(&format!("spot{n}"), *name);
        values.set(&format!("zone{n}"), *zone);
        values.set(&format!("depth{n}"), *depth);
    }
    Ok(sheet(&house, &values, visitor.form_token(), None))
}

pub(super) async fn start(
    State(house): State<Arc<House>>,
    Extension(visitor): Extension<Visitor>,
    Posted(params): Posted,
) -> Result<Response, Problem> {
    let values = Values::of(&params);
    match started(&house, params).await {
        Ok(pile) => Ok(Redirect::to(&format!("/piles/{pile}/place")).into_response()),
        Err(problem) if problem.status.is_client_error() => {
            Ok(form::again(sheet(&house, &values, visitor.form_token(), Some(&problem))))
        }
        Err(problem) => Err(problem),
    }
}

async fn started(house: &House, mut params: Params) -> Result<String, Problem> {
    let style = Style::of(&house.app.config);
    let built = form::local_instant(&needed(&mut params, "at", "the time")?, style)?;
    let by = needed(&mut params, "by", "who started it")?;
    let note = params.text("note");
    let written = params.text("recipe");
    // Lines as the planner writes them are computed; anything else is kept as it was written.
    let lines: Option<Vec<String>> = written
        .as_ref()
        .filter(|text| text.contains('='))
        .map(|text| text.lines().map(str::to_owned).collect());
    let recipe = lines.map(|lines| house.recipe(lines)).transpose()?;
    let written = written.filter(|_| recipe.is_none()).map(|text| format!("Recipe: {text}"));
    let note: Vec<String> = written.into_iter().chain(note).collect();
    let asked = write::answers(&mut params);
    let pile = PileRecord {
        id: needed(&mut params, "pile", "the pile's name")?.trim().to_lowercase(),
        bay: params.text("bay"),
        method: needed(&mut params, "method", "the method")?,
        material: needed(&mut params, "material", "the material")?,
        built_ms: built.0,
        initial_cn: number(&mut params, "cn")?.or(recipe.as_ref().map(|recipe| recipe.cn.typical)),
        recipe,
        standards: house
            .app
            .standards
            .keys()
            .filter(|id| params.text(&format!("standard-{id}")).is_some())
            .map(ToString::to_string)
            .collect(),
        spots: spots(&mut params)?,
        placements: Vec::new(),
        settings: SettingsRecord::default(),
    };
    params.done("the fields of the form")?;
    let entry = |event: Event, note: String| NewEntry {
        pile: Some(pile.id.clone()),
        at_ms: built.0,
        entered_ms: house.now().0,
        by: by.clone(),
        note,
        corrects: None,
        event,
    };
    let note = Some(note.join("\n")).filter(|note| !note.is_empty()).map(|note| entry(Event::Note, note));
    let asked = asked.map(|asked| entry(asked, String::new()));
    let entries: Vec<NewEntry> = note.into_iter().chain(asked).collect();
    // Looked at first: a pile that stands, with a form that says it could not be taken, would be a riddle.
    entries.iter().try_for_each(entering::entry)?;
    let id = house.start_pile(pile, by).await?.id;
    for entry in entries {
        house.enter(entry).await?;
    }
    Ok(id)
}

fn spots(params: &mut Params) -> Result<Vec<SpotRecord>, Problem> {
    let mut spots = Vec::new();
    for n in 0..SPOT_ROWS {
        let name = params.text(&format!("spot{n}"));
        let zone = params.text(&format!("zone{n}"));
        let depth_in = number(params, &format!("depth{n}"))?;
        if let Some(name) = name {
            let name = name.trim().to_lowercase().replace([' ', '_'], "-");
            spots.push(SpotRecord { name, zone: zone.unwrap_or_default(), depth_in, watched_only: false });
        }
    }
    Ok(spots)
}

/// `2026-04` after three piles of the year.
fn next_name(house: &House) -> String {
    let year = local(house.now(), house.app.config.farm.timezone).year();
    let views = house.app.handle.views();
    let taken = |name: &str| views.iter().any(|view| view.pile.id == name);
    (1..100).map(|n| format!("{year}-{n:02}")).find(|name| !taken(name)).unwrap_or_default()
}

fn sheet(house: &House, values: &Values, token: Option<String>, problem: Option<&Problem>) -> Markup {
    let field = |one: form::Field| form::field(one, values, &[], &[]);
    let main = html! {
        h1 { "Start a pile" }
        (form::wrong(problem))
        form.write method="post" action="/start" {
            (form::hidden(token))
            (field(form::Field::Line { key: "pile", label: "Name, short and speakable", needed: true }))
            (field(form::Field::Line { key: "bay", label: "Bay", needed: false }))
            (select("method", "Method", &METHODS, values))
            (select("material", "Material", &MATERIALS, values))
            label for="recipe" { "Recipe: what went in, how much of each, from whom" }
            textarea id="recipe" name="recipe" maxlength="4000" { (values.get("recipe")) }
            p.hint { "Lines as the planner writes them (horse-manure=2yd3 Ford stable) are computed and kept with the pile." }
            p { a.touch href="/mix" { "Plan a mix" } }
            (field(form::Field::Number { key: "cn", label: "Carbon to nitrogen ratio of the recipe (28 means 28:1), unless it is computed", needed: false }))
            (standards(house, values))
            fieldset {
                legend { "Spots to be measured: name, zone, depth in inches" }
                @for n in 0..SPOT_ROWS { (spot_row(n, values)) }
            }
            (form::as_of(values, "Building finished"))
            (form::by_and_note(values))
            h2 { "The usual questions" }
            p.hint { "About everything that came from outside. What is not known yet can be answered later, under \u{201c}Something else\u{201d}." }
            @for one in write::ASKED { (field(one)) }
            p.done { button.main { "Start the pile" } a.touch href="/" { "Leave it" } }
        }
    };
    page(house, "Start a pile", None, &main)
}

fn standards(house: &House, values: &Values) -> Markup {
    html! {
        fieldset {
            legend { "Rules to judge by" }
            @for (id, standard) in house.app.standards.iter() {
                @let key = format!("standard-{id}");
                label.choice {
                    input type="checkbox" name=(key) value="on" checked[!values.get(&key).is_empty()];
                    (standard.title)
                }
            }
        }
    }
}

fn spot_row(n: usize, values: &Values) -> Markup {
    let (spot, zone, depth) = (format!("spot{n}"), format!("zone{n}"), format!("depth{n}"));
    html! {
        div.rows {
            input name=(spot) value=(values.get(&spot)) maxlength="60" autocomplete="off" aria-label=(format!("Spot {}", n + 1));
            (bare_select(&zone, &ZONES, values, Some(&format!("Zone of spot {}", n + 1))))
            input name=(depth) value=(values.get(&depth)) inputmode="decimal" autocomplete="off" aria-label=(format!("Depth of spot {} in inches", n + 1));
        }
    }
}

pub(super) async fn place_empty(
    State(house): State<Arc<House>>,
    Extension(visitor): Extension<Visitor>,
    OfPile(view): OfPile,
    params: Params,
) -> Result<Markup, Problem> {
    params.done("none")?;
    Ok(place_sheet(&house, &view, &fresh(&house, &visitor), visitor.form_token(), None))
}

pub(super) async fn place(
    State(house): State<Arc<House>>,
    Extension(visitor): Extension<Visitor>,
    Path(pile): Path<String>,
    Posted(params): Posted,
) -> Result<Response, Problem> {
    let view = house.pile(&pile)?;
    let values = Values::of(&params);
    match placed(&house, &pile, params).await {
        Ok(()) => Ok(Redirect::to(&format!("/piles/{pile}")).into_response()),
        Err(problem) if problem.status.is_client_error() => {
            Ok(form::again(place_sheet(&house, &view, &values, visitor.form_token(), Some(&problem))))
        }
        Err(problem) => Err(problem),
    }
}

async fn placed(house: &House, pile: &str, mut params: Params) -> Result<(), Problem> {
    let style = Style::of(&house.app.config);
    let probe = needed(&mut params, "probe", "the probe")?;
    let every = params.text("every").map(|text| span("every", &text)).transpose()?;
    let placement = PlacementRecord {
        spot: needed(&mut params, "spot", "the spot")?,
        from_ms: form::local_instant(&needed(&mut params, "at", "the time")?, style)?.0,
        until_ms: None,
        every_ms: every.unwrap_or_else(|| house.declared_every(&probe)).0,
        offset_c: number(&mut params, "offset")?.unwrap_or(0.0) / style.degrees_in_c(),
        probe,
    };
    let by = needed(&mut params, "by", "who placed it")?;
    params.done("the fields of the form")?;
    house.place(pile.to_owned(), placement, by).await?;
    Ok(())
}

fn place_sheet(
    house: &House,
    view: &PileView,
    values: &Values,
    token: Option<String>,
    problem: Option<&Problem>,
) -> Markup {
    let pile = &view.pile.id;
    let spots: Vec<String> = view.pile.spots.iter().map(|spot| spot.name.clone()).collect();
    let probes = probes(house, view);
    let main = html! {
        h1 { "Place a probe" }
        p.aside { "Pile " (pile) ". Wherever the probe or another at this spot was before, its time there ends." }
        p { "Do not step on the pile: use a board, or reach." }
        (form::wrong(problem))
        @if probes.is_empty() { p.verdict { "No probe is configured. " code { "heapward listen" } " shows what is on the air." } }
        form.write method="post" action=(format!("/piles/{pile}/place")) {
            (form::hidden(token))
            (form::field(form::Field::Probe, values, &spots, &probes))
            (form::field(form::Field::Spot, values, &spots, &probes))
            (form::as_of(values, "Since when"))
            (form::field(form::Field::Number { key: "offset", label: "Correction in degrees, if it was compared", needed: false }, values, &[], &[]))
            label for="by" { "Initials" }
            input.short id="by" name="by" value=(values.get("by")) maxlength="20" autocomplete="off" required;
            p.done { button.main { "Place it" } a.touch href=(format!("/piles/{pile}")) { "Back to pile " (pile) } }
        }
        @for one in view.pile.placements.iter().filter(|one| one.until_ms.is_none()) {
            p.aside { "Probe " (one.probe) " stands at " (one.spot) " since " (super::frame::instant(At(one.from_ms), Style::of(&house.app.config))) }
        }
    };
    page(house, "Place a probe", None, &main)
}
