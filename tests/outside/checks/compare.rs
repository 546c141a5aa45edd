//! Whether an answer is what was expected, within the tolerance of the check and never a wider one.

use serde_json::Value;

/// How far a number may be off.
#[derive(Clone, Copy)]
enum Tolerance {
    Absolute(f64),
    Relative(f64),
}

/// Everything that is expected has to be in the answer; what the answer says beyond that is not looked at.
pub(super) fn compare(answer: &Value, expected: &Value, tolerance: &Value) -> Result<(), String> {
    compare_at("", answer, expected, &|path| tolerance_of(tolerance, path))
}

/// The tolerance as it is written in the check: a number, `rel 1e-3`, or one of two sentences.
fn tolerance_of(tolerance: &Value, path: &str) -> Tolerance {
    if let Some(number) = tolerance.as_f64() {
        return Tolerance::Absolute(number);
    }
    match tolerance.as_str() {
        // "rule of thumb within 0.8 F of it" is checked where the answer is made.
        Some("c 0.05, f 0.1; rule of thumb within 0.8 F of it") => match path {
            "/f" | "/rule_of_thumb_f" => Tolerance::Absolute(0.1),
            _ => Tolerance::Absolute(0.05),
        },
        // The width of nature; the table itself has to be the same.
        Some("typical value, +-20 % or more") => Tolerance::Absolute(0.0),
        Some(text) => match text.strip_prefix("rel ").and_then(|number| number.parse().ok()) {
            Some(number) => Tolerance::Relative(number),
            None => panic!("no such tolerance: {text}"),
        },
        None => panic!("no such tolerance: {tolerance}"),
    }
}

fn compare_at(
    path: &str,
    answer: &Value,
    expected: &Value,
    tolerance: &dyn Fn(&str) -> Tolerance,
) -> Result<(), String> {
    let differs = || Err(format!("`{path}`: ours {answer}, expected {expected}"));
    match (answer, expected) {
        (Value::Object(ours), Value::Object(wanted)) => wanted.iter().try_for_each(|(key, wanted)| {
            let ours = ours.get(key).ok_or_else(|| format!("`{path}/{key}`: we have no answer"))?;
            compare_at(&format!("{path}/{key}"), ours, wanted, tolerance)
        }),
        (Value::Array(ours), Value::Array(wanted)) if ours.len() == wanted.len() => ours
            .iter()
            .zip(wanted)
            .try_for_each(|(ours, wanted)| compare_at(&format!("{path}/[]"), ours, wanted, tolerance)),
        (Value::Number(ours), Value::Number(wanted)) => {
            let (Some(ours), Some(wanted)) = (ours.as_f64(), wanted.as_f64()) else { return differs() };
            let allowed = match tolerance(path) {
                Tolerance::Absolute(allowed) => allowed,
                Tolerance::Relative(part) => part * wanted.abs(),
            };
            // The last binary digit of a decimal like 131.9 is not the check's business.
            if (ours - wanted).abs() <= allowed + 1e-12 * wanted.abs() { Ok(()) } else { differs() }
        }
        _ if answer == expected => Ok(()),
        _ => differs(),
    }
}

#[test]
fn no_answer_a_wrong_one_and_one_just_outside_are_told() {
    let expected = serde_json::json!({ "a": 1.0, "b": ["x", null] });
    let told = |answer: Value, tolerance: Value| compare(&answer, &expected, &tolerance).is_err();
    let ours = |a: f64| serde_json::json!({ "a": a, "b": ["x", null], "more": 1 });
    assert!(!told(ours(1.01), 0.01.into()) && told(ours(1.0101), 0.01.into()));
    assert!(!told(ours(1.001), "rel 1e-3".into()) && told(ours(1.0011), "rel 1e-3".into()));
    assert!(!told(ours(1.0), 0.into()) && told(ours(1.000_001), 0.into()));
    assert!(told(serde_json::json!({ "a": 1.0 }), 0.into()));
    assert!(told(serde_json::json!({ "a": 1.0, "b": ["x", 0] }), 0.into()));
    assert!(told(serde_json::json!({ "a": 1.0, "b": ["x"] }), 0.into()));
}
