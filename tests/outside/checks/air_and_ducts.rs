//! Air for a pile, pipes and fans.

use heapward_rules::recipe::aeration as air;
use heapward_rules::recipe::duct::{self, Pipe};
use heapward_rules::units::Celsius;
use serde_json::{Value, json};

use super::Check;

pub(super) fn aeration(check: &Check) -> Value {
    let number = |key: &str| check.number(key);
    let cycle = |on: &str, off: &str| {
        let duty = air::duty(number(on), number(off));
        json!({ "duty": duty, "mean_cfm": number("cfm") * duty })
    };
    match check.id.as_str() {
        "air.cycle" => cycle("on_min", "off_min"),
        "air.cycle30s" => cycle("on_s", "off_s"),
        "air.exchange" => {
            let void = air::void_ft3(number("yd3"), number("fas_frac"));
            json!({ "void_ft3": void, "minutes_per_exchange": air::minutes_per_exchange(void, number("cfm")) })
        }
        "air.o2_store" => json!({
            "kg_o2_per_m3": air::oxygen_store_kg_per_m3(
                number("fas_frac"), Celsius(number("t_c")), number("from_o2"), number("to_o2"),
            ),
        }),
        "air.stoich" => {
            let needs = air::demand(
                number("dry_kg"),
                number("vs_degraded_frac_of_dry"),
                number("o2_per_kg_vs"),
                number("days"),
            );
            json!({
                "o2_kg": needs.oxygen_kg,
                "air_kg": needs.air_kg,
                "air_m3_at_1_2": needs.air_m3,
                "mean_m3_min": needs.mean_m3_per_min,
                "mean_cfm": needs.mean_cfm,
            })
        }
        "air.nraes_time" => json!({
            "cfm_continuous_equiv": air::cfm_by_timer(number("dry_tons"), 1.0),
            "cfm_if_on_one_third": air::cfm_by_timer(number("dry_tons"), 1.0 / 3.0),
        }),
        "air.nraes_temp" => json!({ "cfm_peak": air::cfm_by_temperature(number("dry_tons")) }),
        "air.peak_yd3" => json!({ "cfm": air::cfm_by_volume(number("yd3"), number("cfm_per_yd3")) }),
        id if id.starts_with("air.o2_deplete") => json!({
            "minutes_to_5pct": air::minutes_of_store(
                number("store_kg_m3"), number("uptake_g_o2_per_kg_vs_h"), number("vs_kg_m3"),
            ),
        }),
        _ => Value::Null,
    }
}

pub(super) fn duct(check: &Check) -> Value {
    let number = |key: &str| check.number(key);
    match check.id.split(['.', '_']).nth(1) {
        Some("velocity") => {
            let fpm = duct::velocity_fpm(number("cfm"), number("d_in"));
            json!({ "fpm": fpm, "velocity_pressure_in_wc": duct::velocity_pressure_in(fpm) })
        }
        Some("friction") => {
            json!({ "in_wc_per_100ft": duct::friction_in_per_100_ft(number("cfm"), number("d_in")) })
        }
        Some("darcy") => {
            let pipe = Pipe {
                diameter_in: number("d_in"),
                length_ft: number("l_ft"),
                roughness_m: number("eps_m"),
                density: number("rho"),
                viscosity: number("mu"),
            };
            let flow = pipe.flow(number("cfm"));
            json!({
                "v_m_s": flow.velocity_m_per_s,
                "re": flow.reynolds,
                "f_colebrook": flow.friction,
                "f_swamee_jain": flow.friction_explicit,
                "dp_pa": flow.pressure_pa,
                "dp_in_wc": flow.pressure_in,
            })
        }
        Some("christiansen") => {
            json!({ "factor": duct::christiansen_factor(number("m"), number("outlets")) })
        }
        Some("holes") => {
            let (pipe, spacing, length) = (number("pipe_in"), number("spacing_in"), number("length_ft"));
            let diameter = duct::hole_diameter_in(pipe, spacing, length, number("rows"));
            let holes = duct::holes(spacing, length);
            json!({
                "hole_d_in": diameter,
                "holes": holes,
                "two_rows_hole_d_in": duct::hole_diameter_in(pipe, spacing, length, 2.0),
                "total_hole_area_over_pipe_area": holes * diameter * diameter / (pipe * pipe),
            })
        }
        Some("power") => {
            let in_air = duct::air_hp(number("cfm"), number("in_wc"));
            let shaft = in_air / number("eff");
            json!({ "air_hp": in_air, "shaft_hp": shaft, "watts": duct::hp_to_watts(shaft) })
        }
        _ => Value::Null,
    }
}
