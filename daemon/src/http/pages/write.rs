//! What can be written down about a pile: each thing a form of its own, two taps from the pile's page.

use std::sync::Arc;

use axum::extract::{Extension, Path, State};
use axum::response::{IntoResponse, Redirect, Response};
use heapward_rules::reading::{Unit, reported_c};
use heapward_rules::units::At;
use maud::{Markup, html};

use super::form::{self, Field, Posted, Values, by_and_note, needed, number};
use super::frame::{page, whole_name};
use super::trouble;
use crate::config::DisplayUnit;
use crate::http::access::Visitor;
use crate::http::house::House;
use crate::http::params::Params;
use crate::http::problem::{Problem, shown};
use crate::http::words::Style;
use crate::http::words::log::LITRES_PER_GALLON;
use crate::model::entry::{Event, NewEntry};
use crate::recorder::PileView;

/// One kind of entry with its form.
pub(super) struct Verb {
    pub(super) slug: &'static str,
    /// As it stands on the pile's page.
    pub(super) link: &'static str,
    title: &'static str,
    hint: &'static str,
    fields: &'static [Field],
    event: fn(&mut Params) -> Result<Event, Problem>,
    /// Whether the pile's page shows it itself.
    pub(super) often: bool,
}

const UNITS: Field =
    Field::Choice { key: "unit", label: "Unit", options: &[("F", "°F"), ("C", "°C")], needed: true };

