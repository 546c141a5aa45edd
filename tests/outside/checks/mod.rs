//! Every entry of `tests/data/checks.json` against our functions, standards and judge, within the entry's own tolerance.
//!
//! An entry either runs, or stands in [`NOT_APPLICABLE`] with the reason; anything else fails. Each prints its source.

mod air_and_ducts;
mod classes;
mod compare;
mod feedstocks;
mod heat;
mod judged;
mod recipe;
mod standards;

use std::path::Path;

use serde::Deserialize;
use serde_json::Value;

use compare::compare;

#[derive(Debug, Deserialize)]
pub(super) struct Check {
    id: String,
    topic: String,
    inputs: Value,
    expected: Value,
    tolerance: Value,
    source: String,
    basis: String,
}

/// Our answer to the inputs of an entry, in the shape of its expectation.
type Answer = fn(&Check) -> Value;

/// Entries that nothing of ours can answer, and why.
const NOT_APPLICABLE: [(&str, &str); 15] = [
    (
        "epa503.compost_exclusion",
        "a statement about the law; here the index has no way into a verdict at all",
    ),
    ("q.over170_pause", "the design breaks a run above 170 F; a pause without a break is not offered"),
    (
        "q.three_zones_mean",
        "the design judges each spot or all together; an average over spots is not offered",
    ),
    ("reg.de_bioabfv_pre2012", "the German rule is not among the standards; a user's own file can hold it"),
    ("reg.de_bioabfv_now", "the German rule is not among the standards; a user's own file can hold it"),
    ("reg.uk_pas100", "the British scheme is not among the standards; a user's own file can hold it"),
    (
        "reg.eu142",
        "for catering waste in closed units, in minutes and particle sizes; not among the standards",
    ),
    ("reg.uk_catering", "for catering waste in closed units, by particle size; not among the standards"),
    (
        "reg.as4454",
        "three hot days before each turn is no range, time and number of turns; not among the standards",
    ),
    ("reg.ontario", "the Ontario rule is not among the standards; a user's own file can hold it"),
    ("reg.cgsb", "the Canadian organic rule is not among the standards (low confidence in its figures)"),
    ("fsma.microbial", "limits of laboratory tests of the product; nothing here reads a laboratory"),
    ("fsma.interval", "how treated compost is applied; the record keeps bed and date and rules on nothing"),
    ("fsma.review", "who signs and reviews a record; a matter of the record's pages, not of a figure"),
    ("fsma.storage", "where records may be kept; a matter of the farm's office"),
];

/// Figures that contradict the others of their own entry by more than its tolerance, because they are printed with too
/// few digits; ours has to be the same when it is printed so.
const PRINTED_TOO_SHORT: [(&str, &str, usize, &str); 1] = [(
    "epa503.eq2.70",
    "hours",
    4,
    "0.1905 h is not 11.427 min (0.19045 h) within 1e-4; the days and minutes are met",
)];

fn answer_of(topic: &str) -> Option<Answer> {
    Some(match topic {
        "conversion" => recipe::conversion,
        "moisture" => recipe::moisture,
        "mix_moisture" => recipe::mix_moisture,
        "mix_cn" => recipe::mix_cn,
        "mix_forward" => recipe::mix_forward,
        "mix_simultaneous" => recipe::mix_simultaneous,
        "water_to_add" => recipe::water_to_add,
        "bulk_density" => recipe::bulk_density,
        "free_air_space" => recipe::free_air_space,
        "pile_volume" => recipe::pile_volume,
        "carbon_from_ash" => recipe::carbon_from_ash,
        "bioavailability" => recipe::bioavailability,
        "shrinkage" => recipe::shrinkage,
        "raw_manure_dates" => recipe::raw_manure_dates,
        "record_retention" => recipe::record_retention,
        "feedstock_table" => feedstocks::feedstock_table,
        "epa503_time_temp" => heat::time_temperature,
        "boiling_point" => heat::boiling_point,
        "calibration" => heat::calibration,
        "aeration" => air_and_ducts::aeration,
        "duct" => air_and_ducts::duct,
        "temperature_band" => classes::temperature_band,
        "temperature_alarm" => classes::temperature_alarm,
        "stall" => classes::stall,
        "fire_risk" => classes::fire_risk,
        "dewar_class" => classes::dewar_class,
        "maturity" => classes::maturity,
        "epa_psrp" => classes::significant_reduction,
        "epa_var_503_33_b5" => classes::vector_attraction,
        "california_17868_3" => standards::california,
        "epa_pfrp" => standards::further_reduction,
        "nop_cn_band" => standards::carbon_to_nitrogen,
        "fsma" => standards::produce,
        "other_regimes" => standards::other,
        "verdict_logic" => judged::verdict_logic,
        "qualification_scenario" => judged::scenario,
        "elapsed_time" => judged::elapsed_time,
        _ => return None,
    })
}

fn checks() -> Vec<Check> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("data/checks.json");
    serde_json::from_str(&std::fs::read_to_string(path).expect("the checks")).expect("a list of checks")
}

fn reason_not_to(id: &str) -> Option<&'static str> {
    NOT_APPLICABLE.iter().find(|(listed, _)| *listed == id).map(|(_, reason)| *reason)
}

#[test]
fn every_check_is_met_within_its_own_tolerance_or_listed_with_the_reason() {
    let checks = checks();
    let mut failures = Vec::new();
    let (mut met, mut listed) = (0, 0);
    for check in &checks {
        let Check { id, source, basis, .. } = check;
        if let Some(reason) = reason_not_to(id) {
            println!("does not apply: {id}: {reason} [{source}]");
            listed += 1;
            continue;
        }
        let Some(answer) = answer_of(&check.topic) else {
            failures.push(format!("{id}: nobody checks the topic {}", check.topic));
            continue;
        };
        let mut ours = answer(check);
        for (_, key, digits, reason) in PRINTED_TOO_SHORT.iter().filter(|(listed, ..)| listed == id) {
            let printed = ours[*key].as_f64().map(|figure| format!("{figure:.digits$}"));
            ours[*key] = printed.and_then(|text| text.parse::<f64>().ok()).into();
            println!("printed too short: {id}: {key}: {reason}");
        }
        match compare(&ours, &check.expected, &check.tolerance) {
            Ok(()) => {
                println!("met: {id} ({basis}) [{source}]");
                met += 1;
            }
            Err(difference) => failures.push(format!("{id}: {difference} [{source}]")),
        }
    }
    println!("{met} met, {listed} do not apply, {} in all", checks.len());
    assert!(
        failures.is_empty(),
        "{} of {} checks fail:\n{}",
        failures.len(),
        checks.len(),
        failures.join("\n")
    );
    assert_eq!(listed, NOT_APPLICABLE.len(), "a listed entry is not among the checks");
    assert_eq!(met + listed, checks.len());
}

// === impl Check ===

impl Check {
    /// A number of the inputs.
    fn number(&self, key: &str) -> f64 {
        self.inputs[key].as_f64().unwrap_or_else(|| panic!("{}: the inputs have no number `{key}`", self.id))
    }

    fn has(&self, key: &str) -> bool {
        self.inputs.get(key).is_some()
    }

    fn text(&self, key: &str) -> &str {
        self.inputs[key].as_str().unwrap_or_else(|| panic!("{}: the inputs have no text `{key}`", self.id))
    }
}
