//! `[[probe]]` blocks: how the messages of one probe are read.

use chrono_tz::Tz;
use heapward_rules::ids::ProbeId;
use heapward_rules::reading::{Quantity, Unit};
use heapward_rules::units::Span;
use toml::de::DeValue;

use super::pointer;
use super::section::Section;
use super::value::{AnyText, Value};
use crate::config::{
    ByteKind, Bytes, Guard, Mapping, NumberStyle, PayloadFormat, ProbeConfig, Select, TimeFormat,
};

#[derive(Clone, Copy, PartialEq, Eq)]
enum Kind {
    Measures(Quantity),
    Availability,
}

const KINDS: [(&str, Kind); 5] = [
    ("temperature", Kind::Measures(Quantity::Temperature)),
    ("moisture", Kind::Measures(Quantity::Moisture)),
    ("oxygen", Kind::Measures(Quantity::Oxygen)),
    ("blower", Kind::Measures(Quantity::Blower)),
    ("availability", Kind::Availability),
];

const UNITS: [(&str, Unit); 7] = [
    ("C", Unit::Celsius),
    ("F", Unit::Fahrenheit),
    ("%", Unit::Percent),
    ("W", Unit::Watt),
    ("V", Unit::Volt),
    ("on/off", Unit::Switch),
    ("raw", Unit::Raw),
];

const BYTE_KINDS: [(&str, ByteKind); 8] = [
    ("u8", ByteKind::U8),
    ("i8", ByteKind::I8),
    ("u16be", ByteKind::U16Be),
    ("u16le", ByteKind::U16Le),
    ("i16be", ByteKind::I16Be),
    ("i16le", ByteKind::I16Le),
    ("f32be", ByteKind::F32Be),
    ("f32le", ByteKind::F32Le),
];

/// A number or a text that a message must carry; numbers are compared by their text.
struct Word(String);

impl Value for Word {
    const WANTED: &'static str = "a text in quotes or a whole number";

    fn read(value: &DeValue<'_>) -> Result<Word, String> {
        match value {
            DeValue::Integer(number) if number.radix() == 10 => Ok(Word(number.as_str().to_owned())),
            DeValue::Boolean(value) => Ok(Word(value.to_string())),
            _ => String::read(value).map(Word),
        }
    }

    fn stand_in() -> Word {
        Word(String::new())
    }
}

/// All probes of the file. Local times in messages are of the farm's zone unless a probe says otherwise.
pub(super) fn all(top: &Section<'_, '_>, farm_zone: Tz) -> Vec<ProbeConfig> {
    let mut known: Vec<String> = Vec::new();
    top.sections("probe", |section| {
        let probe = read(section, farm_zone);
        let id = probe.id.as_str();
        if !id.is_empty() && known.iter().any(|other| other == id) {
            section.refuse("id", format!("there is a probe `{id}` already; give each its own id"));
        }
        known.push(id.to_owned());
        probe
    })
}

fn read(section: &Section<'_, '_>, farm_zone: Tz) -> ProbeConfig {
    let id: String = section.need("id");
    let plain = |byte: u8| byte.is_ascii_alphanumeric() || matches!(byte, b'-' | b'_' | b'.');
    if !id.bytes().all(plain) {
        section.refuse("id", format!("`{id}` is no id; write letters, digits and `-`, `_` or `.`"));
    }
    let topic: String = section.need("topic");
    if let Some(why) = pointer::topic_fault(&topic) {
        section.refuse("topic", why);
    }
    let kind = section.choice("kind", &KINDS).unwrap_or(Kind::Measures(Quantity::Temperature));
    let id = ProbeId::new(id);
    match kind {
        Kind::Availability => ProbeConfig {
            id,
            topic,
            quantity: Quantity::Temperature,
            every: Span::hours(24),
            mapping: Mapping {
                value: value_pointer(section, PayloadFormat::Text),
                availability: Some((section.need("online"), section.need("offline"))),
                ..Mapping::default()
            },
        },
        Kind::Measures(quantity) => ProbeConfig {
            id,
            topic,
            quantity,
            every: section.need("every"),
            mapping: mapping(section, quantity, farm_zone),
        },
    }
}

