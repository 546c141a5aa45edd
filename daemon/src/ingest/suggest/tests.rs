//! What is proposed for the usual messages; every block reads back as the probe that it stands for.

use std::fmt::Write as _;

use super::*;
use crate::config::read::read;
use crate::ingest::status::printable;
use crate::model::reading::unit_word;

/// What is proposed, one a line: id, value now, and the keys that matter.
fn said(suggestion: &Suggestion) -> Vec<String> {
    let of = |proposal: &Proposal| {
        let mapping = &proposal.probe.mapping;
        let unit = mapping
            .unit_from
            .as_ref()
            .map_or_else(|| unit_word(proposal.unit).to_owned(), |from| format!("by {from}"));
        let mut line =
            format!("{} = {} {unit}, value {:?}", proposal.probe.id, proposal.value, mapping.value);
        if let Some(select) = &mapping.select {
            let _ = write!(line, ", select {:?} {} {}", select.container, select.key, select.equals);
        }
        if let Some(guard) = &mapping.guard {
            let _ = write!(line, ", guard {} {}", guard.pointer, guard.equals);
        }
        if let Some(each) = &mapping.each {
            let _ = write!(line, ", each {each}");
        }
        if let Some(time) = &mapping.time {
            let _ = write!(line, ", time {time} {:?}", mapping.time_format);
        }
        if let Some(battery) = &mapping.battery {
            let _ = write!(line, ", battery {battery}");
        }
        line
    };
    suggestion.proposals.iter().map(of).collect()
}

#[track_caller]
fn check(topic: &str, payload: &str, expected: &[&str]) {
    let suggestion = suggest(topic, payload.as_bytes(), None);
    assert_eq!(said(&suggestion), expected, "{topic} {}", printable(payload.as_bytes(), 200));
    for proposal in &suggestion.proposals {
        reads_back(&proposal.probe);
    }
}

#[track_caller]
fn reads_back(probe: &ProbeConfig) {
    let block = block(probe);
    let text = format!("[farm]\nname = \"Quillback\"\ntimezone = \"America/New_York\"\n[endpoint]\n{block}");
    let config = read("test", &text, std::path::Path::new("/"), None)
        .unwrap_or_else(|problems| panic!("{problems}\n{block}"));
    let mut expected = probe.clone();
    if expected.mapping.time_format == config::TimeFormat::Naive {
        expected.mapping.zone = Some(chrono_tz::America::New_York);
    }
    assert_eq!(format!("{:?}", config.probes[0]), format!("{expected:?}"), "{block}");
}

#[test]
fn bare_numbers() {
    check("shed-node/sensor/k1_core/state", "62.4", &["shed-node-k1_core = 62.4 C, value \"\""]);
    check("quillback/k2", "144.3", &["quillback-k2 = 144.3 F, value \"\""]);
    check("quillback/k2", "\"144.3\"", &["quillback-k2 = 144.3 F, value \"\""]);
    check("barn/esp7/temp1", "62,4", &["esp7-temp1 = 62.4 C, value \"\""]);
    check("barn/esp8/temp1", "144.3 °F", &["esp8-temp1 = 144.3 F, value \"\""]);
    check("barn/esp8/moisture", "41", &["esp8-moisture = 41 %, value \"\""]);
    for nothing in ["", "nan", "online", "{broken", "{}", "[]"] {
        check("barn/esp8/state", nothing, &[]);
    }
    assert!(suggest("barn/k1", b"nan", None).remark.unwrap().contains("alive"));
    assert!(suggest("barn/k1", b"{broken", None).remark.unwrap().contains("no JSON"));
    assert!(suggest("spBv1.0/a/NDATA/b", b"\x08\x01", None).remark.unwrap().contains("binary"));
}

