//! What could be a probe: looks at the messages of a topic, finds the numbers in them, and proposes `[[probe]]` blocks.
//!
//! A proposal is a guess that is checked: it is made only if the mapping, applied to the message, gives the number. The
//! unit is asked for, never taken for granted.

mod block;
mod fields;
mod names;
mod shape;

use heapward_rules::reading::{Quantity, Unit};
use heapward_rules::units::{Celsius, Span};

use super::decode::{Decoded, decode, text_of};
use super::json::Json;
use super::mapping::Mapping;
use super::number::{is_no_value, of_text};
use super::reason::Reason;
use crate::config::{self, NumberStyle, PayloadFormat, ProbeConfig};
use crate::limits::PROPOSALS_MAX;
pub use block::block;
pub use fields::{Field, fields};

/// What one message of a topic says.
#[derive(Clone, Debug)]
pub struct Suggestion {
    /// All numbers in it, with the pointers that lead to them.
    pub fields: Vec<Field>,
    pub proposals: Vec<Proposal>,
    /// Why there is none, if there is none.
    pub remark: Option<&'static str>,
}

/// A probe that could be read from this topic.
#[derive(Clone, Debug)]
pub struct Proposal {
    pub probe: ProbeConfig,
    /// What it reads now.
    pub value: f64,
    pub unit: Unit,
    /// What the grower is to confirm before the readings count.
    pub question: Option<String>,
}

/// Proposes probes from the newest message of a topic. `every`: how often messages come, if that is known.
pub fn suggest(topic: &str, payload: &[u8], every: Option<Span>) -> Suggestion {
    let nothing =
        |remark: Option<&'static str>| Suggestion { fields: Vec::new(), proposals: Vec::new(), remark };
    if payload.is_empty() {
        return nothing(None);
    }
    let text = match text_of(topic, payload) {
        Ok(text) => text,
        Err(reason) => return nothing(Some(reason.advice())),
    };
    let (fields, candidates) = match Json::read(text) {
        Ok(json) => (fields(&json), shape::candidates(&json, topic)),
        Err(_) if is_no_value(text) => return nothing(Some(Reason::NoValue.advice())),
        Err(reason) => match plain(text, topic) {
            Some(candidate) => (Vec::new(), vec![candidate]),
            // Words are states of devices, or else broken JSON.
            None if text.trim_start().starts_with(['{', '[']) => return nothing(Some(reason.advice())),
            None => return nothing(None),
        },
    };
    let mut proposals = Vec::new();
    for mut probe in candidates.into_iter().take(PROPOSALS_MAX) {
        probe.every = every.unwrap_or(DEFAULT_EVERY);
        if let Some(proposal) = checked(topic, payload, probe) {
            proposals.push(proposal);
        }
    }
    let lacks_decoder = proposals.is_empty() && fields.is_empty();
    let raw = lacks_decoder && (text.contains("\"frm_payload\"") || text.contains("\"devEui\""));
    Suggestion { fields, proposals, remark: raw.then(|| Reason::NoDecoder.advice()) }
}

/// Until two messages have been seen.
const DEFAULT_EVERY: Span = Span::minutes(5);

/// A number that is no JSON: with a decimal comma, or with its unit.
fn plain(text: &str, topic: &str) -> Option<ProbeConfig> {
    let (number, unit) = [NumberStyle::Comma, NumberStyle::Suffix].into_iter().find_map(|style| {
        let figure = of_text(text, style).ok()?;
        Some((style, figure))
    })?;
    let quantity = match unit.unit {
        Some(super::number::SaidUnit::Known(Unit::Percent)) => Quantity::Moisture,
        Some(super::number::SaidUnit::Known(Unit::Watt)) => Quantity::Blower,
        _ => names::quantity_of_topic(topic),
    };
    let unit = match unit.unit {
        Some(super::number::SaidUnit::Known(unit)) => Some(unit),
        Some(super::number::SaidUnit::Kelvin) => return None,
        None => names::unit_of(quantity, "", unit.value),
    };
    let mapping = config::Mapping { format: PayloadFormat::Text, number, unit, ..config::Mapping::default() };
    Some(shape::probe(names::of_topic(topic), topic, quantity, mapping))
}

/// The proposal, if its mapping reads this very message.
fn checked(topic: &str, payload: &[u8], probe: ProbeConfig) -> Option<Proposal> {
    let mapping = Mapping::new(&probe).ok()?;
    let Decoded::Samples { samples, .. } = decode(topic, payload, &mapping) else { return None };
    let sample = samples.iter().rfind(|sample| sample.quantity == probe.quantity)?;
    let (value, unit) = (sample.value, sample.unit);
    let question = question(&probe, value, unit);
    Some(Proposal { probe, value, unit, question })
}

/// A unit that is wrong forges a record: 62 F in a mild barn, read as 62 C, is a hot pile.
fn question(probe: &ProbeConfig, value: f64, unit: Unit) -> Option<String> {
    let celsius = |celsius: f64| format!("{celsius:.0} C = {:.0} F", Celsius(celsius).to_f());
    match (unit, probe.quantity) {
        (Unit::Celsius, _) => Some(format!("It reads {} now. Right?", celsius(value))),
        (Unit::Fahrenheit, _) => Some(format!("It reads {} now. Right?", celsius(Celsius::from_f(value).0))),
        (Unit::Raw, Quantity::Moisture) => Some(
            "A figure of the maker's own: weigh and dry samples of your mix for `calibration` = [[reported, percent], ...]."
                .to_owned(),
        ),
        (Unit::Percent, Quantity::Moisture) => {
            Some("Percent of what? In compost such a figure is an index until you have weighed samples.".to_owned())
        }
        _ => None,
    }
}

#[cfg(test)]
mod tests;