pub(super) const VERBS: [Verb; 15] = [
    Verb {
        slug: "reading",
        link: "Read by hand",
        title: "Reading by hand",
        hint: "Leave the thermometer in until it stands still.",
        fields: &[Field::Spot, Field::Number { key: "value", label: "Temperature", needed: true }, UNITS],
        event: |params| {
            let spot = needed(params, "spot", "the spot")?;
            let value = number(params, "value")?.ok_or_else(|| Problem::bad("the temperature is missing"))?;
            Ok(Event::HandReading { spot, value, unit: needed(params, "unit", "the unit")? })
        },
        often: true,
    },
    Verb {
        slug: "turned",
        link: "Turned",
        title: "Turned",
        hint: "In an aerated static pile and in a vessel a turn begins the hours anew.",
        fields: &[],
        event: |_| Ok(Event::Turned),
        often: true,
    },
    Verb {
        slug: "watered",
        link: "Watered",
        title: "Watered",
        hint: "Cold water can take a spot out of its range: before the hours are proven water only if you must.",
        fields: &[Field::Number { key: "gallons", label: "Gallons, if you know", needed: false }],
        event: |params| {
            Ok(Event::Watered {
                litres: number(params, "gallons")?.map(|gallons| gallons * LITRES_PER_GALLON),
            })
        },
        often: true,
    },
    Verb {
        slug: "check",
        link: "Looked at",
        title: "Looked at",
        hint: "Squeeze a handful: a few drops are right, none is dry, a stream is wet.",
        fields: &[
            Field::Choice {
                key: "squeeze",
                label: "Squeezed handful",
                options: &[("dry", "dry"), ("right", "right"), ("wet", "wet")],
                needed: false,
            },
            Field::Choice {
                key: "smell",
                label: "Smell",
                options: &[
                    ("none", "none"),
                    ("earthy", "earthy"),
                    ("sour", "sour"),
                    ("ammonia", "ammonia"),
                    ("rotten", "rotten"),
                ],
                needed: false,
            },
            Field::Choice {
                key: "blower",
                label: "Blower heard",
                options: &[("yes", "yes"), ("no", "no")],
                needed: false,
            },
        ],
        event: |params| {
            let heard = params.word("blower", &[("yes", true), ("no", false)])?;
            Ok(Event::Check {
                squeeze: params.text("squeeze"),
                smell: params.text("smell"),
                blower_heard: heard,
            })
        },
        often: true,
    },
    Verb {
        slug: "asked",
        link: "Usual questions answered",
        title: "The usual questions",
        hint: "About everything that came from outside, each once. The record prints the answers.",
        fields: &ASKED,
        event: |params| answers(params).ok_or_else(|| Problem::bad("answer at least one of the questions")),
        often: false,
    },
    Verb {
        slug: "covered",
        link: "Covered",
        title: "Covered",
        hint: "",
        fields: &[Field::Number { key: "depth", label: "Depth of the cover in inches", needed: false }],
        event: |params| Ok(Event::Covered { depth_in: number(params, "depth")? }),
        often: false,
    },
    Verb {
        slug: "aeration",
        link: "Aeration changed",
        title: "Aeration changed",
        hint: "One step at a time, and a day before the next.",
        fields: &[
            Field::Number { key: "on", label: "Minutes on", needed: false },
            Field::Number { key: "off", label: "Minutes off", needed: false },
        ],
        event: |params| {
            Ok(Event::AerationChanged {
                on_seconds: seconds(params, "on")?,
                off_seconds: seconds(params, "off")?,
            })
        },
        often: false,
    },
    Verb {
        slug: "material",
        link: "Fresh material added",
        title: "Fresh material added",
        hint: "Everything begins anew with it: what qualified before no longer counts.",
        fields: &[
            Field::Line { key: "what", label: "What, and how much", needed: true },
            Field::Choice {
                key: "sure",
                label: "All hours count from nothing again",
                options: &[("yes", "yes, it went in")],
                needed: true,
            },
        ],
        event: |params| {
            needed(params, "sure", "your yes to counting anew")?;
            Ok(Event::MaterialAdded { what: needed(params, "what", "what was added")? })
        },
        often: false,
    },
    Verb {
        slug: "give-up",
        link: "Give a spot up",
        title: "Give a spot up",
        hint: "From then on it holds nothing up. The record prints it with the reason.",
        fields: &[Field::Spot, Field::Line { key: "reason", label: "Reason", needed: true }],
        event: |params| {
            Ok(Event::SpotGivenUp {
                spot: needed(params, "spot", "the spot")?,
                reason: needed(params, "reason", "the reason")?,
            })
        },
        often: false,
    },
    Verb {
        slug: "probe-out",
        link: "Probe taken out",
        title: "Probe taken out",
        hint: "Put it somewhere else with \u{201c}Place a probe\u{201d}: that ends its time here by itself.",
        fields: &[Field::Probe],
        event: |params| Ok(Event::ProbeRemoved { probe: needed(params, "probe", "the probe")? }),
        often: false,
    },
    Verb {
        slug: "compared",
        link: "Probe compared",
        title: "Probe compared with a thermometer",
        hint: "Ice slush is 32 °F or 0 °C. Leave both in until they stand still.",
        fields: &[
            Field::Probe,
            Field::Number { key: "reference", label: "Thermometer says", needed: true },
            Field::Number { key: "read", label: "Probe says", needed: true },
            UNITS,
        ],
        event: |params| {
            let units = [("F", Unit::Fahrenheit), ("C", Unit::Celsius)];
            let unit = params.word("unit", &units)?.ok_or_else(|| Problem::bad("the unit is missing"))?;
            let mut c = |key| {
                let value = number(params, key)?.and_then(|value| reported_c(value, unit));
                value.map(|c| c.0).ok_or_else(|| Problem::bad("both figures are needed"))
            };
            let (reference_c, read_c) = (c("reference")?, c("read")?);
            Ok(Event::Calibration { probe: needed(params, "probe", "the probe")?, reference_c, read_c })
        },
        often: false,
    },
    Verb {
        slug: "curing",
        link: "Moved to curing",
        title: "Moved to curing",
        hint: "Frees bay and probes; stick one probe into its heart again with \u{201c}Place a probe\u{201d}. Wet before you move \
               it, stand upwind, wear a fitted mask: dust and mould harm lungs.",
        fields: &[],
        event: |_| Ok(Event::MovedToCuring),
        often: false,
    },
    Verb {
        slug: "tested",
        link: "Maturity tested",
        title: "Maturity tested",
        hint: "Self-heating: highest rise over the room in the flask, °C. Carbon dioxide: mg of carbon per g of organic \
               matter and day. Oxygen: mg per kg of volatile solids and hour. Pot test: beans or cress beside a control.",
        fields: &[
            Field::Choice {
                key: "test",
                label: "Test",
                options: &[
                    ("self-heating", "self-heating"),
                    ("carbon-dioxide", "carbon dioxide"),
                    ("oxygen", "oxygen"),
                    ("pot", "pot test"),
                ],
                needed: true,
            },
            Field::Number { key: "figure", label: "Figure, unless it is a pot test", needed: false },
            Field::Choice {
                key: "passed",
                label: "Pot test: as good as the control",
                options: &[("yes", "yes"), ("no", "no")],
                needed: false,
            },
        ],
        event: |params| {
            let passed = params.word("passed", &[("yes", true), ("no", false)])?;
            let test = needed(params, "test", "the test")?;
            Ok(Event::MaturityTested { test, figure: number(params, "figure")?, passed })
        },
        often: false,
    },
    Verb {
        slug: "used",
        link: "Used",
        title: "Used",
        hint: "If it did not qualify and holds manure, count 120 days to the harvest of what touches soil, 90 of the rest.",
        fields: &[
            Field::Line { key: "bed", label: "Bed or field", needed: true },
            Field::Number { key: "yards", label: "Cubic yards", needed: false },
            Field::Line { key: "crop", label: "Crop", needed: false },
            Field::Choice {
                key: "soil",
                label: "What is eaten of it touches the soil",
                options: &[("yes", "yes"), ("no", "no")],
                needed: false,
            },
            Field::Line { key: "harvest", label: "First harvest planned for, as 2026-08-29", needed: false },
        ],
        event: |params| {
            let bed = needed(params, "bed", "the bed")?;
            let touches_soil = params.word("soil", &[("yes", true), ("no", false)])?;
            let (cubic_yards, crop) = (number(params, "yards")?, params.text("crop"));
            Ok(Event::Used { bed, cubic_yards, crop, touches_soil, harvest: params.text("harvest") })
        },
        often: false,
    },
    Verb {
        slug: "note",
        link: "A note",
        title: "A note",
        hint: "",
        fields: &[],
        event: |_| Ok(Event::Note),
        often: false,
    },
];

