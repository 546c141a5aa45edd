//! The words of files, API and store for the rules' closed types, and durations as people write them.

use heapward_rules::pile::{Agreement, Material, Method, Zone};
use heapward_rules::units::Span;
use heapward_rules::verdict::{BreakReason, Caution, Status};

const METHODS: [(&str, Method); 3] = [
    ("aerated-static", Method::AeratedStatic),
    ("in-vessel", Method::InVessel),
    ("windrow", Method::Windrow),
];

const MATERIALS: [(&str, Material); 3] =
    [("plant", Material::Plant), ("animal", Material::Animal), ("manure", Material::Manure)];

const ZONES: [(&str, Zone); 6] = [
    ("core", Zone::Core),
    ("middle", Zone::Middle),
    ("outer", Zone::Outer),
    ("base", Zone::Base),
    ("cover", Zone::Cover),
    ("ambient", Zone::Ambient),
];

const AGREEMENTS: [(&str, Agreement); 2] = [("each", Agreement::Each), ("together", Agreement::Together)];

pub fn parse_method(word: &str) -> Option<Method> {
    parse(&METHODS, word)
}

pub fn method_word(method: Method) -> &'static str {
    word(&METHODS, method)
}

pub fn parse_material(word: &str) -> Option<Material> {
    parse(&MATERIALS, word)
}

pub fn material_word(material: Material) -> &'static str {
    word(&MATERIALS, material)
}

pub fn parse_zone(word: &str) -> Option<Zone> {
    parse(&ZONES, word)
}

pub fn zone_word(zone: Zone) -> &'static str {
    word(&ZONES, zone)
}

pub fn parse_agreement(word: &str) -> Option<Agreement> {
    parse(&AGREEMENTS, word)
}

pub fn agreement_word(agreement: Agreement) -> &'static str {
    word(&AGREEMENTS, agreement)
}

pub fn status_word(status: Status) -> &'static str {
    match status {
        Status::Qualified => "qualified",
        Status::TemperatureMet => "temperature-met",
        Status::Running => "running",
        Status::NotMet => "not-met",
        Status::NotRequired => "not-required",
    }
}

pub fn break_word(reason: BreakReason) -> &'static str {
    match reason {
        BreakReason::TooCold => "too-cold",
        BreakReason::TooHot => "too-hot",
        BreakReason::NoEvidence => "no-evidence",
        BreakReason::Turned => "turned",
        BreakReason::MaterialAdded => "material-added",
    }
}

/// `unit-unconfirmed:core-north`, `turns-close-together`, `curing-not-recorded`.
pub fn caution_word(caution: &Caution) -> String {
    match caution {
        Caution::UnitUnconfirmed(spot) => format!("unit-unconfirmed:{spot}"),
        Caution::TurnsCloseTogether => "turns-close-together".to_owned(),
        Caution::CuringNotRecorded => "curing-not-recorded".to_owned(),
    }
}

/// What is said of a standard whose figures were not seen in a copy of its text.
pub const FROM_MEMORY: &str = "the rule's figures are from memory: check them";

/// [`FROM_MEMORY`] as a sentence of its own.
pub const FROM_MEMORY_SENTENCE: &str = "The rule's figures are from memory: check them.";

/// What follows a verdict, or the name of its standard; nothing where the standard's figures were seen in its text.
pub fn doubt(verified: bool) -> &'static str {
    if verified { "" } else { " (the rule's figures are from memory: check them)" }
}

/// The same where there is little room: in a text, on a line of many figures.
pub fn short_doubt(verified: bool) -> &'static str {
    if verified { "" } else { " (rule from memory)" }
}

/// The words of a closed set, for a sentence: `core, middle or outer`.
pub fn choices<T>(words: &[(&'static str, T)]) -> String {
    let words: Vec<&str> = words.iter().map(|(word, _)| *word).collect();
    match words.split_last() {
        Some((last, [])) => (*last).to_owned(),
        Some((last, others)) => format!("{} or {last}", others.join(", ")),
        None => String::new(),
    }
}

pub fn method_choices() -> String {
    choices(&METHODS)
}

pub fn material_choices() -> String {
    choices(&MATERIALS)
}

pub fn zone_choices() -> String {
    choices(&ZONES)
}

/// A duration: an integer and one of ms, s, m, h, d, without a space between (design 5.5).
pub fn parse_span(text: &str) -> Option<Span> {
    let digits_end = text.find(|c: char| !c.is_ascii_digit())?;
    let (digits, unit) = text.split_at(digits_end);
    let unit_ms: i64 = match unit {
        "ms" => 1,
        "s" => 1_000,
        "m" => 60_000,
        "h" => 3_600_000,
        "d" => 86_400_000,
        _ => return None,
    };
    digits.parse::<i64>().ok()?.checked_mul(unit_ms).map(Span)
}

fn parse<T: Copy>(words: &[(&str, T)], text: &str) -> Option<T> {
    words.iter().find(|(word, _)| *word == text).map(|(_, value)| *value)
}

fn word<T: PartialEq + Copy>(words: &[(&'static str, T)], wanted: T) -> &'static str {
    words.iter().find(|(_, value)| *value == wanted).map_or("", |(word, _)| word)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_doubt_has_one_wording() {
        assert_eq!(doubt(false), format!(" ({FROM_MEMORY})"));
        assert_eq!(FROM_MEMORY_SENTENCE.to_lowercase(), format!("{FROM_MEMORY}."));
        assert!(short_doubt(false).contains("from memory") && short_doubt(false).len() <= 19);
        assert_eq!((doubt(true), short_doubt(true)), ("", ""));
    }

    #[test]
    fn durations_are_an_integer_and_a_unit() {
        for (text, ms) in [("4h", 14_400_000), ("1m", 60_000), ("250ms", 250), ("3d", 259_200_000)] {
            assert_eq!(parse_span(text), Some(Span(ms)), "{text}");
        }
        for text in ["", "4", "h", "-4h", "1.5h", "4 h", "4 hours", "4h ", "99999999999999999d"] {
            assert_eq!(parse_span(text), None, "{text}");
        }
    }
}
