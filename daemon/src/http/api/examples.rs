//! A body of each kind as the description shows it. Tests send every one of them: what is shown is taken.

use serde_json::{Map, Value, json};

/// Bodies by the name of their schema: name of the example, JSON.
const EXAMPLES: [(&str, &str, &str); 8] = [
    (
        "NewPile",
        "spots",
        r#"{ "pile": "2026-04", "method": "aerated-static", "material": "manure", "bay": "2", "initial_cn": 28.5,
             "spots": [{ "name": "core-north", "zone": "core", "depth_in": 24 }, { "name": "toe", "zone": "base" }],
             "settings": { "guard_c": 1, "agreement": "each" }, "by": "OM" }"#,
    ),
    (
        "NewPile",
        "mix",
        r#"{ "pile": "2026-05", "method": "windrow", "spots": [{ "name": "core", "zone": "core" }],
             "mix": ["horse-manure=2yd3 Ford stable", "leaves=4yd3", "water=60gal"] }"#,
    ),
    ("NewPlacement", "now", r#"{ "probe": "k1", "spot": "core-north" }"#),
    (
        "NewPlacement",
        "earlier",
        r#"{ "probe": "k2", "spot": "core-south", "from": "2026-05-01T16:00:00Z", "every": "5m", "offset_c": -0.5 }"#,
    ),
    (
        "NewHandReading",
        "now",
        r#"{ "spot": "core-north", "value": 138.5, "unit": "F", "note": "dial thermometer" }"#,
    ),
    (
        "NewHandReading",
        "earlier",
        r#"{ "spot": "core-north", "value": 58.5, "unit": "C", "at": "2026-05-01T14:30:00-04:00", "by": "BO" }"#,
    ),
    ("NewMute", "watering", r#"{ "until": "2026-05-01T22:00:00Z", "reason": "watering now" }"#),
    ("NewSeen", "incident", r#"{ "incident": "2026-03/overheating/1777647600000" }"#),
];

/// Figures of each event that is entered.
const FIGURES: [(&str, &str); 18] = [
    (
        "feedstock",
        r#"{ "name": "Horse manure", "class": "manure", "amount": "6 loads", "source": "Tansy Ford stables" }"#,
    ),
    ("recipe", r#"{ "initial_cn": 29.5, "moisture_percent": 57, "how": "table values" }"#),
    ("asked", r#"{ "herbicide": "no", "sewage_sludge": "unknown" }"#),
    ("turned", "{}"),
    ("material-added", r#"{ "what": "a load of stable bedding" }"#),
    ("spot-given-up", r#"{ "spot": "core-north", "reason": "lance broken" }"#),
    ("watered", r#"{ "litres": 150 }"#),
    ("covered", r#"{ "depth_in": 8 }"#),
    ("aeration-changed", r#"{ "on_seconds": 90, "off_seconds": 1200 }"#),
    ("hand-reading", r#"{ "spot": "core-south", "value": 138.5, "unit": "F" }"#),
    ("check", r#"{ "squeeze": "right", "smell": "earthy", "blower_heard": true }"#),
    ("probe-removed", r#"{ "probe": "k2" }"#),
    ("calibration", r#"{ "probe": "k1", "reference_c": 0, "read_c": 0.5 }"#),
    ("maturity-tested", r#"{ "test": "self-heating", "figure": 6.5 }"#),
    ("withdrawn", r#"{ "reason": "that was the other pile" }"#),
    ("note", "{}"),
    ("moved-to-curing", "{}"),
    (
        "used",
        r#"{ "bed": "north-4", "cubic_yards": 2, "crop": "lettuce", "touches_soil": true, "harvest": "2026-11-20" }"#,
    ),
];

/// The examples of a schema, as the description holds them.
pub(super) fn of(schema: &str) -> Value {
    let read = |text: &str| serde_json::from_str::<Value>(text).unwrap_or_default();
    let mut examples = Map::new();
    for (_, name, text) in EXAMPLES.iter().filter(|(of, ..)| *of == schema) {
        examples.insert((*name).to_owned(), json!({ "value": read(text) }));
    }
    for (event, figures) in FIGURES.iter().filter(|_| schema == "NewEntry") {
        let mut entry = json!({ "event": event });
        let figures = read(figures);
        if figures != json!({}) {
            entry["figures"] = figures;
        }
        if *event == "withdrawn" {
            entry["corrects"] = json!(2);
        }
        examples.insert((*event).to_owned(), json!({ "value": entry }));
    }
    Value::Object(examples)
}