/// The usual questions, as the form that starts a pile asks them too.
pub(super) const ASKED: [Field; 4] = [
    answer("herbicide", "Herbicide that survives composting on hay, straw, grass or feed"),
    answer("glossy_paper", "Paper with glossy or coloured print"),
    answer("sewage_sludge", "Sewage sludge, or anything made of it"),
    answer("treated_wood", "Wood that was treated, painted or glued"),
];

/// What was answered of them; none if nothing was.
pub(super) fn answers(params: &mut Params) -> Option<Event> {
    let [herbicide, glossy_paper, sewage_sludge, treated_wood] =
        ["herbicide", "glossy_paper", "sewage_sludge", "treated_wood"].map(|key| params.text(key));
    let is_any = [&herbicide, &glossy_paper, &sewage_sludge, &treated_wood].iter().any(|one| one.is_some());
    is_any.then_some(Event::Asked { herbicide, glossy_paper, sewage_sludge, treated_wood })
}

const fn answer(key: &'static str, label: &'static str) -> Field {
    Field::Choice {
        key,
        label,
        options: &[("no", "no"), ("yes", "yes"), ("unknown", "not known")],
        needed: false,
    }
}

fn seconds(params: &mut Params, key: &str) -> Result<Option<u32>, Problem> {
    let Some(minutes) = number(params, key)? else {
        return Ok(None);
    };
    if !(0.0..=1_440.0).contains(&minutes) {
        return Err(Problem::bad("minutes are from 0 to 1440"));
    }
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "from 0 to 86,400")]
    Ok(Some((minutes * 60.0).round() as u32))
}

/// Everything that can be written down.
pub(super) async fn all(
    State(house): State<Arc<House>>,
    Path(pile): Path<String>,
    params: Params,
) -> Result<Markup, Problem> {
    params.done("none")?;
    house.pile(&pile)?;
    let trouble = trouble::of_farm(&house).await;
    let main = html! {
        h1 { "Write down for pile " (whole_name(&pile)) }
        (trouble)
        p {
            @for verb in &VERBS { a.touch href=(format!("/piles/{pile}/write/{}", verb.slug)) { (verb.link) } }
            a.touch href=(format!("/piles/{pile}/place")) { "Place a probe" }
        }
        p.hint { "What was written down last is corrected from the pile's page; anything before, from its log." }
        p { a.touch href=(format!("/piles/{pile}")) { "Back to pile " (pile) } }
    };
    Ok(page(&house, "Write down", None, &main))
}

pub(super) async fn empty(
    State(house): State<Arc<House>>,
    Extension(visitor): Extension<Visitor>,
    Path((pile, slug)): Path<(String, String)>,
    mut params: Params,
) -> Result<Markup, Problem> {
    let view = house.pile(&pile)?;
    let verb = verb(&slug)?;
    let mut values = fresh(&house, &visitor);
    if let Some(spot) = params.text("spot") {
        values.set("spot", spot);
    }
    params.done("spot")?;
    Ok(sheet(&house, &view, verb, &values, visitor.form_token(), None))
}

