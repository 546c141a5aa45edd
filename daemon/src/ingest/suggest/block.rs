//! A probe as the `[[probe]]` block of the configuration that reads back as that probe.

use std::fmt::Write as _;

use heapward_rules::units::Span;

use crate::config::{ByteKind, NumberStyle, PayloadFormat, ProbeConfig, TimeFormat};
use crate::model::reading::{quantity_word, unit_word};

/// The block, one key a line. Keys that have their usual value are left out.
pub fn block(probe: &ProbeConfig) -> String {
    let mut text = String::from("[[probe]]\n");
    let mapping = &probe.mapping;
    let mut line = |key: &str, value: String| {
        let _ = writeln!(text, "{key} = {value}");
    };
    line("id", quoted(probe.id.as_str()));
    let kind = if mapping.availability.is_some() { "availability" } else { quantity_word(probe.quantity) };
    if kind != "temperature" {
        line("kind", quoted(kind));
    }
    line("topic", quoted(&probe.topic));
    if let Some((online, offline)) = &mapping.availability {
        line("online", quoted(online));
        line("offline", quoted(offline));
        return text;
    }
    line("every", quoted(&duration(probe.every)));
    if let Some(guard) = &mapping.guard {
        line(
            "guard",
            format!("{{ pointer = {}, equals = {} }}", quoted(&guard.pointer), quoted(&guard.equals)),
        );
    }
    if let Some(select) = &mapping.select {
        let (container, key, equals) = (&select.container, quoted(&select.key), quoted(&select.equals));
        // Both words mean the same to the reader; a person should find the one that fits.
        let word = if container.is_empty() { "object" } else { "array" };
        line("select", format!("{{ {word} = {}, key = {key}, equals = {equals} }}", quoted(container)));
    }
    if let Some(each) = &mapping.each {
        line("each", quoted(each));
    }
    reading_keys(probe, &mut line);
    time_keys(probe, &mut line);
    text
}

fn reading_keys(probe: &ProbeConfig, line: &mut impl FnMut(&str, String)) {
    let mapping = &probe.mapping;
    match mapping.format {
        PayloadFormat::Json => {}
        PayloadFormat::Text => line("format", quoted("text")),
        PayloadFormat::Regex => line("format", quoted("regex")),
    }
    if let Some(pattern) = &mapping.pattern {
        line("pattern", quoted(pattern));
    }
    if mapping.format == PayloadFormat::Json {
        line("value", quoted(&mapping.value));
    }
    if let Some(bytes) = &mapping.bytes {
        let kind = byte_kind_word(bytes.kind);
        line("bytes", format!("{{ at = {}, type = \"{kind}\", scale = {:?} }}", bytes.at, bytes.scale));
    }
    match mapping.number {
        NumberStyle::Strict => {}
        NumberStyle::Lenient => line("number", quoted("lenient")),
        NumberStyle::Comma => line("number", quoted("comma")),
        NumberStyle::Suffix => line("number", quoted("suffix")),
    }
    if let Some(unit) = mapping.unit {
        let word = match unit_word(unit) {
            "switch" => "on/off",
            word => word,
        };
        line("unit", quoted(word));
    }
    if let Some(pointer) = &mapping.unit_from {
        line("unit_from", quoted(pointer));
    }
    if !mapping.reject.is_empty() {
        line("reject", format!("{:?}", mapping.reject));
    }
    if !mapping.calibration.is_empty() {
        let points: Vec<String> =
            mapping.calibration.iter().map(|(x, y)| format!("[{x:?}, {y:?}]")).collect();
        line("calibration", format!("[{}]", points.join(", ")));
    }
    if mapping.fixed_order {
        line("fixed_order", "true".to_owned());
    }
    if let Some(pointer) = &mapping.battery {
        line("battery", quoted(pointer));
    }
    if let Some(level) = mapping.on_above {
        line("on_above", format!("{level:?}"));
    }
}

fn time_keys(probe: &ProbeConfig, line: &mut impl FnMut(&str, String)) {
    let mapping = &probe.mapping;
    if let Some(pointer) = &mapping.time {
        line("time", quoted(pointer));
    }
    match mapping.time_format {
        TimeFormat::Rfc3339 => {}
        TimeFormat::EpochSeconds => line("time_format", quoted("epoch_s")),
        TimeFormat::EpochMillis => line("time_format", quoted("epoch_ms")),
        TimeFormat::Naive => {
            line("time_format", quoted("naive"));
            if let Some(zone) = mapping.zone {
                line("zone", quoted(zone.name()));
            }
        }
    }
    if mapping.time_fallback_arrival {
        line("time_fallback", quoted("arrival"));
    }
}

fn byte_kind_word(kind: ByteKind) -> &'static str {
    match kind {
        ByteKind::U8 => "u8",
        ByteKind::I8 => "i8",
        ByteKind::U16Be => "u16be",
        ByteKind::U16Le => "u16le",
        ByteKind::I16Be => "i16be",
        ByteKind::I16Le => "i16le",
        ByteKind::F32Be => "f32be",
        ByteKind::F32Le => "f32le",
    }
}

/// A duration in the largest unit that gives a whole number.
fn duration(span: Span) -> String {
    let units = [("d", 86_400_000), ("h", 3_600_000), ("m", 60_000), ("s", 1_000)];
    let fits = units.iter().find(|(_, millis)| span.0 > 0 && span.0 % millis == 0);
    fits.map_or_else(|| format!("{}ms", span.0), |(unit, millis)| format!("{}{unit}", span.0 / millis))
}

/// A TOML text: as it stands in single quotes where that is allowed and easier to read, else escaped.
fn quoted(text: &str) -> String {
    let needs_escapes = text.chars().any(|c| c == '"' || c == '\\');
    if needs_escapes && !text.chars().any(|c| c == '\'' || c.is_control()) {
        return format!("'{text}'");
    }
    let mut quoted = String::from("\"");
    for c in text.chars() {
        match c {
            '"' => quoted.push_str("\\\""),
            '\\' => quoted.push_str("\\\\"),
            c if c.is_control() => {
                let _ = write!(quoted, "\\u{:04X}", u32::from(c));
            }
            c => quoted.push(c),
        }
    }
    quoted.push('"');
    quoted
}
