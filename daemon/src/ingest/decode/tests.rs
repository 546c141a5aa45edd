//! The shapes in which probes, bridges and network servers speak, at Quillback Farm; then what must not be read.

use super::*;
use crate::config::{self, Guard, ProbeConfig, Select, TimeFormat};
use crate::model::reading::unit_word;
use crate::model::time::rfc3339;
use heapward_rules::ids::ProbeId;
use heapward_rules::units::Span;

type Keys = config::Mapping;

fn probe(quantity: Quantity, keys: Keys) -> ProbeConfig {
    let topic = "#".to_owned();
    ProbeConfig { id: ProbeId::new("k1"), quantity, topic, every: Span::minutes(5), mapping: keys }
}

fn celsius(value: &str) -> Keys {
    Keys { value: value.to_owned(), unit: Some(Unit::Celsius), ..Keys::default() }
}

fn fahrenheit(value: &str) -> Keys {
    Keys { unit: Some(Unit::Fahrenheit), ..celsius(value) }
}

fn unit_at(value: &str, pointer: &str) -> Keys {
    Keys { unit: None, unit_from: Some(pointer.to_owned()), ..celsius(value) }
}

fn timed(keys: Keys, pointer: &str, format: TimeFormat) -> Keys {
    let zone = (format == TimeFormat::Naive).then_some(chrono_tz::America::New_York);
    Keys { time: Some(pointer.to_owned()), time_format: format, zone, ..keys }
}

fn guarded(keys: Keys, pointer: &str, equals: &str) -> Keys {
    Keys { guard: Some(Guard { pointer: pointer.to_owned(), equals: equals.to_owned() }), ..keys }
}

fn selected(keys: Keys, container: &str, key: &str, equals: &str) -> Keys {
    let select = Select { container: container.to_owned(), key: key.to_owned(), equals: equals.to_owned() };
    Keys { select: Some(select), ..keys }
}

fn said(decoded: &Decoded) -> String {
    let of = |sample: &Sample| {
        let time = match sample.time {
            OwnTime::None => "by arrival".to_owned(),
            OwnTime::At(at) => rfc3339(at),
            OwnTime::Twice { first, second } => format!("{} or {}", rfc3339(first), rfc3339(second)),
            OwnTime::Flawed(reason) => reason.word().to_owned(),
        };
        format!("{} {}, {time}", sample.value, unit_word(sample.unit))
    };
    match decoded {
        Decoded::Samples { samples, refused } => {
            let all = samples.iter().map(of).chain(refused.iter().map(|reason| reason.word().to_owned()));
            all.collect::<Vec<_>>().join("; ")
        }
        Decoded::Availability(there) => format!("there: {there}"),
        Decoded::Skipped(skip) => format!("skipped: {skip:?}"),
        Decoded::Refused(reason) => reason.word().to_owned(),
    }
}

#[track_caller]
fn check_of(quantity: Quantity, topic: &str, payload: &[u8], keys: Keys, expected: &str) {
    let mapping = Mapping::new(&probe(quantity, keys)).unwrap();
    let decoded = decode(topic, payload, &mapping);
    assert_eq!(said(&decoded), expected, "{topic} {}", String::from_utf8_lossy(payload));
}

#[track_caller]
fn check(topic: &str, payload: &str, keys: Keys, expected: &str) {
    check_of(Quantity::Temperature, topic, payload.as_bytes(), keys, expected);
}

const SENSOR: &str = "tele/quillback-shed/SENSOR";
const CORE: &str = "28AA3C5190B4";
const TOE: &str = "28AA3C51D207";

#[test]
fn bare_numbers_on_a_topic_of_their_own() {
    let topic = "shed-node/sensor/k1/state";
    check(topic, "62.4", celsius(""), "62.4 C, by arrival");
    check(topic, "nan", celsius(""), "no-value");
    check(topic, "", celsius(""), "skipped: Empty");
    let text = |number| Keys { format: PayloadFormat::Text, number, ..celsius("") };
    check(topic, "62,4", text(NumberStyle::Comma), "62.4 C, by arrival");
    check(topic, "62,4", text(NumberStyle::Strict), "not-a-number");
    let suffix = Keys { unit: Some(Unit::Fahrenheit), ..text(NumberStyle::Suffix) };
    check(topic, "144.3 °F", suffix.clone(), "144.3 F, by arrival");
    check(topic, "62.4 °C", suffix.clone(), "unit-differs");
    check_of(Quantity::Temperature, topic, b"144.3 \xb0F", suffix, "not-utf8");
    for word in ["unavailable", "unknown", "not available", "None", "-", "ERR", "--", " \n"] {
        check(topic, word, text(NumberStyle::Strict), "no-value");
    }
}

