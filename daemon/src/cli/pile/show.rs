//! Answers of the API as a person reads them on a terminal.

use std::fmt::Write as _;

use chrono_tz::Tz;
use serde_json::Value;

use crate::config::DisplayUnit;
use crate::http::words::Style;
use crate::http::words::log;
use crate::model::time::{local, parse_rfc3339};
use crate::model::words;

/// Puts entries into sentences and instants onto the farm's clock; `about` is what the daemon says of the farm.
pub(super) fn on_the_farm(about: &Value, answer: &mut Value) {
    let zone = about["timezone"].as_str().and_then(|name| name.parse().ok()).unwrap_or(chrono_tz::UTC);
    let unit = if about["shows"] == "C" { DisplayUnit::Celsius } else { DisplayUnit::Fahrenheit };
    in_sentences(Style { zone, unit }, answer);
    on_the_clock_of(zone, answer);
}

/// Gives each entry of the log its sentence.
fn in_sentences(style: Style, answer: &mut Value) {
    if let Some(items) = answer["items"].as_array_mut() {
        for item in items {
            in_sentences(style, item);
        }
    } else if let Some(figures) = answer["figures"].as_object() {
        let mut event = figures.clone();
        event.insert("event".to_owned(), answer["event"].clone());
        if let Ok(event) = serde_json::from_value(Value::Object(event)) {
            answer["sentence"] = log::sentence(&event, style).into();
        }
    }
}

/// Writes every instant as `Fri 1 May 2026, 11:00`, on the farm's clock.
pub(super) fn on_the_clock_of(zone: Tz, answer: &mut Value) {
    match answer {
        Value::String(text) => {
            if let Some(at) = parse_rfc3339(text) {
                *text = local(at, zone).format("%a %-d %b %Y, %H:%M").to_string();
            }
        }
        Value::Array(items) => items.iter_mut().for_each(|item| on_the_clock_of(zone, item)),
        Value::Object(members) => members.values_mut().for_each(|member| on_the_clock_of(zone, member)),
        _ => {}
    }
}

/// One line per pile and verdict.
pub(super) fn piles(list: &Value) -> String {
    let piles: Vec<&Value> = list["items"].as_array().into_iter().flatten().collect();
    if piles.is_empty() {
        return "There is no pile yet: heapward pile new --help\n".to_owned();
    }
    piles.iter().map(|pile| short(pile)).collect()
}

fn short(pile: &Value) -> String {
    let mut text = format!("{}{}\n", plain(&pile["pile"]), bay(pile));
    for verdict in items(&pile["verdicts"]) {
        let _ = writeln!(text, "  {}", verdict_line(verdict));
    }
    text.push_str(&stage_line(pile));
    for open in items(&pile["open"]) {
        let _ = writeln!(
            text,
            "  open since {}: {}{}",
            plain(&open["opened"]),
            plain(&open["kind"]),
            place(open)
        );
    }
    text
}

/// A pile with its spots and probes.
pub(super) fn pile(pile: &Value) -> String {
    let mut text = short(pile);
    let _ = writeln!(
        text,
        "  {} of {} material, built {}",
        plain(&pile["method"]),
        plain(&pile["material"]),
        plain(&pile["built"])
    );
    for part in items(&pile["recipe"]["parts"]) {
        let source =
            part["source"].as_str().map(|source| format!(", {}", one_line(source))).unwrap_or_default();
        let _ = writeln!(text, "  {}, {}{source}", plain(&part["name"]), plain(&part["amount"]));
    }
    if let Some(cn) = pile["recipe"]["cn"]["typical"].as_f64() {
        let _ = writeln!(text, "  C:N {cn:.1}:1 by the recipe");
    }
    for spot in items(&pile["spots"]) {
        let depth = spot["depth_in"].as_f64().map(|depth| format!(", {depth} in deep")).unwrap_or_default();
        let now = items(&pile["placements"])
            .filter(|placement| placement["spot"] == spot["name"] && placement["until"].is_null())
            .map(|placement| format!("{} since {}", plain(&placement["probe"]), plain(&placement["from"])))
            .next_back()
            .unwrap_or_else(|| "no probe".to_owned());
        let _ = writeln!(text, "  {:<14} {}{depth}: {now}", plain(&spot["name"]), plain(&spot["zone"]));
    }
    text
}

