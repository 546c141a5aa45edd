//! Message to readings: pure, bounded, and never a panic, whatever comes in.
//!
//! A value is kept as reported, in the unit in which it was reported. What can't be read is a [`Reason`], not an
//! error that stops anything.

use base64::Engine as _;
use base64::engine::general_purpose::{STANDARD, STANDARD_NO_PAD, URL_SAFE, URL_SAFE_NO_PAD};
use heapward_rules::reading::{Quantity, Unit};

use super::json::Json;
use super::mapping::{Mapping, Pattern};
use super::number::{self, Figure, SaidUnit};
use super::pointer::Pointer;
use super::reason::{Reason, Skip};
use super::rom::{Rom, hex};
use super::time_of::{self, OwnTime};
use crate::config::{ByteKind, Bytes, NumberStyle, PayloadFormat};
use crate::limits::{EACH_MAX, PAYLOAD_BYTES_MAX, TOPIC_BYTES_MAX};

/// What one message says about one probe.
#[derive(Clone, Debug, PartialEq)]
pub enum Decoded {
    /// Readings, and the reasons for those that could not be read beside them.
    Samples {
        samples: Vec<Sample>,
        refused: Vec<Reason>,
    },
    /// The publisher says of itself that it is there, or gone.
    Availability(bool),
    Skipped(Skip),
    Refused(Reason),
}

/// One value, not dated yet.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sample {
    pub quantity: Quantity,
    pub value: f64,
    pub unit: Unit,
    pub time: OwnTime,
}

// === impl Decoded ===

impl From<Result<Vec<Sample>, Reason>> for Decoded {
    fn from(read: Result<Vec<Sample>, Reason>) -> Decoded {
        match read {
            Ok(samples) => Decoded::Samples { samples, refused: Vec::new() },
            Err(reason) => Decoded::Refused(reason),
        }
    }
}

/// Reads a message by a probe's mapping.
pub fn decode(topic: &str, payload: &[u8], mapping: &Mapping) -> Decoded {
    if payload.is_empty() {
        return Decoded::Skipped(Skip::Empty);
    }
    let text = match text_of(topic, payload) {
        Ok(text) => text,
        Err(reason) => return Decoded::Refused(reason),
    };
    if let Some(words) = &mapping.availability {
        return availability(text, mapping, words);
    }
    match (&mapping.pattern, mapping.format) {
        (Some(pattern), _) => by_pattern(text, pattern, mapping).map(|sample| vec![sample]).into(),
        (None, PayloadFormat::Json) => by_pointers(text, mapping),
        (None, PayloadFormat::Text | PayloadFormat::Regex) => {
            plain(text, mapping).map(|sample| vec![sample]).into()
        }
    }
}

/// The text of a message, if it is one of a bearable size. Topics that are known to be binary are named as such.
pub fn text_of<'p>(topic: &str, payload: &'p [u8]) -> Result<&'p str, Reason> {
    if topic.len() > TOPIC_BYTES_MAX {
        return Err(Reason::TopicTooLong);
    }
    if payload.len() > PAYLOAD_BYTES_MAX {
        return Err(Reason::TooLarge);
    }
    if topic.starts_with("spBv1.0/") {
        return Err(Reason::Binary);
    }
    std::str::from_utf8(payload).map_err(|_| {
        // A degree sign of an old code page is a broken text; many control characters are no text at all.
        let control = payload.iter().filter(|b| b.is_ascii_control() && !b.is_ascii_whitespace()).count();
        if control > 0 { Reason::Binary } else { Reason::NotUtf8 }
    })
}

fn availability(text: &str, mapping: &Mapping, (online, offline): &(String, String)) -> Decoded {
    let word = match Json::read(text).as_ref().map(|json| mapping.value.find(json).ok().and_then(Json::text))
    {
        Ok(Some(word)) => word.to_lowercase(),
        _ => text.trim().to_lowercase(),
    };
    match word {
        word if word == *online => Decoded::Availability(true),
        word if word == *offline => Decoded::Availability(false),
        _ => Decoded::Refused(Reason::NoMatch),
    }
}

fn plain(text: &str, mapping: &Mapping) -> Result<Sample, Reason> {
    let switch = mapping.unit == Some(Unit::Switch);
    let figure = match number::state(text).filter(|_| switch) {
        Some(value) => Figure { value, unit: None },
        None => number::of_text(text, mapping.number)?,
    };
    sample(figure, None, mapping, OwnTime::None)
}

fn by_pattern(text: &str, pattern: &Pattern, mapping: &Mapping) -> Result<Sample, Reason> {
    let text = text.trim();
    let groups = pattern.regex.captures(text).ok_or(Reason::NoMatch)?;
    let value = groups.name("value").ok_or(Reason::NoMatch)?;
    let time = match groups.name("time") {
        Some(time) => time_of::of_text(time.as_str(), mapping.time_format, mapping.zone),
        None if pattern.has_time => OwnTime::Flawed(Reason::TimeMissing),
        None => OwnTime::None,
    };
    sample(number::of_text(value.as_str(), mapping.number)?, None, mapping, time)
}

