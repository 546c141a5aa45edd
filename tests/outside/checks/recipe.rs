//! Conversions, mixes, water, density, size, carbon, shrinkage and dates.

use heapward_rules::recipe::dates::{
    Date, earliest_harvest, keep_organic_until, keep_produce_until, latest_incorporation,
};
use heapward_rules::recipe::mix::{
    Infeasible, Material, Pair, mix, second_for_cn, second_for_moisture, solve_two,
};
use heapward_rules::recipe::size::Shape;
use heapward_rules::recipe::{carbon, convert, density, reduction, water};
use heapward_rules::units::Celsius;
use serde_json::{Value, json};

use super::Check;

pub(super) fn conversion(check: &Check) -> Value {
    let number = |key: &str| check.number(key);
    match check.inputs.as_object().and_then(|inputs| inputs.keys().next()).map(String::as_str) {
        Some("f") => json!({ "c": Celsius::from_f(number("f")).0 }),
        Some("delta_c") => json!({ "delta_f": convert::delta_c_to_f(number("delta_c")) }),
        Some("lb_per_yd3") => json!({ "kg_per_m3": convert::lb_per_yd3_to_kg_per_m3(number("lb_per_yd3")) }),
        Some("lb_per_gal") => {
            json!({ "lb_per_yd3": convert::lb_per_gallon_to_lb_per_yd3(number("lb_per_gal")) })
        }
        Some("cfm") => json!({
            "m3_per_h": convert::cfm_to_m3_per_h(number("cfm")),
            "l_per_s": convert::cfm_to_litres_per_s(number("cfm")),
        }),
        Some("in_wc") => json!({ "pa": convert::inches_of_water_to_pa(number("in_wc")) }),
        _ => Value::Null,
    }
}

pub(super) fn moisture(check: &Check) -> Value {
    let number = |key: &str| check.number(key);
    if check.has("wet_g") {
        let (wet, dish, dried) = (number("wet_g"), number("container_g"), number("dry_plus_container_g"));
        json!({ "moisture_pct": water::moisture_by_drying(wet, dish, dried) })
    } else if check.has("bulk_density_kg_m3") {
        let percent = water::wet_basis_to_volume(number("wet_basis_pct"), number("bulk_density_kg_m3"));
        json!({ "volumetric_pct": percent })
    } else {
        json!({ "dry_basis_pct": water::wet_to_dry_basis(number("wet_basis_pct")) })
    }
}

pub(super) fn mix_moisture(check: &Check) -> Value {
    let number = |key: &str| check.number(key);
    match second_for_moisture(number("q1_kg"), number("m1"), number("m2"), number("goal")) {
        Ok(added) => json!({ "q2_kg": added }),
        Err(_) => json!({ "feasible": false }),
    }
}

pub(super) fn mix_cn(check: &Check) -> Value {
    let number = |key: &str| check.number(key);
    if check.has("dry_a") {
        let part =
            |dry: &str, n: &str, cn: &str| (number(dry), Material::from_cn(0.0, number(n), number(cn)));
        let mixed = mix(&[part("dry_a", "n_a", "cn_a"), part("dry_b", "n_b", "cn_b")]).expect("mass");
        // What an average of the ratios would say; nothing of ours says so.
        let wrong = f64::midpoint(number("cn_a"), number("cn_b"));
        return json!({ "correct_cn": mixed.cn, "wrong_mean_of_ratios": wrong });
    }
    if check.has("manure") {
        let material = |key: &str| {
            let of = |figure: &str| check.inputs[key][figure].as_f64().expect("a figure");
            Material::from_cn(of("moisture"), of("n_pct"), of("cn"))
        };
        let (manure, sawdust) = (material("manure"), material("sawdust"));
        let mass = number("manure_lb");
        let added = second_for_cn(mass, &manure, &sawdust, number("goal_cn")).expect("feasible");
        let mixed = mix(&[(mass, manure), (added, sawdust)]).expect("mass");
        return json!({ "sawdust_lb": added, "mix_moisture_pct": mixed.moisture });
    }
    let material =
        |m: &str, n: &str, c: &str| Material { moisture: number(m), nitrogen: number(n), carbon: number(c) };
    let (first, second) = (material("m1", "n1", "c1"), material("m2", "n2", "c2"));
    match second_for_cn(number("q1_kg"), &first, &second, number("goal_cn")) {
        Ok(added) => json!({ "q2_kg": added }),
        Err(_) => json!({ "feasible": false }),
    }
}

