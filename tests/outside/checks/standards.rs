//! What the standards that come with the program say.

use heapward::standards::built_in;
use heapward_rules::ids::StandardId;
use heapward_rules::pile::Method;
use heapward_rules::recipe::classes;
use heapward_rules::standard::{Mode, Profile, Standard};
use serde_json::{Value, json};

use super::{Check, judged};

pub(super) fn standard(id: &str) -> Standard {
    built_in().expect("the standards can be read").remove(&StandardId::new(id)).expect("there is one")
}

fn days(profile: &Profile) -> f64 {
    profile.required.as_hours() / 24.0
}

/// The only profile of a standard for a method.
fn only(standard: &Standard, method: Method) -> Profile {
    let [profile] = standard.profiles(method) else { panic!("one profile") };
    profile.clone()
}

pub(super) fn further_reduction(check: &Check) -> Value {
    let method = match check.text("method") {
        "static_aerated_pile" => Method::AeratedStatic,
        "within_vessel" => Method::InVessel,
        _ => Method::Windrow,
    };
    let profile = only(&standard("us-biosolids"), method);
    json!({ "min_c": profile.lo.0, "days": days(&profile), "turnings": profile.turns })
}

pub(super) fn carbon_to_nitrogen(check: &Check) -> Value {
    let (lo, hi) = standard("us-organic").initial_cn.expect("a range");
    json!({ "in_band": (lo..=hi).contains(&check.number("cn")) })
}

pub(super) fn produce(check: &Check) -> Value {
    let standard = standard("us-produce");
    let method = if check.text("method") == "static" { Method::AeratedStatic } else { Method::Windrow };
    let profile = only(&standard, method);
    json!({
        "min_f": profile.lo.to_f(),
        "min_c": profile.lo.0,
        "consecutive_days": days(&profile),
        "days": days(&profile),
        "consecutive": profile.mode == Mode::Consecutive,
        "turnings": profile.turns,
        "curing_required": standard.asks.curing.is_some(),
        "aerobic": standard.meaning.contains("aerobic"),
    })
}

/// Every `A to B in` of a text.
fn inches(text: &str) -> Vec<[f64; 2]> {
    let words: Vec<&str> = text.split_whitespace().collect();
    let ranges = words.windows(4).filter(|w| w[1] == "to" && w[3].trim_end_matches(['.', ',', ';']) == "in");
    ranges.filter_map(|w| Some([w[0].parse().ok()?, w[2].parse().ok()?])).collect()
}

pub(super) fn california(check: &Check) -> Value {
    let standard = standard("us-california");
    let readings = standard.asks.readings.as_deref().expect("a sentence");
    let cover = standard.asks.records.as_deref().expect("a sentence");
    let profile = only(&standard, Method::AeratedStatic);
    match check.id.as_str() {
        "ca.depth_windrow" => json!({ "depth_in_below_surface": inches(readings)[0] }),
        "ca.depth" => json!({ "depth_in_from_cover_interface": inches(readings)[1] }),
        "ca.cover" => json!({
            "insulating_cover_in": inches(cover)[0],
            "min_f": profile.lo.to_f(),
            "days": days(&profile),
        }),
        "ca.readings.ft" => {
            json!({ "readings_per_day_min": classes::california_readings_by_length(check.number("windrow_ft")) })
        }
        _ => {
            let yards = check.number("active_compost_yd3");
            json!({ "readings_per_day_min": classes::california_readings_by_volume(yards) })
        }
    }
}

pub(super) fn other(check: &Check) -> Value {
    let (id, method) = match check.text("rule_set") {
        "eu2019_1009_cmc3" => ("eu-cmc3", Method::AeratedStatic),
        "ccme_vessel_asp" => ("canada-ccme", Method::AeratedStatic),
        "ccme_windrow" => ("canada-ccme", Method::Windrow),
        _ => return Value::Null,
    };
    let standard = standard(id);
    if check.has("constant_c") {
        return json!({ "meets": judged::constant(&standard, check.number("constant_c"), check.number("days")) });
    }
    let profiles = standard.profiles(method).iter();
    let figures: Vec<Value> =
        profiles.map(|profile| json!({ "min_c": profile.lo.0, "days": days(profile) })).collect();
    json!({ "profiles": figures })
}