fn by_pointers(text: &str, mapping: &Mapping) -> Decoded {
    let document = match Json::read(text) {
        Ok(document) => document,
        // A bare `nan` on a topic that carries bare numbers.
        Err(_) if number::is_no_value(text) => return Decoded::Refused(Reason::NoValue),
        Err(reason) => return Decoded::Refused(reason),
    };
    let in_document = mapping.guard.as_ref().map(|guard| passes(guard, &document));
    if in_document == Some(Some(false)) || (in_document == Some(None) && mapping.each.is_none()) {
        return Decoded::Skipped(Skip::Guard);
    }
    let Some(each) = &mapping.each else { return of_member(&document, mapping).into() };
    let guard = mapping.guard.as_ref().filter(|_| in_document == Some(None));
    match each.find(&document) {
        Ok(Json::Array(items)) if items.len() > EACH_MAX => Decoded::Refused(Reason::TooManyValues),
        Ok(Json::Array(items)) => {
            let ours =
                items.iter().filter(|item| guard.is_none_or(|guard| passes(guard, item) == Some(true)));
            of_items(ours, &document, mapping)
        }
        Ok(_) => Decoded::Refused(Reason::NoArray),
        Err(reason) => Decoded::Refused(reason),
    }
}

/// Whether the mark is there and right; `None` if it is not there.
fn passes((pointer, equals): &(Pointer, String), json: &Json<'_>) -> Option<bool> {
    pointer.find(json).ok().and_then(Json::text).map(|text| same_id(&text, equals))
}

/// The readings of a list. What stands in an item counts before what stands in the message around it.
fn of_items<'j, 'a: 'j>(
    items: impl Iterator<Item = &'j Json<'a>>,
    document: &Json<'a>,
    mapping: &Mapping,
) -> Decoded {
    let (mut samples, mut refused) = (Vec::new(), Vec::new());
    let mut any = false;
    for item in items {
        any = true;
        match of_place(item, &[item, document], mapping) {
            Ok(sample) => samples.push(sample),
            Err(reason) => refused.push(reason),
        }
    }
    if any { Decoded::Samples { samples, refused } } else { Decoded::Skipped(Skip::Guard) }
}

/// The readings of a message, or of the member that `select` finds in it: there, unit and time are the message's,
/// or else the member's.
fn of_member(document: &Json<'_>, mapping: &Mapping) -> Result<Vec<Sample>, Reason> {
    let place = match &mapping.select {
        None => document,
        Some(select) => {
            let has_id = |member: &&Json<'_>| {
                let id = select.key.find(member).ok().and_then(Json::text);
                id.is_some_and(|id| same_id(&id, &select.equals))
            };
            match select.container.find(document)? {
                Json::Array(items) => items.iter().find(has_id),
                Json::Object(members) => members.iter().map(|(_, member)| member).find(has_id),
                _ => return Err(Reason::NoArray),
            }
            .ok_or(Reason::NotSelected)?
        }
    };
    let first = of_place(place, &[document, place], mapping)?;
    Ok(std::iter::once(first).chain(battery(document, place, mapping, first.time)).collect())
}

/// EUIs and ROM ids are written in capitals and in small letters, with colons, dashes or none, ROM ids in several
/// orders. Short ids are compared as they stand.
fn same_id(found: &str, wanted: &str) -> bool {
    if found == wanted {
        return true;
    }
    let (Some(bare), Some(found_bare)) = (hex(wanted).filter(|bare| bare.len() >= 12), hex(found)) else {
        return false;
    };
    let rom = || Some(Rom::parse(found)?.is(&Rom::parse(wanted)?));
    bare == found_bare || rom() == Some(true)
}

fn of_place(place: &Json<'_>, around: &[&Json<'_>], mapping: &Mapping) -> Result<Sample, Reason> {
    let time = own_time(around, mapping);
    let json = mapping.value.find(place).map_err(|reason| no_decoder(reason, around, mapping))?;
    let figure = match mapping.bytes {
        Some(bytes) => Figure { value: of_bytes(json, bytes)?, unit: None },
        None => number::of_json(json, mapping.number, mapping.unit == Some(Unit::Switch))?,
    };
    let said = mapping.unit_from.as_ref().and_then(|pointer| first_found(pointer, around));
    let said = match said.map(|json| json.text().and_then(|word| number::unit_of(&word))) {
        Some(None) => return Err(Reason::UnknownUnit),
        Some(Some(unit)) => Some(unit),
        None => None,
    };
    sample(figure, said, mapping, time)
}

