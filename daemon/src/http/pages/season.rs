//! Planning a season, by a form that works by its address alone; below it the seasons so far.

use std::sync::Arc;

use axum::extract::State;
use maud::{Markup, html};

use super::form::{self, Field, Values, number};
use super::frame::page;
use crate::after::day_of;
use crate::after::seasons::{Piled, Season, seasons};
use crate::http::house::House;
use crate::http::params::Params;
use crate::http::problem::Problem;
use crate::limits::SEASON_BEDS_MAX;
use crate::season::plan::{Bays, BedLine, Pace, Plan, Sheet};
use crate::season::schedule::{Schedule, schedule};

/// Key, label, and the usual figure.
const FIGURES: [(&str, &str, &str); 8] = [
    ("bays", "Bays", "2"),
    ("pile", "Cubic yards of a pile when it is built", "8"),
    ("hand", "Cubic yards of finished compost that are there", "0"),
    ("loss", "Volume that is lost until it is finished, %", "50"),
    ("active", "Days in the bay", "30"),
    ("curing", "Days of curing", "45"),
    ("people", "People who fork", "1"),
    ("forked", "Cubic yards that one forks in a day", "4"),
];

pub(super) async fn plan(State(house): State<Arc<House>>, mut params: Params) -> Result<Markup, Problem> {
    let zone = house.app.config.farm.timezone;
    let mut values = Values::default();
    for (key, _, usual) in FIGURES {
        values.set(key, usual);
    }
    for (key, value) in params.pairs().into_iter().filter(|(_, value)| !value.is_empty()) {
        values.set(&key, value);
    }
    let beds = params.text("beds");
    let sheet = sheet(&mut params, beds.as_deref().unwrap_or_default());
    params.done("beds, from, and the figures of the form")?;
    let today = day_of(house.now(), zone).ok_or_else(|| Problem::unavailable("the clock shows no date"))?;
    let answer =
        beds.map(|_| sheet.and_then(|sheet| Plan::of(&sheet, today).map_err(|error| error.to_string())));
    let views = house.app.handle.views();
    let piled = views.iter().map(|view| Piled {
        record: &view.pile,
        judgement: &view.judgement,
        uses: &view.after.uses,
    });
    let past = seasons(piled, zone);
    let main = html! {
        h1 { "Plan the season" }
        @match &answer {
            None => { p { "Write which beds want compost until when: out comes which pile has to be started on which day." } }
            Some(Err(text)) => { div.wrong role="alert" { @for line in text.lines() { p { (line) } } } }
            Some(Ok(plan)) => { (planned(plan, &schedule(plan))) }
        }
        form.write method="get" action="/season" {
            label for="beds" { "Beds, one a line: name, feet, inches of compost, date" }
            textarea id="beds" name="beds" maxlength="4000" placeholder="north-4 100x4 1 2027-04-15\ntomatoes 2400 1 2027-05-20" { (values.get("beds")) }
            (form::field(Field::Line { key: "from", label: "Begin on, such as 2027-03-01 (empty: today)", needed: false }, &values, &[], &[]))
            @for (key, label, _) in FIGURES { (form::field(Field::Number { key, label, needed: false }, &values, &[], &[])) }
            p.done { button.main { "Work it out" } }
        }
        (so_far(&past))
    };
    Ok(page(&house, "Plan the season", None, &main))
}

fn sheet(params: &mut Params, beds: &str) -> Result<Sheet, String> {
    let mut figures = [0.0; FIGURES.len()];
    for ((key, label, usual), figure) in FIGURES.iter().zip(&mut figures) {
        let given = number(params, key).map_err(|problem| format!("{label}: {}", problem.detail))?;
        *figure = given.or(usual.parse().ok()).unwrap_or_default();
    }
    let [bays, pile, hand, loss, active, curing, people, forked] = figures;
    let lines: Vec<&str> = beds.lines().map(str::trim).filter(|line| !line.is_empty()).collect();
    if lines.len() > SEASON_BEDS_MAX {
        return Err(format!("more than {SEASON_BEDS_MAX} beds; take some together"));
    }
    Ok(Sheet {
        from: params.text("from"),
        at_hand_yd3: hand,
        bays: Bays { count: count(bays), pile_yd3: pile },
        pace: Pace {
            loss_percent: loss,
            active_days: i64::from(count(active)),
            curing_days: i64::from(count(curing)),
            people: count(people),
            yd3_per_person_day: forked,
        },
        bed: lines.into_iter().map(BedLine::parse).collect::<Result<_, _>>()?,
    })
}

fn count(figure: f64) -> u32 {
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "clamped; the plan refuses what is too much"
    )]
    let count = figure.round().clamp(0.0, 1e6) as u32;
    count
}

fn planned(plan: &Plan, schedule: &Schedule) -> Markup {
    let late: Vec<_> = schedule.builds.iter().filter(|build| build.late_days > 0).collect();
    let short: f64 = late.iter().map(|build| build.wanted_yd3).sum();
    let days = late.iter().map(|build| build.late_days).max().unwrap_or(0);
    html! {
        p.verdict {
            (format!("{:.1}", schedule.wanted_yd3)) " cubic yards wanted: " (schedule.builds.len())
            @if schedule.builds.len() == 1 { " pile" } @else { " piles" } " to build, each gives " (format!("{:.1}", plan.yield_yd3())) "."
        }
        @if !late.is_empty() {
            p { span.act {
                "Short by " (format!("{short:.1}")) " cubic yards, up to " (days) " days. Buy that much, spread it later or thinner, "
                "use more bays or more hands, or start before " (plan.from) "."
            } }
        }
        @if !schedule.builds.is_empty() {
            table.lines {
                thead { tr { th { "Start" } th { "Built" } th { "To cure" } th { "Ready" } th { "Bay" } th { "For" } } }
                tbody {
                    @for build in &schedule.builds {
                        tr {
                            th { (build.start) }
                            td data-head="Built" { (build.built) }
                            td data-head="To cure" { (build.to_cure) }
                            td data-head="Ready" { (build.ready) }
                            td data-head="Bay" { (build.bay) }
                            td data-head="For" {
                                (build.beds.join(", ")) ", " (format!("{:.1}", build.wanted_yd3)) " cubic yards"
                                @if build.late_days > 0 { " " span.act { (build.late_days) " days late" } }
                            }
                        }
                    }
                }
            }
        }
        p { "Started later than this, a pile is not ready for the bed:" }
        ul {
            @for latest in &schedule.latest {
                li { (latest.bed) ": " @match latest.start { Some(start) => { (start) } None => { "compost at hand is enough" } } }
            }
        }
    }
}

fn so_far(past: &[Season]) -> Markup {
    html! {
        @if !past.is_empty() {
            h2 { "Seasons so far" }
            table.lines {
                thead { tr { th { "Built in" } th { "Piles" } th { "Qualified" } th { "Days to qualify" } th { "Used raw" } th { "Cubic yards used" } } }
                tbody {
                    @for season in past {
                        tr {
                            th { (season.year) }
                            td data-head="Piles" { (season.piles) @if let Some(built) = season.built_yd3 { ", " (format!("{built:.0}")) " cubic yards by their recipes" } }
                            td data-head="Qualified" { (season.qualified) }
                            td data-head="Days to qualify" { @if let Some(days) = season.days_to_qualify { (format!("{days:.1}")) " (median)" } @else { "none yet" } }
                            td data-head="Used raw" { (season.used_raw) }
                            td data-head="Cubic yards used" { (format!("{:.1}", season.used_yd3)) }
                        }
                    }
                }
            }
        }
    }
}