#[test]
fn wire_probes_are_found_by_their_id() {
    let one =
        r#"{"Time":"2026-05-02T06:10:00","DS18B20":{"Id":"28AA3C5190B4","Temperature":62.4},"TempUnit":"C"}"#;
    let by_id = |id: &str, value: &str| {
        format!(
            "28-{} = {value} by /TempUnit, value \"/Temperature\", select \"\" /Id {id}, time /Time Naive",
            id.to_lowercase()
        )
    };
    check("tele/quillback-shed/SENSOR", one, &[&by_id("28AA3C5190B4", "62.4")]);
    let two = r#"{"Time":"2026-05-02T06:15:00","DS18B20-1":{"Id":"28AA3C5190B4","Temperature":62.3},"DS18B20-2":{"Id":"28AA3C51D207","Temperature":48.9},"TempUnit":"C"}"#;
    check(
        "tele/quillback-shed/SENSOR",
        two,
        &[&by_id("28AA3C5190B4", "62.3"), &by_id("28AA3C51D207", "48.9")],
    );
    let list = r#"{"ts":"2026-05-02T10:15:00Z","sensors":[{"rom":"28-90b4513caa28","c":62.38}]}"#;
    let expected =
        "28-90b4513caa28 = 62.38 C, value \"/c\", select \"/sensors\" /rom 28-90b4513caa28, time /ts Rfc3339";
    check("quillback/gate/onewire", list, &[expected]);
    // As the bus has it: the same probe as 28-07aa3c5190b4.
    let bus = r#"{"sensors":[{"rom":"28 B4 90 51 3C AA 07 CA","c":62.38}]}"#;
    let expected =
        "28-07aa3c5190b4 = 62.38 C, value \"/c\", select \"/sensors\" /rom 28 B4 90 51 3C AA 07 CA";
    check("quillback/gate/onewire", bus, &[expected]);
}

#[test]
fn radio_sensors() {
    let bridge = r#"{"battery":81,"humidity":74.2,"linkquality":63,"temperature":9.8,"last_seen":"2026-05-02T06:12:44-04:00"}"#;
    let expected = "k4-air = 9.8 C, value \"/temperature\", time /last_seen Rfc3339, battery /battery";
    check("zigbee2mqtt/k4-air", bridge, &[expected]);
    let stem = r#"{"time":"2026-05-02 06:14:03","model":"Stem","id":3308,"channel":2,"battery_ok":1,"temperature_F":143.1}"#;
    let expected = "receiver-shed-3308 = 143.1 F, value \"/temperature_F\", guard /id 3308, time /time Naive, battery /battery_ok";
    check("receiver/shed/events", stem, &[expected]);
    let soil = r#"{"time":"2026-05-02 06:16:30","model":"Soil","id":91,"moisture":41}"#;
    let expected = "receiver-shed-91 = 41 %, value \"/moisture\", guard /id 91, time /time Naive";
    check("receiver/shed/events", soil, &[expected]);
}

#[test]
fn radio_network_servers() {
    let topic = "application/7d0b/device/70b3d57ed0a1c2e3/event/up";
    let decoded = r#"{"time":"2026-05-02T10:11:58.412+00:00","deviceInfo":{"devEui":"70b3d57ed0a1c2e3"},"fCnt":1042,"data":"GGATGg==","object":{"t_core":62.4,"t_toe":48.9,"bat_v":3.41}}"#;
    let line = |name: &str, value: &str| {
        format!(
            "70b3d57ed0a1c2e3-{name} = {value} C, value \"/object/{name}\", time /time Rfc3339, battery /object/bat_v"
        )
    };
    check(topic, decoded, &[&line("t_core", "62.4"), &line("t_toe", "48.9")]);
    let stack = r#"{"end_device_ids":{"dev_eui":"70B3D57ED0A1C2E3"},"received_at":"2026-05-02T10:11:59.020Z","uplink_message":{"decoded_payload":{"temperature_1":58.2}}}"#;
    let expected = "70b3d57ed0a1c2e3 = 58.2 C, value \"/uplink_message/decoded_payload/temperature_1\", time /received_at Rfc3339";
    check("v3/heaps@quillback/devices/k3-lance/up", stack, &[expected]);
}