fn first_found<'j, 'a>(pointer: &Pointer, around: &[&'j Json<'a>]) -> Option<&'j Json<'a>> {
    around.iter().find_map(|json| pointer.find(json).ok())
}

fn own_time(around: &[&Json<'_>], mapping: &Mapping) -> OwnTime {
    let Some(pointer) = &mapping.time else { return OwnTime::None };
    match first_found(pointer, around) {
        Some(json) => time_of::of_json(json, mapping.time_format, mapping.zone),
        None => OwnTime::Flawed(Reason::TimeMissing),
    }
}

/// A network server without a decoder sends the bytes alone; that has another cure than a wrong pointer.
fn no_decoder(reason: Reason, around: &[&Json<'_>], mapping: &Mapping) -> Reason {
    let has = |path: &str| Pointer::parse(path, false).is_some_and(|raw| first_found(&raw, around).is_some());
    let raw = (has("/data") && !has("/object"))
        || (has("/uplink_message/frm_payload") && !has("/uplink_message/decoded_payload"));
    if reason == Reason::NoSuchField && mapping.bytes.is_none() && raw { Reason::NoDecoder } else { reason }
}

/// Unit and range of a figure that was read. The unit is never guessed.
fn sample(
    figure: Figure,
    said: Option<SaidUnit>,
    mapping: &Mapping,
    time: OwnTime,
) -> Result<Sample, Reason> {
    let value = figure.value;
    if mapping.reject.iter().any(|rejected| (rejected - value).abs() < 1e-9) {
        return Err(Reason::Rejected);
    }
    let (unit, value) = match (said.or(figure.unit), mapping.unit) {
        (None, None) => return Err(Reason::UnknownUnit),
        (None, Some(declared)) => (declared, value),
        (Some(SaidUnit::Known(said)), declared) if declared.is_none_or(|declared| declared == said) => {
            (said, value)
        }
        (Some(SaidUnit::Kelvin), None) => (Unit::Celsius, number::celsius_of_kelvin(value)),
        (Some(_), _) => return Err(Reason::UnitDiffers),
    };
    if figure.unit.is_some_and(|beside| said.is_some_and(|said| said != beside))
        || !number::fits(mapping.quantity, unit)
    {
        return Err(Reason::UnitDiffers);
    }
    Ok(Sample { quantity: mapping.quantity, value, unit, time })
}

/// Charge of the probe's own battery: volts where the field's name says so, else percent; a share of 0 to 1 where the
/// name ends in `_ok`. A battery that can't be read harms no reading.
fn battery(document: &Json<'_>, place: &Json<'_>, mapping: &Mapping, time: OwnTime) -> Option<Sample> {
    let pointer = mapping.battery.as_ref()?;
    let json = first_found(pointer, &[place, document])?;
    let value = number::of_json(json, NumberStyle::Lenient, true).ok()?.value;
    let name = pointer.last_step();
    let (unit, value) = match name.as_str() {
        name if name.ends_with("_v") || name.contains("volt") => (Unit::Volt, value),
        name if name.ends_with("_ok") => (Unit::Percent, value * 100.0),
        _ => (Unit::Percent, value),
    };
    Some(Sample { quantity: Quantity::Battery, value, unit, time })
}

fn of_bytes(json: &Json<'_>, bytes: Bytes) -> Result<f64, Reason> {
    let Json::Text(text) = json else {
        return Err(if *json == Json::Null { Reason::Null } else { Reason::BadBase64 });
    };
    let data = [STANDARD, URL_SAFE, STANDARD_NO_PAD, URL_SAFE_NO_PAD]
        .iter()
        .find_map(|engine| engine.decode(text.trim()).ok())
        .ok_or(Reason::BadBase64)?;
    let raw = number_at(data.get(bytes.at..).unwrap_or_default(), bytes.kind).ok_or(Reason::BytesTooShort)?;
    let value = number::scaled(raw, bytes.scale);
    if value.is_finite() { Ok(value + 0.0) } else { Err(Reason::NotFinite) }
}

fn number_at(data: &[u8], kind: ByteKind) -> Option<f64> {
    Some(match kind {
        ByteKind::U8 => f64::from(*data.first()?),
        ByteKind::I8 => f64::from(i8::from_be_bytes(*data.first_chunk()?)),
        ByteKind::U16Be => f64::from(u16::from_be_bytes(*data.first_chunk()?)),
        ByteKind::U16Le => f64::from(u16::from_le_bytes(*data.first_chunk()?)),
        ByteKind::I16Be => f64::from(i16::from_be_bytes(*data.first_chunk()?)),
        ByteKind::I16Le => f64::from(i16::from_le_bytes(*data.first_chunk()?)),
        ByteKind::F32Be => f64::from(f32::from_be_bytes(*data.first_chunk()?)),
        ByteKind::F32Le => f64::from(f32::from_le_bytes(*data.first_chunk()?)),
    })
}

#[cfg(test)]
mod tests;