/// The hours that are counted, in words; none where nothing is.
pub(super) fn counted(pile: &Value) -> Option<String> {
    let runs = items(&pile["verdicts"]).flat_map(|verdict| items(&verdict["spots"]));
    let longest = runs.filter_map(|spot| spot["longest_run"]["counted_ms"].as_i64()).max()?;
    let qualified = items(&pile["verdicts"]).any(|verdict| verdict["status"] == "qualified");
    let hours = longest / 3_600_000;
    match (qualified, hours) {
        (true, _) => Some("that it qualified".to_owned()),
        (false, 0) => None,
        (false, hours) => Some(format!("what was proven so far, {hours} h,")),
    }
}

/// What the newest use of a pile means for the harvest.
pub(super) fn last_use(pile: &Value) -> String {
    let Some(last) = items(&pile["uses"]).next_back() else { return String::new() };
    let bed = plain(&last["bed"]);
    match (last["harvest_not_before_soil"].as_str(), last["harvest_not_before_no_soil"].as_str()) {
        (Some(soil), Some(no_soil)) => format!(
            "RAW MANURE on {bed}: it holds manure and had not qualified (7 CFR 205.203(c)(1)). Harvest not before\n  {soil} \
             where the edible part touches the soil\n  {no_soil} where it does not\n"
        ),
        _ => format!("No waiting time for {bed} by the organic rule.\n"),
    }
}

/// What to do about water and air.
pub(super) fn advice(advice: &Value) -> String {
    format!(
        "Water  {}\nAir    {}\nThen   {}\nHeapward advises; it switches nothing.\n",
        plain(&advice["water"]),
        plain(&advice["air"]),
        plain(&advice["look"])
    )
}

fn stage_line(pile: &Value) -> String {
    let since = plain(&pile["stage_since"]);
    match pile["stage"].as_str() {
        Some(stage @ ("curing" | "ready" | "used")) => format!("  {stage} since {since}\n"),
        _ => String::new(),
    }
}

fn verdict_line(verdict: &Value) -> String {
    let cautions: Vec<String> = items(&verdict["cautions"]).map(plain).collect();
    let cautions = if cautions.is_empty() { String::new() } else { format!(" ({})", cautions.join(", ")) };
    let doubt = words::doubt(verdict["verified"] != false);
    format!("{}: {}{doubt}{cautions}", plain(&verdict["standard"]), plain(&verdict["sentence"]))
}

/// What was written into the log.
pub(super) fn entered(entry: &Value) -> String {
    format!("Entered. {}\n", entry_line(entry))
}

/// A page of the log.
pub(super) fn entries(page: &Value) -> String {
    items(&page["items"]).map(|entry| entry_line(entry) + "\n").collect()
}

fn entry_line(entry: &Value) -> String {
    // Without a sentence the entry is of a newer daemon, whose word has to do.
    let said = entry["sentence"].as_str().or(entry["event"].as_str()).map(one_line).unwrap_or_default();
    let note = entry["note"].as_str().map(one_line).unwrap_or_default();
    let place =
        entry["corrects"].as_u64().map(|corrects| format!("(in place of {corrects})")).unwrap_or_default();
    let parts = [said, note, place].into_iter().filter(|part| !part.is_empty()).collect::<Vec<_>>();
    let (seq, at, by) = (plain(&entry["seq"]), plain(&entry["at"]), plain(&entry["by"]));
    format!("{seq:>5}  {at}  {} [{by}]", parts.join(" "))
}

fn bay(pile: &Value) -> String {
    pile["bay"].as_str().map(|bay| format!(" in bay {}", one_line(bay))).unwrap_or_default()
}

fn place(finding: &Value) -> String {
    let at = |key: &str| finding[key].as_str().map(|name| format!(" at {}", one_line(name)));
    at("spot").or_else(|| at("probe")).unwrap_or_default()
}

fn items(list: &Value) -> impl DoubleEndedIterator<Item = &Value> {
    list.as_array().into_iter().flatten()
}

/// A value without quotes. Text of others can't move the cursor or colour the terminal.
fn plain(value: &Value) -> String {
    value.as_str().map_or_else(|| value.to_string(), one_line)
}

