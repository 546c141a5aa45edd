//! Time and temperature, boiling points, thermometers.

use heapward_rules::physics::{
    Regime, TimeTemperatureIndex, boiling_point_at_altitude, boiling_point_at_pressure,
    pressure_at_altitude_pa, required_days, required_time, rule_of_thumb_f, temperature_for_days,
};
use heapward_rules::recipe::{calibration as thermometer, convert};
use heapward_rules::units::{At, Celsius, Span};
use serde_json::{Value, json};

use super::Check;

pub(super) fn time_temperature(check: &Check) -> Value {
    let regime = if check.number("equation") > 1.5 { Regime::Liquid } else { Regime::Solid };
    if check.has("segments") {
        let sum = index_of(&check.inputs["segments"]);
        return json!({ "sum_of_t_over_D": sum, "at_least_1": sum >= 1.0 });
    }
    let hold = [("hold_days", 1.0), ("hold_min", 1_440.0), ("hold_s", 86_400.0)];
    if let Some((key, in_a_day)) = hold.into_iter().find(|(key, _)| check.has(key)) {
        let at = temperature_for_days(regime, check.number(key) / in_a_day);
        return json!({ "t_c": at.0, "t_f": at.to_f() });
    }
    let temperature = Celsius(check.number("t_c"));
    let days = required_days(regime, temperature);
    json!({
        "valid": days.is_some(),
        "days": days,
        "hours": days.map(|days| days * 24.0),
        "minutes": days.map(|days| days * 1_440.0),
        "raw_minutes": days.map(|days| days * 1_440.0),
        "required_minutes": required_time(regime, temperature).map(|days| days * 1_440.0),
    })
}

/// The running index of pieces of constant temperature, read every half hour.
fn index_of(segments: &Value) -> f64 {
    let mut index = TimeTemperatureIndex::new(Span::hours(4));
    let mut at = At(0);
    for segment in segments.as_array().expect("segments") {
        let temperature = Celsius(segment["t_c"].as_f64().expect("a temperature"));
        let end = at + Span::from_hours(segment["h"].as_f64().expect("hours"));
        index.take(at + Span(1), temperature);
        while at < end {
            at = (at + Span::minutes(30)).min(end);
            index.take(at, temperature);
        }
    }
    index.value()
}

pub(super) fn boiling_point(check: &Check) -> Value {
    if check.has("station_pressure_hpa") {
        let at = boiling_point_at_pressure(check.number("station_pressure_hpa") * 100.0).expect("in range");
        return json!({ "c": at.0, "f": at.to_f() });
    }
    let feet = check.number("altitude_ft");
    let at = boiling_point_at_altitude(feet).expect("in range");
    let rule = rule_of_thumb_f(feet);
    assert!((rule - at.to_f()).abs() <= 0.8, "{}: the rule of thumb says {rule}", check.id);
    json!({
        "pressure_hpa": pressure_at_altitude_pa(feet) / 100.0,
        "c": at.0,
        "f": at.to_f(),
        "rule_of_thumb_f": rule,
    })
}

pub(super) fn calibration(check: &Check) -> Value {
    let number = |key: &str| check.number(key);
    match check.id.as_str() {
        "cal.ice" => json!({
            "f": thermometer::ICE_POINT.to_f(),
            "c": thermometer::ICE_POINT.0,
            "accept_abs_f": thermometer::ACCEPT_F,
        }),
        "cal.two_point" => {
            let read = |key| Celsius(number(key));
            let correction = thermometer::Correction::two_point(
                read("ice_read_c"),
                read("boil_read_c"),
                read("boil_true_c"),
            )
            .expect("two points");
            json!({
                "offset_and_gain": { "gain": correction.gain, "offset": correction.offset },
                "true_at_read_55_4": correction.apply(Celsius(55.4)).0,
            })
        }
        "cal.ds18b20" => json!({
            "tol_c": thermometer::ONE_WIRE_TOLERANCE_C,
            "tol_f": convert::delta_c_to_f(thermometer::ONE_WIRE_TOLERANCE_C),
            "resolution_12bit_c": thermometer::ONE_WIRE_STEP_C,
            "power_on_value_c": thermometer::ONE_WIRE_POWER_ON.0,
            "bus_fault_value_c": thermometer::ONE_WIRE_LOST.0,
        }),
        "cal.guard" => {
            json!({ "guarded_limit_f": thermometer::guarded_limit_f(number("limit_f"), number("probe_tol_f")) })
        }
        _ => {
            let tolerance = thermometer::class_b_tolerance_c(Celsius(number("t_c")));
            json!({ "tol_c": tolerance, "tol_f": convert::delta_c_to_f(tolerance) })
        }
    }
}