#[test]
fn availability_is_a_hint_and_no_reading() {
    let words = Keys {
        format: PayloadFormat::Text,
        availability: Some(("online".to_owned(), "offline".to_owned())),
        ..Keys::default()
    };
    check("shed-node/status", "offline", words.clone(), "there: false");
    check("tele/quillback-shed/LWT", "Online", words.clone(), "there: true");
    check("tele/quillback-shed/LWT", "asleep", words.clone(), "no-match");
    let field = Keys { value: "/state".to_owned(), ..words };
    check("bridge/k1/availability", r#"{"state":"online"}"#, field, "there: true");
}

#[test]
fn node_firmware_with_wire_probes() {
    let naive = |keys| timed(keys, "/Time", TimeFormat::Naive);
    let one =
        r#"{"Time":"2026-05-02T06:10:00","DS18B20":{"Id":"28AA3C5190B4","Temperature":62.4},"TempUnit":"C"}"#;
    let by_name = naive(unit_at("/DS18B20/Temperature", "/TempUnit"));
    check(SENSOR, one, by_name.clone(), "62.4 C, 2026-05-02T10:10:00.000Z");

    let two = r#"{"Time":"2026-05-02T06:15:00","DS18B20-1":{"Id":"28AA3C5190B4","Temperature":62.3},
                 "DS18B20-2":{"Id":"28AA3C51D207","Temperature":48.9},"TempUnit":"C"}"#;
    check(SENSOR, two, by_name.clone(), "no-such-field");
    let toe = selected(naive(unit_at("/Temperature", "/TempUnit")), "", "/Id", TOE);
    let core = selected(naive(unit_at("/Temperature", "/TempUnit")), "", "/Id", CORE);
    check(SENSOR, two, toe.clone(), "48.9 C, 2026-05-02T10:15:00.000Z");
    check(SENSOR, two, core.clone(), "62.3 C, 2026-05-02T10:15:00.000Z");
    check(SENSOR, one, toe.clone(), "not-selected");

    let in_f = r#"{"Time":"2026-05-02T06:15:00","DS18B20":{"Id":"28AA3C5190B4","Temperature":144.3},"TempUnit":"F"}"#;
    check(SENSOR, in_f, by_name.clone(), "144.3 F, 2026-05-02T10:15:00.000Z");
    let both = Keys { unit: Some(Unit::Celsius), ..by_name.clone() };
    check(SENSOR, in_f, both.clone(), "unit-differs");
    check(SENSOR, one, both, "62.4 C, 2026-05-02T10:10:00.000Z");

    let reset = r#"{"Time":"2026-05-02T06:20:00","DS18B20-1":{"Id":"28AA3C5190B4","Temperature":85.0},
                   "DS18B20-2":{"Id":"28AA3C51D207","Temperature":-127.0},"TempUnit":"C"}"#;
    let reject = vec![-127.0, 127.94, 850.0, -999.0, -9999.0];
    check(SENSOR, reset, Keys { reject: reject.clone(), ..toe }, "rejected");
    check(SENSOR, reset, Keys { reject, ..core }, "85 C, 2026-05-02T10:20:00.000Z");

    let unset =
        r#"{"Time":"1970-01-01T00:03:12","DS18B20":{"Id":"28AA3C5190B4","Temperature":61.9},"TempUnit":"C"}"#;
    check(SENSOR, unset, by_name, "61.9 C, 1970-01-01T05:03:12.000Z");
}

