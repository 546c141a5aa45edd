//! What the names of fields and topics tell: quantity, unit, id, time.

use heapward_rules::reading::{Quantity, Unit};

use crate::config::TimeFormat;
use crate::ingest::json::Json;
use crate::ingest::rom::{Rom, hex};

/// Parts of topics that name no device.
const COMMON_LEVELS: [&str; 24] = [
    "tele",
    "stat",
    "cmnd",
    "sensor",
    "sensors",
    "state",
    "status",
    "up",
    "event",
    "events",
    "device",
    "devices",
    "application",
    "v3",
    "value",
    "data",
    "json",
    "mqtt",
    "hub",
    "rtl_433",
    "zigbee2mqtt",
    "binary_sensor",
    "statestream",
    "homeassistant",
];

/// Fields that name the instant of a reading, the best first.
const TIME_NAMES: [&str; 9] =
    ["time", "timestamp", "ts", "last_seen", "received_at", "datetime", "date", "t", "at"];

/// Fields that name a device.
const ID_NAMES: [&str; 10] =
    ["rom", "id", "address", "addr", "eui", "deveui", "dev_eui", "mac", "serial", "uuid"];

/// What a field of this name measures, if the name tells.
pub(super) fn quantity_of(name: &str) -> Option<Quantity> {
    let name = name.to_ascii_lowercase();
    let has = |parts: &[&str]| parts.iter().any(|part| name.contains(part));
    let is = |names: &[&str]| names.contains(&name.as_str());
    if has(&["batt", "bat_", "rssi", "snr", "lqi", "linkquality", "pressure", "dew", "offset", "min", "max"])
    {
        None
    } else if has(&["temp"])
        || is(&["c", "f", "t", "tc", "tf", "degc", "degf"])
        || name.starts_with("t_")
        || is_numbered_t(&name)
    {
        Some(Quantity::Temperature)
    } else if has(&["moist", "soil", "vwc", "water"]) {
        Some(Quantity::Moisture)
    } else if has(&["oxygen"]) || is(&["o2"]) {
        Some(Quantity::Oxygen)
    } else if is(&["power", "watt", "watts", "apower", "w"]) {
        Some(Quantity::Blower)
    } else {
        None
    }
}

/// `t1`, `t12`
fn is_numbered_t(name: &str) -> bool {
    let digits = name.strip_prefix('t').filter(|digits| (1..=2).contains(&digits.len()));
    digits.is_some_and(|digits| digits.bytes().all(|byte| byte.is_ascii_digit()))
}

/// What a topic of bare numbers is likely to measure: temperature, unless its name says otherwise.
pub(super) fn quantity_of_topic(topic: &str) -> Quantity {
    let levels =
        topic.rsplit('/').filter(|level| !COMMON_LEVELS.contains(&level.to_ascii_lowercase().as_str()));
    levels.take(2).find_map(quantity_of).unwrap_or(Quantity::Temperature)
}

/// The unit that a field's name and value make likely; for temperatures it is asked for in any case.
pub(super) fn unit_of(quantity: Quantity, name: &str, value: f64) -> Option<Unit> {
    let name = name.to_ascii_lowercase();
    let ends = |ends: &[&str]| ends.iter().any(|end| name.ends_with(end));
    match quantity {
        Quantity::Temperature if ends(&["_f", "degf", "fahrenheit"]) || name == "f" => Some(Unit::Fahrenheit),
        Quantity::Temperature if ends(&["_c", "degc", "celsius"]) || name == "c" => Some(Unit::Celsius),
        // 82 C is 180 F: no pile is hotter, unless it burns.
        Quantity::Temperature if value > 82.0 => Some(Unit::Fahrenheit),
        Quantity::Temperature => Some(Unit::Celsius),
        Quantity::Moisture | Quantity::Oxygen => Some(Unit::Percent),
        Quantity::Blower => Some(Unit::Watt),
        Quantity::Battery => None,
    }
}

/// Place of a name among those that name a time; the smallest is the best.
pub(super) fn time_rank(name: &str) -> Option<usize> {
    let name = name.to_ascii_lowercase();
    TIME_NAMES.iter().position(|known| *known == name)
}

/// The format of a time, by how it looks. Only times of this century are times.
pub(super) fn time_format(json: &Json<'_>) -> Option<TimeFormat> {
    match json {
        Json::Whole(1_000_000_000..=4_102_444_800) => Some(TimeFormat::EpochSeconds),
        Json::Whole(1_000_000_000_000..=4_102_444_800_000) => Some(TimeFormat::EpochMillis),
        Json::Float(number) if (1e9..4.2e9).contains(number) => Some(TimeFormat::EpochSeconds),
        Json::Text(text) => {
            let bytes = text.as_bytes();
            let is_date = bytes.len() >= 19 && bytes.get(4) == Some(&b'-') && bytes.get(13) == Some(&b':');
            let zone = text.get(19..)?;
            let has_zone = zone.ends_with(['Z', 'z']) || zone.contains(['+', '-']);
            is_date.then_some(if has_zone { TimeFormat::Rfc3339 } else { TimeFormat::Naive })
        }
        _ => None,
    }
}

pub(super) fn is_id(name: &str) -> bool {
    ID_NAMES.contains(&name.to_ascii_lowercase().as_str())
}

/// A name for a probe by the id of its hardware: a ROM code of 1-wire as `28-` and twelve digits, an EUI in small
/// letters, anything else as it stands.
pub(super) fn of_id(id: &str) -> String {
    match (Rom::parse(id), hex(id)) {
        // The short form leaves the family away.
        (Some(Rom { family, serial }), _) => format!("{:02x}-{serial}", family.unwrap_or(0x28)),
        (None, Some(bare)) if bare.len() == 16 => bare,
        _ => plain(id),
    }
}

/// A name by the levels of a topic that tell devices apart.
pub(super) fn of_topic(topic: &str) -> String {
    let levels: Vec<&str> = topic
        .split('/')
        .filter(|level| !COMMON_LEVELS.contains(&level.to_ascii_lowercase().as_str()))
        .collect();
    let from = levels.len().saturating_sub(2);
    let last = levels.get(from..).unwrap_or_default().join("-");
    plain(&last)
}

/// Letters, digits, `-`, `_` and `.`, as ids are written.
pub(super) fn plain(text: &str) -> String {
    let mut plain: String = text
        .chars()
        .map(|c| if c.is_ascii_alphanumeric() || matches!(c, '_' | '.') { c } else { '-' })
        .collect();
    plain.make_ascii_lowercase();
    plain.truncate(40);
    let plain = plain.trim_matches('-');
    if plain.is_empty() { "probe".to_owned() } else { plain.to_owned() }
}