pub(super) async fn write(
    State(house): State<Arc<House>>,
    Extension(visitor): Extension<Visitor>,
    Path((pile, slug)): Path<(String, String)>,
    Posted(params): Posted,
) -> Result<Response, Problem> {
    let view = house.pile(&pile)?;
    let verb = verb(&slug)?;
    let values = Values::of(&params);
    match enter(&house, &pile, verb, params).await {
        Ok(seq) => Ok(Redirect::to(&format!("/piles/{pile}?wrote={seq}")).into_response()),
        Err(problem) if problem.status.is_client_error() => {
            Ok(form::again(sheet(&house, &view, verb, &values, visitor.form_token(), Some(&problem))))
        }
        Err(problem) => Err(problem),
    }
}

async fn enter(house: &House, pile: &str, verb: &Verb, mut params: Params) -> Result<u64, Problem> {
    let style = Style::of(&house.app.config);
    let event = (verb.event)(&mut params)?;
    let entry = common(&mut params, pile, event, house.now(), style)?;
    params.done("the fields of the form")?;
    Ok(house.enter(entry).await?.seq)
}

/// Time, initials, note and what it stands in for: the same in every form.
pub(super) fn common(
    params: &mut Params,
    pile: &str,
    event: Event,
    now: At,
    style: Style,
) -> Result<NewEntry, Problem> {
    let at = form::local_instant(&needed(params, "at", "the time")?, style)?;
    let corrects = params.text("corrects").map(|text| text.parse::<u64>()).transpose();
    Ok(NewEntry {
        pile: Some(pile.to_owned()),
        at_ms: at.0,
        entered_ms: now.0,
        by: needed(params, "by", "who wrote it")?,
        note: params.text("note").unwrap_or_default(),
        corrects: corrects.map_err(|_| Problem::bad("the number of the corrected entry can't be read"))?,
        event,
    })
}

/// Values that a form starts with.
pub(super) fn fresh(house: &House, visitor: &Visitor) -> Values {
    let style = Style::of(&house.app.config);
    let mut values = Values::default();
    values.set("at", form::local_value(house.now(), style));
    values.set("by", visitor.name());
    values.set("unit", if style.unit == DisplayUnit::Celsius { "C" } else { "F" });
    values
}

pub(super) fn verb(slug: &str) -> Result<&'static Verb, Problem> {
    VERBS
        .iter()
        .find(|verb| verb.slug == slug)
        .ok_or_else(|| Problem::not_found(format!("there is nothing called `{}` to write down", shown(slug))))
}

/// Probes that can be chosen: the configured ones and those that stand in the pile.
pub(super) fn probes(house: &House, view: &PileView) -> Vec<String> {
    let mut names: Vec<String> = house.app.probes.all().iter().map(|probe| probe.id.to_string()).collect();
    for placement in &view.pile.placements {
        if !names.contains(&placement.probe) {
            names.push(placement.probe.clone());
        }
    }
    names.sort();
    names.dedup();
    names
}

pub(super) fn sheet(
    house: &House,
    view: &PileView,
    verb: &Verb,
    values: &Values,
    token: Option<String>,
    problem: Option<&Problem>,
) -> Markup {
    let pile = &view.pile.id;
    let spots: Vec<String> = view.pile.spots.iter().map(|spot| spot.name.clone()).collect();
    let probes = probes(house, view);
    let corrects = values.get("corrects");
    let main = html! {
        h1 { (verb.title) }
        p.aside { "Pile " (pile) @if !corrects.is_empty() { ", in place of entry no. " (corrects) } }
        (form::wrong(problem))
        form.write method="post" action=(format!("/piles/{pile}/write/{}", verb.slug)) {
            (form::hidden(token))
            @if !corrects.is_empty() { input type="hidden" name="corrects" value=(corrects); }
            @if !verb.hint.is_empty() { p.hint { (verb.hint) } }
            @for one in verb.fields { (form::field(*one, values, &spots, &probes)) }
            (form::as_of(values, "When"))
            (by_and_note(values))
            p.done { button.main { "Write it down" } a.touch href=(format!("/piles/{pile}")) { "Leave it" } }
        }
    };
    page(house, verb.title, None, &main)
}