#[test]
fn radio_bridges() {
    let topic = "bridge/k4-air";
    let seen = |format| timed(celsius("/temperature"), "/last_seen", format);
    let iso = r#"{"battery":81,"humidity":74.2,"linkquality":63,"temperature":9.8,"last_seen":"2026-05-02T06:12:44-04:00"}"#;
    check(topic, iso, seen(TimeFormat::Rfc3339), "9.8 C, 2026-05-02T10:12:44.000Z");
    let epoch = r#"{"battery":64,"temperature":10.1,"last_seen":1777716764000}"#;
    check(topic, epoch, seen(TimeFormat::EpochMillis), "10.1 C, 2026-05-02T10:12:44.000Z");
    let null = r#"{"temperature":null,"humidity":74.1,"last_seen":"2026-05-02T06:17:44-04:00"}"#;
    check(topic, null, seen(TimeFormat::Rfc3339), "null");
    let battery = Keys { battery: Some("/battery".to_owned()), ..seen(TimeFormat::EpochMillis) };
    check(topic, epoch, battery, "10.1 C, 2026-05-02T10:12:44.000Z; 64 %, 2026-05-02T10:12:44.000Z");
}

#[test]
fn radio_receivers_that_hear_the_neighbours_too() {
    let topic = "receiver/shed/events";
    let stem = guarded(timed(fahrenheit("/temperature_F"), "/time", TimeFormat::Naive), "/id", "3308");
    let ours = r#"{"time":"2026-05-02 06:14:03","model":"Stem","id":3308,"channel":2,"battery_ok":1,"temperature_F":143.1}"#;
    check(topic, ours, stem.clone(), "143.1 F, 2026-05-02T10:14:03.000Z");
    let theirs = r#"{"time":"2026-05-02 06:14:09","model":"Stem","id":77,"channel":1,"temperature_F":51.4}"#;
    check(topic, theirs, stem.clone(), "skipped: Guard");
    check(topic, r#"{"time":"2026-05-02 06:14:09","model":"Rain"}"#, stem.clone(), "skipped: Guard");
    check(topic, &ours.replace("3308", "\"3308\""), stem, "143.1 F, 2026-05-02T10:14:03.000Z");

    let soil = r#"{"time":"2026-05-02 06:16:30","model":"Soil","id":91,"battery_ok":0.4,"moisture":41}"#;
    let calibration = vec![(18.0, 30.0), (41.0, 52.0), (63.0, 68.0)];
    let raw = Keys {
        unit: Some(Unit::Raw),
        calibration,
        battery: Some("/battery_ok".to_owned()),
        ..celsius("/moisture")
    };
    let keys = guarded(timed(raw, "/time", TimeFormat::Naive), "/id", "91");
    let expected = "41 raw, 2026-05-02T10:16:30.000Z; 40 %, 2026-05-02T10:16:30.000Z";
    check_of(Quantity::Moisture, topic, soil.as_bytes(), keys, expected);
}

#[test]
fn radio_network_servers() {
    let topic = "application/7d0b/device/70b3d57ed0a1c2e3/event/up";
    let decoded = r#"{"deduplicationId":"a1","time":"2026-05-02T10:11:58.412+00:00","deviceInfo":{"devEui":"70b3d57ed0a1c2e3"},
                     "fCnt":1042,"data":"GGATGg==","object":{"t_core":62.4,"t_toe":48.9,"bat_v":3.41}}"#;
    let at = |keys, pointer| timed(keys, pointer, TimeFormat::Rfc3339);
    check(topic, decoded, at(celsius("/object/t_core"), "/time"), "62.4 C, 2026-05-02T10:11:58.412Z");
    let battery =
        Keys { battery: Some("/object/bat_v".to_owned()), ..at(celsius("/object/t_core"), "/time") };
    check(topic, decoded, battery, "62.4 C, 2026-05-02T10:11:58.412Z; 3.41 V, 2026-05-02T10:11:58.412Z");
    let raw = r#"{"time":"2026-05-02T10:26:58.400+00:00","deviceInfo":{"devEui":"70b3d57ed0a1c2e3"},"fCnt":1043,"data":"GGATGg=="}"#;
    let bytes = |at, kind| Some(Bytes { at, kind, scale: 0.01 });
    let keys = at(celsius("/data"), "/time");
    let expected = "62.4 C, 2026-05-02T10:26:58.400Z";
    check(topic, raw, Keys { bytes: bytes(0, ByteKind::I16Be), ..keys.clone() }, expected);
    let expected = "48.9 C, 2026-05-02T10:26:58.400Z";
    check(topic, raw, Keys { bytes: bytes(2, ByteKind::I16Be), ..keys.clone() }, expected);
    check(topic, raw, Keys { bytes: bytes(3, ByteKind::I16Be), ..keys.clone() }, "bytes-too-short");
    check(topic, &raw.replace("GGATGg==", "?"), Keys { bytes: bytes(0, ByteKind::U8), ..keys }, "bad-base64");
    check(topic, raw, at(celsius("/object/t_core"), "/time"), "no-decoder");

    let topic = "v3/heaps@quillback/devices/k3-lance/up";
    let stack = r#"{"end_device_ids":{"dev_eui":"70B3D57ED0A1C2E3"},"received_at":"2026-05-02T10:11:59.020Z","uplink_message":
                   {"f_port":2,"frm_payload":"GGATGg==","decoded_payload":{"t_core":62.4,"t_toe":48.9},"received_at":"2026-05-02T10:11:58.790Z"}}"#;
    let toe = at(celsius("/uplink_message/decoded_payload/t_toe"), "/uplink_message/received_at");
    check(
        topic,
        stack,
        guarded(toe, "/end_device_ids/dev_eui", "70B3D57ED0A1C2E3"),
        "48.9 C, 2026-05-02T10:11:58.790Z",
    );
    let quoted = r#"{"received_at":"2026-05-02T10:12:30Z","uplink_message":{"decoded_payload":{"T1":"28.6","T2":"327.67"}}}"#;
    let lenient = |value: &str| Keys {
        number: NumberStyle::Lenient,
        reject: vec![327.67, 3276.7, -327.68],
        ..at(celsius(value), "/received_at")
    };
    check(topic, quoted, lenient("/uplink_message/decoded_payload/T2"), "rejected");
    check(topic, quoted, lenient("/uplink_message/decoded_payload/T1"), "28.6 C, 2026-05-02T10:12:30.000Z");
    let strict = at(celsius("/uplink_message/decoded_payload/T1"), "/received_at");
    check(topic, quoted, strict, "in-quotes");
    let channels = r#"{"received_at":"2026-05-02T10:13:00Z","uplink_message":{"decoded_payload":{"temperature_1":58.2,"temperature_2":57.7}}}"#;
    let first = at(celsius("/uplink_message/decoded_payload/temperature_1"), "/received_at");
    check(topic, channels, first, "58.2 C, 2026-05-02T10:13:00.000Z");
}

