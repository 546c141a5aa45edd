//! Scenarios for the judge: temperatures in, verdict out.

use chrono::NaiveDateTime;
use heapward::model::time::from_local;
use heapward_rules::ids::{PileId, ProbeId, SpotName, StandardId};
use heapward_rules::judge::Judge;
use heapward_rules::log::{LogEntry, LogEvent};
use heapward_rules::pile::{Agreement, Material, Method, Pile, Placement, Settings, Spot, Zone};
use heapward_rules::reading::{Reading, Source, Unit};
use heapward_rules::recipe::dates::days_before_harvest;
use heapward_rules::standard::{Asks, MethodRule, Mode, Profile, Standard};
use heapward_rules::units::{At, Celsius, Span};
use heapward_rules::verdict::{Status, Verdict};
use serde_json::{Map, Value, json};

use super::Check;
use super::standards::standard;

/// The zones begin here; the pile was built an hour before.
const START: At = At(1_777_651_200_000);

/// Temperatures in °F by zone and hour.
type Zones = Vec<(String, Vec<(f64, f64)>)>;

fn pile(zones: &Zones, method: Method, settings: Settings) -> Pile {
    let built = START - Span::hours(1);
    let spots = zones.iter().map(|(name, _)| Spot {
        name: SpotName::new(name),
        zone: Zone::Core,
        depth_in: None,
        watched_only: false,
    });
    let placements = zones.iter().map(|(name, _)| Placement {
        probe: ProbeId::new(name),
        spot: SpotName::new(name),
        from: built,
        until: None,
        every: Span::minutes(15),
        offset_c: 0.0,
    });
    Pile {
        id: PileId::new("scenario"),
        method,
        material: Material::Manure,
        built,
        initial_cn: Some(30.0),
        standards: Vec::new(),
        spots: spots.collect(),
        placements: placements.collect(),
        settings,
    }
}

fn readings(zones: &Zones) -> Vec<Reading> {
    let one = |name: &str, (hour, f): &(f64, f64)| Reading {
        at: START + Span::from_hours(*hour),
        source: Source::Probe(ProbeId::new(name)),
        value: *f,
        unit: Unit::Fahrenheit,
    };
    zones.iter().flat_map(|(name, values)| values.iter().map(move |value| one(name, value))).collect()
}

fn entry(hour: f64, event: LogEvent) -> LogEntry {
    LogEntry { at: START + Span::from_hours(hour), event }
}

fn judge(pile: Pile, standard: Standard, log: &[LogEntry], zones: &Zones) -> Verdict {
    let readings = readings(zones);
    let judgement = Judge::of_set(pile, vec![standard], log, &readings).judgement();
    judgement.verdicts.into_iter().next().expect("one standard, one verdict")
}

/// One zone at one temperature, read every two hours and at the end.
fn steady(f: f64, hours: f64) -> Zones {
    let mut values: Vec<(f64, f64)> = Vec::new();
    let mut hour = 0.0;
    while hour < hours {
        values.push((hour, f));
        hour += 2.0;
    }
    values.push((hours, f));
    vec![("a".to_owned(), values)]
}

/// Whether a constant temperature for so many days meets a standard.
pub(super) fn constant(standard: &Standard, celsius: f64, days: f64) -> bool {
    let zones = steady(Celsius(celsius).to_f(), days * 24.0);
    let pile = pile(&zones, Method::AeratedStatic, Settings::default());
    judge(pile, standard.clone(), &[], &zones).status == Status::Qualified
}