fn one_line(text: &str) -> String {
    text.chars().map(|c| if c.is_control() { ' ' } else { c }).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn a_pile_as_it_is_shown() {
        let mut answer = json!({
            "pile": "2026-03", "bay": "1", "method": "aerated-static", "material": "manure",
            "built": "2026-05-01T15:00:00.000Z",
            "spots": [{ "name": "core-north", "zone": "core", "depth_in": 24.0 }, { "name": "toe", "zone": "base" }],
            "placements": [
                { "probe": "k9", "spot": "core-north", "from": "a", "until": "b" },
                { "probe": "k1", "spot": "core-north", "from": "2026-05-01T15:30:00.000Z", "until": null },
            ],
            "verdicts": [{
                "standard": "us-organic", "status": "running", "at": null, "held_up_by": "toe",
                "sentence": "41 h of 72 h proven and counting; toe holds it up.",
                "cautions": ["unit-unconfirmed:toe"],
            }, {
                "standard": "eu-cmc3", "status": "running", "at": null, "held_up_by": "toe", "verified": false,
                "sentence": "41 h of 72 h proven and counting.", "cautions": [],
            }],
            "open": [{ "kind": "overheating", "opened": "2026-05-03T00:00:00.000Z", "spot": "core-north" }],
        });
        let wanted = "\
2026-03 in bay 1
  us-organic: 41 h of 72 h proven and counting; toe holds it up. (unit-unconfirmed:toe)
  eu-cmc3: 41 h of 72 h proven and counting. (the rule's figures are from memory: check them)
  open since Sat 2 May 2026, 20:00: overheating at core-north
  aerated-static of manure material, built Fri 1 May 2026, 11:00
  core-north     core, 24 in deep: k1 since Fri 1 May 2026, 11:30
  toe            base: no probe
";
        on_the_clock_of(chrono_tz::America::New_York, &mut answer);
        assert_eq!(pile(&answer), wanted);
        let list = piles(&json!({ "items": [answer] }));
        assert!(list.contains("counting. (the rule's figures are from memory: check them)\n"), "{list}");
        let page = json!({ "items": [{
            "seq": 9, "at": "2026-05-09T08:00:00.000Z", "event": "run-qualified", "by": "heapward",
            "figures": { "standard": "eu-cmc3" }, "sentence": "It met eu-cmc3.",
            "note": words::FROM_MEMORY_SENTENCE, "corrects": null,
        }] });
        let told = "  It met eu-cmc3. The rule's figures are from memory: check them. [heapward]\n";
        assert!(entries(&page).ends_with(told), "{}", entries(&page));
    }

    #[test]
    fn an_entry_is_one_line_in_words_whatever_its_note_holds() {
        let about = json!({ "timezone": "America/New_York", "shows": "F" });
        let entry = |event: &str, figures: Value, note: &str, corrects: Value| {
            json!({ "seq": 7, "at": "2026-05-04T08:00:00.000Z", "event": event, "figures": figures, "by": "OM",
                    "note": note, "corrects": corrects })
        };
        for (one, wanted) in [
            (
                entry("watered", json!({ "litres": 40 }), "dry\u{1b}[31m\nat the toe", Value::Null),
                "Watered with 11 gallons (40 litres). dry [31m at the toe",
            ),
            (
                entry(
                    "calibration",
                    json!({ "probe": "k1", "reference_c": 0.0, "read_c": 0.5 }),
                    "",
                    json!(5),
                ),
                "Probe k1 compared: it said 32.9 \u{b0}F at 32.0 \u{b0}F. (in place of 5)",
            ),
            (entry("note", json!({}), "rain all night", Value::Null), "rain all night"),
            (entry("of-a-later-version", json!({ "x": 1 }), "", Value::Null), "of-a-later-version"),
        ] {
            let mut page = json!({ "items": [one] });
            on_the_farm(&about, &mut page);
            let line = entries(&page);
            assert!(line.starts_with("    7  Mon 4 May 2026, 04:00  "), "{line}");
            assert!(
                line.ends_with(" [OM]\n") && line.contains(wanted) && line.lines().count() == 1,
                "{line}"
            );
        }
    }
}
