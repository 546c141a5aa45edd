//! The table of feedstocks that comes with the program.

use std::path::Path;

use heapward_rules::recipe::mix::Material;
use serde_json::{Value, json};

use super::Check;

pub(super) fn feedstock_table(check: &Check) -> Value {
    if check.id == "feed.trap_sawdust" {
        let material = Material::from_cn(0.0, check.number("n_pct"), check.number("cn"));
        return json!({ "c_pct": material.carbon, "plausible": material.is_plausible() });
    }
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../config/feedstocks.toml");
    let table: toml::Table = std::fs::read_to_string(path).expect("the table").parse().expect("TOML");
    let rows = table["feedstock"].as_array().expect("rows");
    let name = check.text("name");
    let Some(row) = rows.iter().find(|row| row["name"].as_str() == Some(name)) else { return Value::Null };
    let figure = |key: &str| {
        let value = row.get(key)?;
        value
            .as_float()
            .or_else(|| value.as_integer().map(|whole| f64::from(i32::try_from(whole).expect("small"))))
    };
    let carbon = figure("carbon").expect("carbon");
    let material = Material { moisture: 0.0, nitrogen: 1.0, carbon };
    json!({
        "n_pct_dry": figure("nitrogen"),
        "cn": figure("cn"),
        "c_pct_dry": carbon,
        "moisture_pct": figure("moisture"),
        "bulk_density_lb_yd3": figure("bulk_density"),
        "class": row["class"].as_str(),
        "c_pct_plausible_20_60": material.is_plausible(),
    })
}
