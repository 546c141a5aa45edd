//! The usual shapes of messages, and the mappings that read them.

use heapward_rules::ids::ProbeId;
use heapward_rules::reading::Quantity;
use heapward_rules::units::Span;

use super::fields::{Field, fields};
use super::names;
use crate::config::{Guard, Mapping, NumberStyle, ProbeConfig, Select};
use crate::ingest::json::Json;
use crate::ingest::number::unit_of;
use crate::ingest::pointer::escape;

/// A device among others in one message: where the list is, its id, and the member that it is.
struct Member<'j, 'a> {
    container: String,
    key: String,
    id: String,
    json: &'j Json<'a>,
}

/// Probes that could be read from a message, best guesses first.
pub(super) fn candidates(json: &Json<'_>, topic: &str) -> Vec<ProbeConfig> {
    if !matches!(json, Json::Array(_) | Json::Object(_)) {
        return bare(json, topic).into_iter().collect();
    }
    let mut found = Vec::new();
    let members = members(json, "");
    for member in &members {
        for field in measured(member.json) {
            found.push(of_member(member, &field, json, topic));
        }
    }
    if found.is_empty() {
        found = lists(json, topic);
    }
    if found.is_empty() {
        let all = measured(json);
        let is_alone = all.len() == 1;
        // A step by position would read another probe as soon as one is added.
        let fixed = all.into_iter().filter(|field| !field.pointer.split('/').any(is_position));
        found = fixed.map(|field| of_field(&field, json, topic, is_alone)).collect();
    }
    found
}

/// A number that is the whole message.
fn bare(json: &Json<'_>, topic: &str) -> Option<ProbeConfig> {
    let field = fields(json).into_iter().next()?;
    let quantity = names::quantity_of_topic(topic);
    let unit = names::unit_of(quantity, "", field.value);
    let mapping = Mapping { unit, number: style(&field), ..Mapping::default() };
    Some(probe(names::of_topic(topic), topic, quantity, mapping))
}

/// Members of lists and tables that carry the id of a device.
fn members<'j, 'a>(json: &'j Json<'a>, pointer: &str) -> Vec<Member<'j, 'a>> {
    let children: Vec<(String, &'j Json<'a>)> = match json {
        Json::Array(items) => {
            items.iter().enumerate().map(|(i, item)| (format!("{pointer}/{i}"), item)).collect()
        }
        Json::Object(members) => {
            members.iter().map(|(key, member)| (format!("{pointer}/{}", escape(key)), member)).collect()
        }
        _ => return Vec::new(),
    };
    let with_id = |child: &'j Json<'a>| {
        let Json::Object(members) = child else { return None };
        let (key, id) = members.iter().find(|(key, id)| names::is_id(key) && matches!(id, Json::Text(_)))?;
        let (container, key) = (pointer.to_owned(), format!("/{}", escape(key)));
        id.text().map(|id| Member { container, key, id: id.into_owned(), json: child })
    };
    let here: Vec<Member<'j, 'a>> = children.iter().filter_map(|(_, child)| with_id(child)).collect();
    if !here.is_empty() {
        return here;
    }
    children.iter().flat_map(|(pointer, child)| members(child, pointer)).collect()
}

fn of_member(member: &Member<'_, '_>, field: &Field, document: &Json<'_>, topic: &str) -> ProbeConfig {
    let quantity = names::quantity_of(&field.name).unwrap_or(Quantity::Temperature);
    let select =
        Select { container: member.container.clone(), key: member.key.clone(), equals: member.id.clone() };
    let mut mapping = mapping(field, quantity, document);
    mapping.select = Some(select);
    let id = names::of_id(&member.id);
    let is_temperature = quantity == Quantity::Temperature;
    let id = if is_temperature { id } else { format!("{id}-{}", names::plain(&field.name)) };
    probe(id, topic, quantity, mapping)
}

/// Lists of readings with times of their own: what a gateway has kept back.
fn lists(json: &Json<'_>, topic: &str) -> Vec<ProbeConfig> {
    let places: Vec<(String, &Json<'_>)> = match json {
        Json::Array(_) => vec![(String::new(), json)],
        Json::Object(members) => {
            members.iter().map(|(key, member)| (format!("/{}", escape(key)), member)).collect()
        }
        _ => Vec::new(),
    };
    let mut found = Vec::new();
    for (pointer, list) in places {
        let Json::Array(items) = list else { continue };
        let Some(item) = items.last().filter(|item| time_of(item).is_some()) else { continue };
        for field in measured(item) {
            let quantity = names::quantity_of(&field.name).unwrap_or(Quantity::Temperature);
            let mut mapping = mapping(&field, quantity, item);
            mapping.each = Some(pointer.clone());
            let guard = guard_of(json);
            let id =
                guard.as_ref().map_or_else(|| names::of_topic(topic), |guard| names::of_id(&guard.equals));
            mapping.guard = guard;
            found.push(probe(id, topic, quantity, mapping));
        }
    }
    found
}

fn of_field(field: &Field, document: &Json<'_>, topic: &str, is_alone: bool) -> ProbeConfig {
    let quantity = names::quantity_of(&field.name).unwrap_or(Quantity::Temperature);
    let mut mapping = mapping(field, quantity, document);
    mapping.guard = guard_of(document);
    let device = match &mapping.guard {
        Some(guard) => names::plain(&format!("{}-{}", names::of_topic(topic), guard.equals)),
        None => device_of(document).unwrap_or_else(|| names::of_topic(topic)),
    };
    let id = if is_alone { device } else { format!("{device}-{}", names::plain(&field.name)) };
    probe(id, topic, quantity, mapping)
}