fn material(of: &Value) -> Material {
    let figure = |key: &str| of[key].as_f64().expect("a figure");
    Material { moisture: figure("moisture_pct"), nitrogen: figure("n_pct"), carbon: figure("c_pct") }
}

fn parts(of: &Value) -> Vec<(f64, Material)> {
    let list = of.as_array().expect("a list of materials");
    list.iter().map(|item| (item["mass"].as_f64().expect("a mass"), material(item))).collect()
}

pub(super) fn mix_forward(check: &Check) -> Value {
    let mixed = mix(&parts(&check.inputs["items"])).expect("mass");
    json!({
        "total": mixed.mass,
        "moisture_pct": mixed.moisture,
        "cn": mixed.cn,
        "n_kg_or_lb": mixed.nitrogen,
        "c_kg_or_lb": mixed.carbon,
    })
}

pub(super) fn mix_simultaneous(check: &Check) -> Value {
    let fixed = parts(&check.inputs["fixed"]);
    let (x, y) = (material(&check.inputs["unknown_x"]), material(&check.inputs["unknown_y"]));
    let solved = solve_two(&fixed, &x, &y, check.number("goal_moisture"), check.number("goal_cn"));
    let answer = |pair: Pair, feasible: bool| {
        let mixed = mix(&[fixed.clone(), vec![(pair.x, x), (pair.y, y)]].concat());
        json!({
            "x": pair.x,
            "y": pair.y,
            "feasible": feasible,
            "mix_moisture_pct": mixed.map(|mixed| mixed.moisture),
            "mix_cn": mixed.and_then(|mixed| mixed.cn),
        })
    };
    match solved {
        Ok(pair) => answer(pair, true),
        Err(
            Infeasible::FirstNegative(pair)
            | Infeasible::SecondNegative(pair)
            | Infeasible::BothNegative(pair),
        ) => answer(pair, false),
        Err(_) => json!({ "feasible": false }),
    }
}

pub(super) fn water_to_add(check: &Check) -> Value {
    let (mass, from, to) = (check.number("wet_mass_lb"), check.number("from_pct"), check.number("to_pct"));
    let Some(added) = water::water_to_add(mass, from, to) else {
        return json!({ "error": true });
    };
    let left = water::mass_after_drying(mass, from, to).expect("below 100 %");
    json!({
        "water_lb": added,
        "us_gal": water::lb_to_gallons(added),
        "action": if added < 0.0 { "dry or add dry bulking, not water" } else { "add water" },
        "mass_after_lb": left,
        "water_lost_lb": mass - left,
    })
}

pub(super) fn bulk_density(check: &Check) -> Value {
    let number = |key: &str| check.number(key);
    if check.has("net_lb") {
        return json!({ "lb_per_yd3": density::by_bucket_lb_per_yd3(number("net_lb"), number("bucket_gal")) });
    }
    let by_litre =
        density::by_bucket_kg_per_litre(number("full_kg"), number("bucket_kg"), number("volume_l"));
    json!({ "kg_per_l": by_litre, "lb_per_yd3": density::kg_per_litre_to_lb_per_yd3(by_litre) })
}