#[test]
fn lists_of_readings_and_odd_names() {
    let batch = r#"{"probe":"k2","readings":[{"t":1777713300,"c":62.1},{"t":1777714200,"c":62.2}]}"#;
    let expected = "k2 = 62.2 C, value \"/c\", guard /probe k2, each /readings, time /t EpochSeconds";
    check("quillback/gate/batch", batch, &[expected]);
    let plc = r#"{"bay 1/core":{"t~avg":143.6},"ts":1777716900}"#;
    let expected = "plc-all = 143.6 F, value \"/bay 1~1core/t~0avg\", time /ts EpochSeconds";
    check("quillback/plc/all", plc, &[expected]);
    let plug = r#"{"Time":"2026-05-02T06:15:00","ENERGY":{"Power":118,"Voltage":121,"Today":0.31}}"#;
    check("tele/blower-1/SENSOR", plug, &["blower-1 = 118 W, value \"/ENERGY/Power\", time /Time Naive"]);
    let object = r#"{"value":144.3,"unit":"degF","timestamp":"2026-05-02T06:15:00.000-04:00"}"#;
    check(
        "quillback/plc/k1",
        object,
        &["plc-k1 = 144.3 by /unit, value \"/value\", time /timestamp Rfc3339"],
    );
}

#[test]
fn the_unit_is_asked_for() {
    let question = |payload: &str| {
        suggest("quillback/k1", payload.as_bytes(), None).proposals.remove(0).question.unwrap()
    };
    assert_eq!(question("62"), "It reads 62 C = 144 F now. Right?");
    assert_eq!(question("144"), "It reads 62 C = 144 F now. Right?");
}

#[test]
fn the_blocks_of_all_keys_read_back() {
    let keys = [
        config::Mapping {
            value: "/a b/c~1d".to_owned(),
            unit: Some(Unit::Celsius),
            time: Some("/t".to_owned()),
            time_format: config::TimeFormat::Naive,
            time_fallback_arrival: true,
            guard: Some(config::Guard { pointer: "/q\"uo'te".to_owned(), equals: "x\\y".to_owned() }),
            reject: vec![-127.0, 850.5],
            number: NumberStyle::Lenient,
            battery: Some("/bat".to_owned()),
            ..config::Mapping::default()
        },
        config::Mapping {
            value: "/0/c".to_owned(),
            fixed_order: true,
            unit_from: Some("/u".to_owned()),
            ..config::Mapping::default()
        },
        config::Mapping {
            format: PayloadFormat::Regex,
            pattern: Some(r"^(?P<time>\d{10}):(?P<value>-?\d+)$".to_owned()),
            time_format: config::TimeFormat::EpochSeconds,
            unit: Some(Unit::Celsius),
            ..config::Mapping::default()
        },
        config::Mapping {
            value: "/data".to_owned(),
            bytes: Some(config::Bytes { at: 2, kind: config::ByteKind::I16Be, scale: 0.01 }),
            unit: Some(Unit::Fahrenheit),
            ..config::Mapping::default()
        },
    ];
    for mapping in keys {
        let mut probe = shape::probe("k1".to_owned(), "quillback/+/k1", Quantity::Temperature, mapping);
        probe.every = Span::seconds(90);
        reads_back(&probe);
    }
    let blower =
        config::Mapping { unit: Some(Unit::Watt), on_above: Some(20.0), ..config::Mapping::default() };
    reads_back(&shape::probe("b1".to_owned(), "quillback/blower", Quantity::Blower, blower));
    let calibration = vec![(18.0, 30.0), (63.0, 68.5)];
    let soil = config::Mapping { unit: Some(Unit::Raw), calibration, ..config::Mapping::default() };
    reads_back(&shape::probe("m1".to_owned(), "quillback/soil", Quantity::Moisture, soil));
}