/// Fields whose names say that they measure something for us. A single number of another name is one too.
fn measured(json: &Json<'_>) -> Vec<Field> {
    let all = fields(json);
    let is_time = |field: &Field| time_rank(json, field).is_some();
    let names_it = |field: &&Field| names::quantity_of(&field.name).is_some() && !is_time(field);
    let known: Vec<Field> = all.iter().filter(names_it).cloned().collect();
    if !known.is_empty() {
        return known;
    }
    let could_be = |field: &&Field| {
        let name = field.name.to_ascii_lowercase();
        !is_time(field) && !names::is_id(&name) && !name.contains("batt") && !name.contains("unit")
    };
    let others: Vec<&Field> = all.iter().filter(could_be).collect();
    let value = others.iter().find(|field| field.name.eq_ignore_ascii_case("value"));
    match (value, others.as_slice()) {
        (Some(field), _) | (None, [field]) => vec![(*field).clone()],
        (None, _) => Vec::new(),
    }
}

/// Whether a number is a time.
fn time_rank(json: &Json<'_>, field: &Field) -> Option<usize> {
    let found = crate::ingest::pointer::Pointer::parse(&field.pointer, true)?;
    let value = found.find(json).ok()?;
    names::time_rank(&field.name).filter(|_| names::time_format(value).is_some())
}

/// A field that could be the time of a message.
struct Time<'j, 'a> {
    depth: usize,
    rank: usize,
    pointer: String,
    value: &'j Json<'a>,
}

/// Pointer and value of the time of a message: the shallowest place, then the best name.
fn time_of<'j, 'a>(json: &'j Json<'a>) -> Option<(String, &'j Json<'a>)> {
    let mut found = Vec::new();
    times(json, "", 0, &mut found);
    let best = found.into_iter().min_by_key(|time: &Time<'_, '_>| (time.depth, time.rank))?;
    Some((best.pointer, best.value))
}

fn times<'j, 'a>(json: &'j Json<'a>, pointer: &str, depth: usize, found: &mut Vec<Time<'j, 'a>>) {
    let Json::Object(members) = json else { return };
    for (key, value) in members {
        let pointer = format!("{pointer}/{}", escape(key));
        if let (Some(rank), Some(_)) = (names::time_rank(key), names::time_format(value)) {
            found.push(Time { depth, rank, pointer: pointer.clone(), value });
        }
        times(value, &pointer, depth + 1, found);
    }
}

fn mapping(field: &Field, quantity: Quantity, document: &Json<'_>) -> Mapping {
    let mut mapping = Mapping { value: field.pointer.clone(), number: style(field), ..Mapping::default() };
    match said_unit(document).filter(|_| quantity == Quantity::Temperature) {
        Some(pointer) => mapping.unit_from = Some(pointer),
        None => mapping.unit = names::unit_of(quantity, &field.name, field.value),
    }
    if let Some((pointer, value)) = time_of(document) {
        mapping.time_format = names::time_format(value).unwrap_or_default();
        mapping.time = Some(pointer);
    }
    mapping.battery = battery(document);
    mapping
}

fn style(field: &Field) -> NumberStyle {
    if field.in_quotes { NumberStyle::Lenient } else { NumberStyle::Strict }
}

/// Where the message says its unit of temperature.
fn said_unit(document: &Json<'_>) -> Option<String> {
    let Json::Object(members) = document else { return None };
    let says = |(key, value): &&(std::borrow::Cow<'_, str>, Json<'_>)| {
        key.to_ascii_lowercase().contains("unit") && value.text().is_some_and(|word| unit_of(&word).is_some())
    };
    members.iter().find(says).map(|(key, _)| format!("/{}", escape(key)))
}

fn battery(document: &Json<'_>) -> Option<String> {
    let found = fields(document).into_iter().find(|field| {
        let name = field.name.to_ascii_lowercase();
        name.starts_with("bat") && !field.pointer.split('/').any(is_position)
    });
    found.map(|field| field.pointer)
}

/// A mark by which this device's messages are told from others on the same topic.
fn guard_of(document: &Json<'_>) -> Option<Guard> {
    let guard = |key: &str| {
        let equals = document.member(key)?.text()?.into_owned();
        Some(Guard { pointer: format!("/{}", escape(key)), equals })
    };
    guard("probe").or_else(|| document.member("model").and_then(|_| guard("id")))
}

/// The EUI of a radio node, where its network server says it.
fn device_of(document: &Json<'_>) -> Option<String> {
    let eui = ["deviceInfo", "end_device_ids"].into_iter().find_map(|part| document.member(part));
    let eui = eui.and_then(|part| part.member("devEui").or_else(|| part.member("dev_eui")));
    eui.and_then(Json::text).map(|eui| names::of_id(&eui))
}

fn is_position(step: &str) -> bool {
    !step.is_empty() && step.bytes().all(|b| b.is_ascii_digit())
}

pub(super) fn probe(id: String, topic: &str, quantity: Quantity, mapping: Mapping) -> ProbeConfig {
    ProbeConfig { id: ProbeId::new(id), quantity, topic: topic.to_owned(), every: Span::minutes(5), mapping }
}
