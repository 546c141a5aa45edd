//! A probe's mapping, made ready for reading: pointers parsed, pattern compiled.

use chrono_tz::Tz;
use heapward_rules::ids::ProbeId;
use heapward_rules::reading::{Quantity, Unit};
use regex_lite::Regex;

use super::pointer::Pointer;
use crate::config::{Bytes, NumberStyle, PayloadFormat, ProbeConfig, TimeFormat};

/// How the messages of one probe are read.
#[derive(Clone, Debug)]
pub struct Mapping {
    pub probe: ProbeId,
    pub quantity: Quantity,
    pub format: PayloadFormat,
    pub value: Pointer,
    pub number: NumberStyle,
    pub unit: Option<Unit>,
    pub unit_from: Option<Pointer>,
    pub time: Option<Pointer>,
    pub time_format: TimeFormat,
    pub zone: Tz,
    pub fallback_arrival: bool,
    pub guard: Option<(Pointer, String)>,
    pub select: Option<Selection>,
    pub each: Option<Pointer>,
    pub reject: Vec<f64>,
    pub bytes: Option<Bytes>,
    pub pattern: Option<Pattern>,
    pub battery: Option<Pointer>,
    /// Words for online and offline, in small letters: an availability topic.
    pub availability: Option<(String, String)>,
}

#[derive(Clone, Debug)]
pub struct Selection {
    pub container: Pointer,
    pub key: Pointer,
    pub equals: String,
}

#[derive(Clone, Debug)]
pub struct Pattern {
    pub regex: Regex,
    pub has_time: bool,
}

/// What is wrong with a mapping: the key, and what to write instead.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{key}: {what}")]
pub struct MappingProblem {
    pub key: &'static str,
    pub what: String,
}

// === impl Mapping ===

impl Mapping {
    pub fn new(probe: &ProbeConfig) -> Result<Mapping, MappingProblem> {
        let keys = &probe.mapping;
        let pointer = |key, text: &str| {
            let what =
                format!("`{text}` is no JSON Pointer; write \"\" for the whole message, or \"/\" and a name");
            Pointer::parse(text, keys.fixed_order).ok_or(MappingProblem { key, what })
        };
        let optional = |key, text: &Option<String>| text.as_ref().map(|text| pointer(key, text)).transpose();
        let guard =
            keys.guard.as_ref().map(|guard| Ok((pointer("guard", &guard.pointer)?, guard.equals.clone())));
        let select = keys.select.as_ref().map(|select| {
            Ok(Selection {
                container: pointer("select", &select.container)?,
                key: pointer("select", &select.key)?,
                equals: select.equals.clone(),
            })
        });
        let availability = keys.availability.as_ref();
        Ok(Mapping {
            probe: probe.id.clone(),
            quantity: probe.quantity,
            format: keys.format,
            value: pointer("value", &keys.value)?,
            number: keys.number,
            unit: keys.unit,
            unit_from: optional("unit_from", &keys.unit_from)?,
            time: optional("time", &keys.time)?,
            time_format: keys.time_format,
            zone: keys.zone.unwrap_or(Tz::UTC),
            fallback_arrival: keys.time_fallback_arrival,
            guard: guard.transpose()?,
            select: select.transpose()?,
            each: optional("each", &keys.each)?,
            reject: keys.reject.clone(),
            bytes: keys.bytes,
            pattern: keys.pattern.as_deref().map(Pattern::new).transpose()?,
            battery: optional("battery", &keys.battery)?,
            availability: availability.map(|(on, off)| (on.to_lowercase(), off.to_lowercase())),
        })
    }
}

// === impl Pattern ===

impl Pattern {
    fn new(text: &str) -> Result<Pattern, MappingProblem> {
        let problem = |what: String| MappingProblem { key: "pattern", what };
        let regex =
            Regex::new(text).map_err(|error| problem(format!("is no regular expression: {error}")))?;
        let has = |group| regex.capture_names().flatten().any(|name| name == group);
        if !has("value") {
            return Err(problem("has no group (?P<value>...); put one around the number".to_owned()));
        }
        Ok(Pattern { has_time: has("time"), regex })
    }
}