#[test]
fn lists_by_id_and_lists_of_readings() {
    let wires = r#"{"ts":"2026-05-02T10:15:00Z","sensors":[{"rom":"28-b40751c3aa28","c":48.94},{"rom":"28-90b4513caa28","c":62.38}]}"#;
    let ts = |keys| timed(keys, "/ts", TimeFormat::Rfc3339);
    let core = selected(ts(celsius("/c")), "/sensors", "/rom", "28-90b4513caa28");
    check("quillback/gate/onewire", wires, core, "62.38 C, 2026-05-02T10:15:00.000Z");
    let capitals = selected(ts(celsius("/c")), "/sensors", "/rom", "28:90B4513CAA28");
    check("quillback/gate/onewire", wires, capitals, "62.38 C, 2026-05-02T10:15:00.000Z");
    check("quillback/gate/onewire", wires, ts(celsius("/sensors/1/c")), "by-position");
    let fixed = Keys { fixed_order: true, ..ts(celsius("/sensors/1/c")) };
    check("quillback/gate/onewire", wires, fixed, "62.38 C, 2026-05-02T10:15:00.000Z");

    let batch = r#"{"probe":"k2","readings":[{"t":1777713300,"c":62.1},{"t":1777714200,"c":62.2},{"t":1777715100,"c":62.3}]}"#;
    let each =
        Keys { each: Some("/readings".to_owned()), ..timed(celsius("/c"), "/t", TimeFormat::EpochSeconds) };
    let all = "62.1 C, 2026-05-02T09:15:00.000Z; 62.2 C, 2026-05-02T09:30:00.000Z; 62.3 C, 2026-05-02T09:45:00.000Z";
    check("quillback/gate/batch", batch, guarded(each.clone(), "/probe", "k2"), all);
    check("quillback/gate/batch", batch, guarded(each.clone(), "/probe", "k9"), "skipped: Guard");
    let holes = &batch.replace("62.2", "null");
    let expected = "62.1 C, 2026-05-02T09:15:00.000Z; 62.3 C, 2026-05-02T09:45:00.000Z; null";
    check("quillback/gate/batch", holes, each.clone(), expected);
    let mixed = r#"[{"id":"k1","t":1777713300,"c":62.1},{"id":"k2","t":1777713300,"c":49.5}]"#;
    let ours = guarded(Keys { each: Some(String::new()), ..each.clone() }, "/id", "k2");
    check("quillback/gate/batch", mixed, ours, "49.5 C, 2026-05-02T09:15:00.000Z");
    let long = format!("[{}]", vec![r#"{"t":1,"c":1}"#; EACH_MAX + 1].join(","));
    check(
        "quillback/gate/batch",
        &long,
        Keys { each: Some(String::new()), ..each.clone() },
        "too-many-values",
    );
    check("quillback/gate/batch", r#"{"readings":5}"#, each, "no-array");
}

#[test]
fn odd_ones() {
    let pattern = r"^(?P<time>\d{10}):(?P<value>-?\d+(?:\.\d+)?)$".to_owned();
    let line = Keys {
        format: PayloadFormat::Regex,
        pattern: Some(pattern),
        time_format: TimeFormat::EpochSeconds,
        ..celsius("")
    };
    check("shed/28.AA3C5190B4", "1777716900:62.38", line.clone(), "62.38 C, 2026-05-02T10:15:00.000Z");
    check("shed/28.AA3C5190B4", "62.38", line, "no-match");

    let plc = r#"{"bay 1/core":{"t~avg":143.6},"ts":1777716900}"#;
    let keys = timed(fahrenheit("/bay 1~1core/t~0avg"), "/ts", TimeFormat::EpochSeconds);
    check("quillback/plc/all", plc, keys, "143.6 F, 2026-05-02T10:15:00.000Z");

    let object =
        r#"{"value":144.3,"unit":"degF","quality":"good","timestamp":"2026-05-02T06:15:00.000-04:00"}"#;
    let keys =
        timed(guarded(unit_at("/value", "/unit"), "/quality", "good"), "/timestamp", TimeFormat::Rfc3339);
    check("quillback/plc/k1", object, keys.clone(), "144.3 F, 2026-05-02T10:15:00.000Z");
    let kelvin = object.replace("144.3", "335.55").replace("degF", "K");
    check("quillback/plc/k1", &kelvin, keys.clone(), "62.4 C, 2026-05-02T10:15:00.000Z");
    check("quillback/plc/k1", &object.replace("degF", "furlong"), keys.clone(), "unknown-unit");
    check("quillback/plc/k1", &object.replace("degF", "%"), keys.clone(), "unit-differs");
    check("quillback/plc/k1", &object.replace("good", "bad"), keys, "skipped: Guard");

    let plug = r#"{"Time":"2026-05-02T06:15:00","ENERGY":{"Power":118,"Voltage":121,"Today":0.31}}"#;
    let watt = Keys { unit: Some(Unit::Watt), on_above: Some(20.0), ..celsius("/ENERGY/Power") };
    let keys = timed(watt, "/Time", TimeFormat::Naive);
    let expected = "118 W, 2026-05-02T10:15:00.000Z";
    check_of(Quantity::Blower, "tele/blower-1/SENSOR", plug.as_bytes(), keys, expected);
    let switch = Keys { unit: Some(Unit::Switch), ..celsius("/POWER") };
    check_of(Quantity::Blower, "stat/blower-1", br#"{"POWER":"ON"}"#, switch.clone(), "1 switch, by arrival");
    check_of(Quantity::Blower, "stat/blower-1", br#"{"POWER":false}"#, switch, "0 switch, by arrival");
    let word = Keys { format: PayloadFormat::Text, unit: Some(Unit::Switch), ..celsius("") };
    check_of(Quantity::Blower, "stat/blower-1/POWER", b"OFF", word, "0 switch, by arrival");
}

#[test]
fn a_mistake_in_the_mapping_changes_the_answer() {
    let payload = r#"{"t":62.4,"ts":1777716900}"#;
    let seconds = timed(celsius("/t"), "/ts", TimeFormat::EpochSeconds);
    check("x", payload, seconds.clone(), "62.4 C, 2026-05-02T10:15:00.000Z");
    let millis = Keys { time_format: TimeFormat::EpochMillis, ..seconds.clone() };
    check("x", payload, millis, "62.4 C, 1970-01-21T13:48:36.900Z");
    check("x", payload, Keys { time: Some("/when".to_owned()), ..seconds.clone() }, "62.4 C, time-missing");
    check(
        "x",
        payload,
        Keys { time_format: TimeFormat::Rfc3339, ..seconds.clone() },
        "62.4 C, time-unreadable",
    );
    check("x", payload, Keys { unit: None, ..seconds.clone() }, "unknown-unit");
    check("x", payload, Keys { unit: Some(Unit::Percent), ..seconds }, "unit-differs");
}

/// Rule R6 of how messages are read.
#[test]
fn ids_are_the_same_in_every_spelling() {
    let wires = r#"{"DS18B20-1":{"Id":"07AA3C5190B4","Temperature":62.3},"DS18B20-2":{"Id":"07AA3C51D207","Temperature":48.9}}"#;
    let select = |id: &str| selected(celsius("/Temperature"), "", "/Id", id);
    for id in ["28-07aa3c5190b4", "07AA3C5190B4", "28 B4 90 51 3C AA 07 CA", "0xca07aa3c5190b428"] {
        check(SENSOR, wires, select(id), "62.3 C, by arrival");
    }
    check(SENSOR, wires, select("10-07aa3c51d207"), "48.9 C, by arrival");
    check(SENSOR, wires, select("28-07aa3c5190b5"), "not-selected");
    let eui = r#"{"eui":"70B3D57ED0A1C2E3","n":4177,"c":62.4}"#;
    for (pointer, equals, expected) in [
        ("/eui", "70b3d57ed0a1c2e3", "62.4 C, by arrival"),
        ("/eui", "70:b3:d5:7e:d0:a1:c2:e3", "62.4 C, by arrival"),
        ("/eui", "70b3d57ed0a1c2e4", "skipped: Guard"),
        ("/n", "4177", "62.4 C, by arrival"),
        ("/n", "04177", "skipped: Guard"),
    ] {
        check("lora/up", eui, guarded(celsius("/c"), pointer, equals), expected);
    }
}

/// Rule R8: each bound met exactly, and by one more.
#[test]
fn bounds_are_met_exactly_and_no_more() {
    let padded = |length: usize| format!("{}62.4", " ".repeat(length - 4));
    check("k", &padded(PAYLOAD_BYTES_MAX), celsius(""), "62.4 C, by arrival");
    check("k", &padded(PAYLOAD_BYTES_MAX + 1), celsius(""), "too-large");
    check(&"t".repeat(TOPIC_BYTES_MAX), "62.4", celsius(""), "62.4 C, by arrival");
    check(&"t".repeat(TOPIC_BYTES_MAX + 1), "62.4", celsius(""), "topic-too-long");
    let nested = |depth: usize| format!("{}62.4{}", "{\"a\":".repeat(depth), "}".repeat(depth));
    check("k", &nested(16), celsius(&"/a".repeat(16)), "62.4 C, by arrival");
    check("k", &nested(17), celsius(&"/a".repeat(17)), "too-deep");
    let each = Keys { each: Some(String::new()), ..celsius("/c") };
    let list = |length: usize| format!("[{}]", vec![r#"{"c":1}"#; length].join(","));
    check("k", &list(EACH_MAX), each.clone(), &vec!["1 C, by arrival"; EACH_MAX].join("; "));
    check("k", &list(EACH_MAX + 1), each, "too-many-values");
}

#[test]
fn what_is_binary_or_no_number_is_refused_by_name() {
    check("spBv1.0/quillback/NDATA/gate", "1", celsius(""), "binary");
    assert!(Reason::Binary.advice().contains("Sparkplug B, protobuf"));
    check_of(Quantity::Temperature, "k", &[0, 159, 146, 150], celsius(""), "binary");
    check("k", r#"{"t":NaN}"#, celsius("/t"), "nan-in-json");
    check("k", "1e999", celsius(""), "not-finite");
}
