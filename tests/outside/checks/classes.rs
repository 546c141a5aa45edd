//! Bands and classes.

use heapward_rules::recipe::classes::{
    self, AlarmLevel, Band, DewarClass, FireRisk, MaturityTests, SIGNIFICANT_REDUCTION,
};
use heapward_rules::units::{Celsius, Span};
use serde_json::{Value, json};

use super::Check;

pub(super) fn temperature_band(check: &Check) -> Value {
    let band = match classes::band(Celsius::from_f(check.number("f"))) {
        Band::Psychrophilic => "psychrophilic",
        Band::Mesophilic => "mesophilic",
        Band::Thermophilic => "thermophilic",
        Band::Inhibition => "inhibition",
        Band::OverBand => "over_band",
    };
    json!({ "band": band })
}

pub(super) fn temperature_alarm(check: &Check) -> Value {
    let level = match classes::alarm_level(Celsius::from_f(check.number("f"))) {
        AlarmLevel::Fine => "ok",
        AlarmLevel::Warn => "warn",
        AlarmLevel::WatchClosely => "watch_closely",
        AlarmLevel::OffBand => "off_band",
        AlarmLevel::FireAction => "fire_action",
    };
    json!({ "level": level })
}

pub(super) fn stall(check: &Check) -> Value {
    let age = Span::from_hours(check.number("hours_since_built"));
    json!({ "stalled": classes::is_stalled_start(age, Celsius::from_f(check.number("max_f_any_zone"))) })
}

pub(super) fn fire_risk(check: &Check) -> Value {
    let risk = match classes::fire_risk(check.number("moisture_pct"), Celsius::from_f(check.number("f"))) {
        FireRisk::Low => "low",
        FireRisk::Raised => "raised",
        FireRisk::High => "high",
    };
    json!({ "risk": risk })
}

pub(super) fn dewar_class(check: &Check) -> Value {
    let class = match classes::dewar_class(check.number("max_rise_over_ambient_c")) {
        DewarClass::V => "V",
        DewarClass::IV => "IV",
        DewarClass::III => "III",
        DewarClass::II => "II",
        DewarClass::I => "I",
    };
    json!({ "class": class })
}

pub(super) fn maturity(check: &Check) -> Value {
    let optional = |key: &str| check.inputs[key].as_f64();
    let tests = MaturityTests {
        oxygen_mg_per_kg_h: optional("o2_mg_per_kg_om_h"),
        carbon_dioxide_mg_per_g_day: None,
        rise_c: optional("temp_rise_c"),
    };
    json!({ "mature": classes::is_mature(check.number("days_cured"), &tests) })
}

pub(super) fn significant_reduction(_: &Check) -> Value {
    let rule = SIGNIFICANT_REDUCTION;
    json!({
        "min_c": rule.at_least.0,
        "days": rule.during.as_hours() / 24.0,
        "peak_c_exceeds": rule.peak_above.0,
        "peak_hours": rule.peak_during.as_hours(),
    })
}

pub(super) fn vector_attraction(check: &Check) -> Value {
    let pieces: Vec<(Celsius, Span)> = check.inputs["segments"]
        .as_array()
        .expect("segments")
        .iter()
        .map(|piece| {
            let figure = |key: &str| piece[key].as_f64().expect("a figure");
            (Celsius(figure("t_c")), Span::from_hours(figure("h")))
        })
        .collect();
    let (met, mean) = classes::vector_attraction(&pieces).expect("some time");
    json!({ "pass": met, "mean_c": mean.0 })
}