fn mapping(section: &Section<'_, '_>, quantity: Quantity, farm_zone: Tz) -> Mapping {
    let format = section
        .choice(
            "format",
            &[("json", PayloadFormat::Json), ("text", PayloadFormat::Text), ("regex", PayloadFormat::Regex)],
        )
        .unwrap_or_default();
    let numbers = [
        ("strict", NumberStyle::Strict),
        ("lenient", NumberStyle::Lenient),
        ("comma", NumberStyle::Comma),
        ("suffix", NumberStyle::Suffix),
    ];
    let mut mapping = Mapping {
        format,
        value: value_pointer(section, format),
        unit: section.choice("unit", &UNITS),
        unit_from: pointer(section, "unit_from"),
        guard: section.section("guard", |guard| Guard {
            pointer: need_pointer(guard, "pointer"),
            equals: guard.need::<Word>("equals").0,
        }),
        select: section.section("select", read_select),
        each: pointer(section, "each"),
        number: section.choice("number", &numbers).unwrap_or_default(),
        reject: section.opt("reject").unwrap_or_default(),
        calibration: calibration(section),
        bytes: section.section("bytes", read_bytes),
        pattern: pattern(section, format),
        fixed_order: section.or("fixed_order", false),
        battery: pointer(section, "battery"),
        on_above: section.opt("on_above"),
        ..Mapping::default()
    };
    read_time(section, &mut mapping, farm_zone);
    check_unit(section, quantity, &mapping);
    check_order(section, &mapping);
    if mapping.on_above.is_some() && quantity != Quantity::Blower {
        section.refuse("on_above", "is for kind = \"blower\"; take it out".to_owned());
    }
    mapping
}

fn value_pointer(section: &Section<'_, '_>, format: PayloadFormat) -> String {
    match format {
        PayloadFormat::Json => need_pointer(section, "value"),
        PayloadFormat::Text | PayloadFormat::Regex => pointer(section, "value").unwrap_or_default(),
    }
}

fn read_select(section: &Section<'_, '_>) -> Select {
    let container = match (pointer(section, "array"), pointer(section, "object")) {
        (Some(container), None) | (None, Some(container)) => container,
        (Some(container), Some(_)) => {
            section.refuse("object", "stands beside `array`; keep the one that the message has".to_owned());
            container
        }
        (None, None) => {
            let what = "is missing; write the pointer to the list that is searched (or `object` for a table)";
            section.refuse("array", what.to_owned());
            String::new()
        }
    };
    Select { container, key: need_pointer(section, "key"), equals: section.need::<Word>("equals").0 }
}

fn read_bytes(section: &Section<'_, '_>) -> Bytes {
    Bytes {
        at: usize::from(section.need::<u16>("at")),
        kind: section.need_choice("type", &BYTE_KINDS).unwrap_or(ByteKind::U8),
        scale: section.or("scale", 1.0),
    }
}

fn read_time(section: &Section<'_, '_>, mapping: &mut Mapping, farm_zone: Tz) {
    let formats = [
        ("rfc3339", TimeFormat::Rfc3339),
        ("epoch_s", TimeFormat::EpochSeconds),
        ("epoch_ms", TimeFormat::EpochMillis),
        ("naive", TimeFormat::Naive),
    ];
    mapping.time = pointer(section, "time");
    mapping.time_format = section.choice("time_format", &formats).unwrap_or_default();
    let zone: Option<Tz> = section.opt("zone");
    mapping.zone = zone.or((mapping.time_format == TimeFormat::Naive).then_some(farm_zone));
    mapping.time_fallback_arrival =
        section.choice("time_fallback", &[("arrival", true), ("refuse", false)]).unwrap_or(false);
    let in_pattern = mapping.pattern.as_ref().is_some_and(|pattern| pattern.contains("<time>"));
    if mapping.time.is_none() && !in_pattern {
        let why = "says how a time is read, but no time is named; add `time`, or take this out";
        section.refuse_each(&["time_format", "zone", "time_fallback"], why);
    } else if zone.is_some() && mapping.time_format != TimeFormat::Naive {
        let why = "is for time_format = \"naive\" alone: other formats say their zone; take it out";
        section.refuse("zone", why.to_owned());
    }
}