pub(super) fn free_air_space(check: &Check) -> Value {
    let number = |key: &str| check.number(key);
    if check.has("bucket_l") {
        let percent = density::free_air_space_by_filling(number("water_added_l"), number("bucket_l"));
        return json!({ "fas_pct": percent });
    }
    let wet = number("bd_wet_kg_m3");
    json!({
        "fas_pct": density::free_air_space(wet, number("dm_frac"), number("om_frac_of_dm")),
        "agnew_linear_pct": density::free_air_space_linear(wet),
    })
}

pub(super) fn pile_volume(check: &Check) -> Value {
    let number = |key: &str| check.number(key);
    let shape = match check.inputs["shape"].as_str() {
        Some("parabolic") => {
            Shape::Parabola { width: number("w_ft"), height: number("h_ft"), length: number("l_ft") }
        }
        Some("triangular") => {
            Shape::Triangle { width: number("w_ft"), height: number("h_ft"), length: number("l_ft") }
        }
        Some("trapezoidal") => Shape::Trapezoid {
            bottom: number("bottom_ft"),
            top: number("top_ft"),
            height: number("h_ft"),
            length: number("l_ft"),
        },
        _ => Shape::Cone { radius: number("r_ft"), height: number("h_ft") },
    };
    let feet = shape.volume();
    json!({ "ft3": feet, "yd3": convert::cubic_feet_to_cubic_yards(feet) })
}

pub(super) fn carbon_from_ash(check: &Check) -> Value {
    let percent = if check.has("ash_pct") {
        carbon::from_ash(check.number("ash_pct"))
    } else {
        carbon::from_organic_matter(check.number("om_pct"))
    };
    json!({ "c_pct": percent })
}

pub(super) fn bioavailability(check: &Check) -> Value {
    let lignin = check.number("lignin_pct_of_vs");
    if !check.has("c_pct") {
        return json!({ "biodegradable_frac": carbon::biodegradable_share(lignin) });
    }
    let (c, n) = (check.number("c_pct"), check.number("n_pct"));
    json!({ "cn_total": c / n, "cn_biodegradable": carbon::biodegradable_cn(c, n, lignin) })
}

pub(super) fn shrinkage(check: &Check) -> Value {
    let number = |key: &str| check.number(key);
    if check.has("ash_start_pct") {
        let (start, end) = (number("ash_start_pct"), number("ash_end_pct"));
        return json!({
            "vs_loss_frac": reduction::volatile_solids_lost(start, end),
            "dry_mass_loss_frac": reduction::dry_mass_lost(start, end),
        });
    }
    if check.has("volume_start_yd3") {
        let end = reduction::volume_at_the_end(number("volume_start_yd3"), number("shrink_frac"));
        return json!({ "volume_end_yd3": end });
    }
    let (wet_end, water_lost) = reduction::mass_at_the_end(
        number("wet_start"),
        number("moisture_start"),
        number("dry_loss_frac"),
        number("moisture_end"),
    );
    json!({ "wet_end": wet_end, "water_lost": water_lost })
}

fn date(check: &Check, key: &str) -> Date {
    Date::parse(check.text(key)).expect("a date")
}

fn text(date: Option<Date>) -> Option<String> {
    date.map(|date| date.to_string())
}

pub(super) fn raw_manure_dates(check: &Check) -> Value {
    if check.has("incorporated") {
        let day = date(check, "incorporated");
        return json!({
            "harvest_from_soil_contact": text(earliest_harvest(day, true)),
            "harvest_from_no_contact": text(earliest_harvest(day, false)),
        });
    }
    let harvest = date(check, "planned_harvest");
    json!({
        "latest_incorporation_soil_contact": text(latest_incorporation(harvest, true)),
        "latest_incorporation_no_contact": text(latest_incorporation(harvest, false)),
    })
}

pub(super) fn record_retention(check: &Check) -> Value {
    let made = date(check, "created");
    let until =
        if check.id == "retention.fsma" { keep_produce_until(made) } else { keep_organic_until(made) };
    json!({ "keep_until_at_least": text(until) })
}