pub(super) fn scenario(check: &Check) -> Value {
    match check.id.as_str() {
        "q.cn_low" => {
            let zones = steady(150.0, 80.0);
            let recipe = Pile {
                initial_cn: Some(check.number("cn")),
                ..pile(&zones, Method::AeratedStatic, Settings::default())
            };
            let meets =
                |id: &str| judge(recipe.clone(), standard(id), &[], &zones).status == Status::Qualified;
            json!({ "route_205_203_c2": meets("us-organic"), "route_nop5021": meets("us-organic-5021") })
        }
        "q.windrow_4turns" => {
            let zones = steady(140.0, check.number("hours_in_band"));
            let verdict = windrow(&zones, &[50.0, 100.0, 150.0, 200.0]);
            json!({ "qualified": verdict.status == Status::Qualified })
        }
        "q.windrow_turn_before" => {
            let turns = numbers(&check.inputs["turn_hours"]);
            let verdict = windrow(&steady(140.0, check.number("qualified_at_h")), &turns);
            let run = verdict.spots[0].longest_run.expect("a run");
            json!({ "qualified": verdict.status == Status::Qualified, "turnings_counted": run.turns })
        }
        _ => by_policy(check),
    }
}

/// A windrow under the organic rule, built early enough for a turn before the heat.
fn windrow(zones: &Zones, turns: &[f64]) -> Verdict {
    let mut pile = pile(zones, Method::Windrow, Settings::default());
    pile.built = START - Span::days(2);
    let log: Vec<LogEntry> = turns.iter().map(|hour| entry(*hour, LogEvent::Turned)).collect();
    judge(pile, standard("us-organic"), &log, zones)
}

/// A scenario that brings its own rule: range, time, mode, gaps and turns.
fn by_policy(check: &Check) -> Value {
    let policy = &check.inputs["policy"];
    let zones = zones_of(&check.inputs);
    let turns = if check.has("turn_hours") { numbers(&check.inputs["turn_hours"]) } else { Vec::new() };
    let is_coldest = check.inputs["zone_rule"].as_str() == Some("coldest");
    let settings = Settings {
        max_gap: policy["max_gap_h"].as_f64().map_or(Span::hours(4), Span::from_hours),
        agreement: if is_coldest { Agreement::Together } else { Agreement::Each },
        // These scenarios know no allowance for a turn.
        turn_allowance: Span::ZERO,
        ..Settings::default()
    };
    let method = if turns.is_empty() { Method::AeratedStatic } else { Method::Windrow };
    let log: Vec<LogEntry> = turns.iter().map(|hour| entry(*hour, LogEvent::Turned)).collect();
    let verdict = judge(pile(&zones, method, settings), rule(policy, method), &log, &zones);

    let hours = |span: Span| span.as_hours();
    let at = verdict.at.map(|at| hours(at - START));
    let need = policy["need_h"].as_f64();
    let longest = |index: usize| {
        let spot = &verdict.spots[index];
        let counted = spot.longest_run.map_or(0.0, |run| hours(run.counted));
        if spot.qualified_at.is_some() { need } else { Some(counted) }
    };
    let spans: Map<String, Value> = if is_coldest {
        // Under `together` the spots show their own runs: without a break or a verdict there was no common one.
        assert!(at.is_some() || verdict.breaks.is_empty(), "{}", check.id);
        Map::from_iter([("coldest".to_owned(), json!(if at.is_some() { need } else { Some(0.0) }))])
    } else {
        zones.iter().enumerate().map(|(index, (name, _))| (name.clone(), json!(longest(index)))).collect()
    };
    let run = verdict.spots[0].longest_run;
    json!({
        "qualified": verdict.status == Status::Qualified,
        "at_h": at,
        "longest_or_total_h_at_end_or_qualification": spans,
        "longest_run_h": run.map(|run| hours(run.counted)),
        "turnings_counted": run.map(|run| run.turns),
    })
}