fn pattern(section: &Section<'_, '_>, format: PayloadFormat) -> Option<String> {
    let pattern: Option<String> = section.opt("pattern");
    match (&pattern, format) {
        (None, PayloadFormat::Regex) => {
            let what = "is missing; write a regular expression with a group (?P<value>...)";
            section.refuse("pattern", what.to_owned());
        }
        (Some(_), PayloadFormat::Json | PayloadFormat::Text) => {
            section
                .refuse("pattern", "is for format = \"regex\"; write that too, or take this out".to_owned());
        }
        (Some(text), PayloadFormat::Regex) if !text.contains("<value>") && !text.is_empty() => {
            section.refuse("pattern", "has no group (?P<value>...); put one around the number".to_owned());
        }
        _ => {}
    }
    pattern
}

fn calibration(section: &Section<'_, '_>) -> Vec<(f64, f64)> {
    let rows: Vec<Vec<f64>> = section.opt("calibration").unwrap_or_default();
    let points: Vec<(f64, f64)> = rows
        .iter()
        .filter_map(|row| <[f64; 2]>::try_from(row.as_slice()).ok())
        .map(<(f64, f64)>::from)
        .collect();
    let ascending = points.windows(2).all(|pair| matches!(pair, [a, b] if a.0 < b.0));
    let wrong = points.len() != rows.len() || points.len() < 2 || !ascending;
    if section.has("calibration") && wrong {
        let what = "is no table; write at least two points [reported, true], the reported ones rising: \
                    [[18, 30.0], [63, 68.0]]";
        section.refuse("calibration", what.to_owned());
    }
    points
}

/// The unit is never guessed: a mild barn at 60 F read as 60 C would prove a hot pile.
fn check_unit(section: &Section<'_, '_>, quantity: Quantity, mapping: &Mapping) {
    let (allowed, wanted) = match quantity {
        Quantity::Temperature => (&[Unit::Celsius, Unit::Fahrenheit][..], "\"C\" or \"F\""),
        Quantity::Moisture => (&[Unit::Percent, Unit::Volt, Unit::Raw][..], "\"%\", \"V\" or \"raw\""),
        Quantity::Oxygen => (&[Unit::Percent][..], "\"%\""),
        Quantity::Blower => (&[Unit::Watt, Unit::Switch][..], "\"W\" or \"on/off\""),
        Quantity::Battery => (&[Unit::Percent, Unit::Volt][..], "\"%\" or \"V\""),
    };
    match mapping.unit {
        None if mapping.unit_from.is_none() && !section.has("unit") => {
            let what = format!("is missing; write {wanted}, or `unit_from` where the message says it");
            section.refuse("unit", what);
        }
        Some(unit) if !allowed.contains(&unit) => {
            section.refuse("unit", format!("is not a unit of this kind of probe; write {wanted}"));
        }
        Some(Unit::Raw | Unit::Volt) if mapping.calibration.is_empty() && !section.has("calibration") => {
            let what = "is missing: a figure of the maker's own means nothing without a table from this farm's own mix; \
                        write calibration = [[18, 30.0], [63, 68.0]] with your weighings, or unit = \"%\"";
            section.refuse("calibration", what.to_owned());
        }
        _ => {}
    }
}

/// A probe that is added or lost moves all that stand behind it in a list.
fn check_order(section: &Section<'_, '_>, mapping: &Mapping) {
    let by_position = [
        ("value", Some(&mapping.value)),
        ("each", mapping.each.as_ref()),
        ("select", mapping.select.as_ref().map(|select| &select.container)),
    ];
    for (key, pointer) in by_position {
        if !mapping.fixed_order && pointer.is_some_and(|pointer| pointer::goes_by_position(pointer)) {
            let what = "goes by position, and the positions move when a probe is added or lost; search by its id: \
                        select = { array = \"/LIST\", key = \"/ID\", equals = \"...\" }, or write fixed_order = true";
            section.refuse(key, what.to_owned());
        }
    }
}

fn pointer(section: &Section<'_, '_>, key: &str) -> Option<String> {
    let AnyText(text) = section.opt(key)?;
    if let Some(why) = pointer::fault(&text) {
        section.refuse(key, why);
    }
    Some(text)
}

fn need_pointer(section: &Section<'_, '_>, key: &str) -> String {
    pointer(section, key).unwrap_or_else(|| {
        let what =
            "is missing; write a JSON Pointer such as \"/DS18B20/Temperature\" (\"\" for the whole message)";
        section.refuse(key, what.to_owned());
        String::new()
    })
}