fn rule(policy: &Value, method: Method) -> Standard {
    let f = |key: &str| policy[key].as_f64().map(Celsius::from_f);
    let profile = Profile {
        lo: f("lower_f").expect("a lower end"),
        hi: f("upper_f"),
        required: Span::from_hours(policy["need_h"].as_f64().expect("hours")),
        mode: if policy["mode"].as_str() == Some("cumulative") {
            Mode::Cumulative
        } else {
            Mode::Consecutive
        },
        turns: policy["turnings"].as_u64().map_or(0, |turns| usize::try_from(turns).expect("few")),
    };
    Standard {
        id: StandardId::new("policy"),
        title: String::new(),
        clause: String::new(),
        meaning: String::new(),
        verified: true,
        rules: vec![MethodRule { methods: vec![method], profiles: vec![profile] }],
        initial_cn: None,
        no_heat_for: Vec::new(),
        asks_curing: false,
        readings_per_day: None,
        asks: Asks::default(),
    }
}

fn numbers(list: &Value) -> Vec<f64> {
    list.as_array().expect("a list").iter().map(|number| number.as_f64().expect("a number")).collect()
}

/// Zones as (hour, °F): each piece is read from its beginning on, the last one to its end.
fn zones_of(inputs: &Value) -> Zones {
    let step = inputs["step_min"].as_f64().expect("a step") / 60.0;
    let zones = inputs["zones"].as_object().expect("zones");
    let values = |pieces: &Value| {
        let mut values = Vec::new();
        let mut begins = 0.0;
        let pieces = pieces.as_array().expect("pieces");
        for (number, piece) in pieces.iter().enumerate() {
            let ends = begins + piece["h"].as_f64().expect("hours");
            let last = number + 1 == pieces.len();
            let mut hour = begins;
            while hour < ends - 1e-9 || (last && hour < ends + 1e-9) {
                values.extend(piece["f"].as_f64().map(|f| (hour, f)));
                hour += step;
            }
            begins = ends;
        }
        values
    };
    zones.iter().map(|(name, pieces)| (name.clone(), values(pieces))).collect()
}

pub(super) fn verdict_logic(check: &Check) -> Value {
    let organic = standard("us-organic");
    let zones = steady(110.0, 80.0);
    let of = |material: Material, log: &[LogEntry], zones: &Zones| {
        let pile = Pile { material, ..pile(zones, Method::AeratedStatic, Settings::default()) };
        judge(pile, organic.clone(), log, zones).status
    };
    match check.id.as_str() {
        "nop.plant_only" => {
            let status = of(Material::Plant, &[], &zones);
            let clause = "205.203(c)(3)";
            let printed = organic.asks.records.as_deref().is_some_and(|text| text.contains(clause));
            json!({
                "temperature_required": status != Status::NotRequired,
                "raw_manure_rule": status == Status::NotMet,
                "clause": printed.then_some(clause),
            })
        }
        "nop.manure_fail" => {
            let failed = of(Material::Manure, &[], &zones) == Status::NotMet;
            let printed = organic.asks.records.as_deref().is_some_and(|text| text.contains("raw manure"));
            json!({
                "treat_as": (failed && printed).then_some("raw manure"),
                "days_soil_contact": days_before_harvest(true),
                "days_no_contact": days_before_harvest(false),
            })
        }
        _ => {
            let zones = steady(150.0, 80.0);
            let before = of(Material::Manure, &[], &zones);
            let after = of(Material::Manure, &[entry(79.0, LogEvent::MaterialAdded)], &zones);
            let restarted = before == Status::Qualified && after != Status::Qualified;
            json!({ "restart": restarted, "treat_as": restarted.then_some("untreated") })
        }
    }
}

pub(super) fn elapsed_time(check: &Check) -> Value {
    let zone: chrono_tz::Tz = check.text("tz").parse().expect("a zone");
    let instant = |key: &str| {
        let naive = NaiveDateTime::parse_from_str(check.text(key), "%Y-%m-%dT%H:%M").expect("a wall time");
        from_local(naive, zone).expect("an instant")
    };
    let elapsed = instant("end_local") - instant("start_local");
    json!({ "elapsed_h": elapsed.as_hours(), "meets_72h": elapsed >= Span::hours(72) })
}
