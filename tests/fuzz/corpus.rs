//! Messages as devices send them, and messages that no device should send.

use heapward::config::{
    ByteKind, Bytes, Guard, Mapping, NumberStyle, PayloadFormat, ProbeConfig, Select, TimeFormat,
};
use heapward_rules::ids::ProbeId;
use heapward_rules::reading::{Quantity, Unit};
use heapward_rules::units::Span;

const SENSOR: &str = r#"{"Time":"2026-05-02T06:15:00","DS18B20-1":{"Id":"28AA3C5190B4","Temperature":62.3},"DS18B20-2":{"Id":"28AA3C51D207","Temperature":48.9},"TempUnit":"C"}"#;
const UPLINK: &str = r#"{"time":"2026-05-02T10:11:58.412+00:00","deviceInfo":{"devEui":"70b3d57ed0a1c2e3"},"data":"GGATGg==","object":{"t_core":62.4,"bat_v":3.41}}"#;
const BATCH: &str = r#"{"probe":"k2","readings":[{"t":1777713300,"c":62.1},{"t":1777714200,"c":62.2}]}"#;
const STEM: &str =
    r#"{"time":"2026-05-02 06:14:03","model":"Stem","id":3308,"battery_ok":1,"temperature_F":143.1}"#;

const NUMBERS: &[&str] = &[
    "NaN",
    "nan",
    "-nan",
    "Infinity",
    "-Infinity",
    "inf",
    "1e308",
    "1e309",
    "-1e309",
    "1e-400",
    "-0",
    "-0.0",
    "12,5",
    "1,000.5",
    "0x1F",
    "0b1",
    "0o7",
    "1_000",
    "999999999999999999999",
    "-999999999999999999999",
    "18446744073709551615",
    "18446744073709551616",
    "9223372036854775807",
    "-9223372036854775809",
    "85.0",
    "-127",
    "127.94",
    "65535",
    "32767",
    "327.67",
    "-40",
    "110",
    "110.0001",
    "+1",
    "--1",
    "1.",
    ".5",
    "1e",
    "1e+",
    "01",
    "1 2",
    "62.4C",
    "\u{ff16}\u{ff12}",
    "\u{661}\u{662}",
    "\u{2212}5",
    "1\u{a0}000",
    "true",
    "false",
    "null",
    "[]",
    "{}",
    "\"\"",
    "\"62.4\"",
    "\" 62.4 \"",
    "\"NaN\"",
    "\"-\"",
    "\"\\u0000\"",
    "\"\\ud800\"",
    "1.7976931348623157e308",
    "5e-324",
    "0.1e-7",
    "1E5",
    "1e5000000",
];

/// Where a number stands in a message.
const PLACES: &[(&str, &str)] = &[
    ("", ""),
    ("{\"temperature\":", ",\"last_seen\":1777716764000}"),
    ("{\"readings\":[{\"t\":1777713300,\"c\":", "}]}"),
    (
        "{\"Time\":\"2026-05-02T06:15:00\",\"A\":{\"Id\":\"28AA3C51D207\",\"Temperature\":",
        "},\"TempUnit\":\"C\"}",
    ),
    ("{\"temperature\":62.4,\"last_seen\":", "}"),
    ("{\"readings\":[{\"c\":62.4,\"t\":", "}]}"),
];

const TIMES: &[&str] = &[
    "",
    "now",
    "2026-05-02",
    "2026-05-02T06:15",
    "2026-05-02T06:15:60",
    "2026-05-02T24:00:00",
    "2026-02-30T00:00:00",
    "2026-13-01T00:00:00",
    "1970-01-01T00:00:00",
    "0000-00-00T00:00:00",
    "9999-12-31T23:59:59",
    "10000-01-01T00:00:00",
    "-0001-01-01T00:00:00",
    "2026-11-01T01:30:00",
    "2026-03-08T02:30:00",
    "2026-05-02T06:15:00+99:00",
    "2026-05-02T06:15:00-04:00",
    "2026-05-02T06:15:00.999999999999999999Z",
    "2038-01-19T03:14:08",
    "\u{0}",
    "\u{1f525}\u{1f525}\u{1f525}\u{1f525}\u{1f525}\u{1f525}\u{1f525}\u{1f525}",
    "20260502T061500Z",
    "Sat, 02 May 2026 06:15:00 GMT",
    "1777716900",
    "1777716900.5",
];

const BYTES: &[&[u8]] = &[
    b"",
    b" ",
    b"\n",
    b"\0",
    b"\xef\xbb\xbf62.4",
    b"\xff\xfe6\x002\x00",
    b"\xc3\x28",
    b"\xed\xa0\x80",
    b"\xf8\x88\x80\x80\x80",
    b"\xc0\x80",
    b"62.4\xb0C",
    b"\x08\x96\x01\x12\x07\x74\x65\x73\x74",
    b"\x1f\x8b\x08\x00",
    b"\x89PNG\r\n\x1a\n",
    b"{\"a\":1,\"a\":2}",
    b"{\"c\":1,\"\\u0063\":2}",
    b"{\"c\":1",
    b"{\"c\" 1}",
    b"{c:1}",
    b"{'c':1}",
    b"[1,]",
    b"{\"c\":1,}",
    b"// 62.4",
    b"<t>62.4</t>",
];

/// Good messages, to start from.
pub(crate) fn good() -> Vec<Vec<u8>> {
    let all = [
        "62.4",
        "144.3 \u{b0}F",
        "62,4",
        "1777716900:62.38",
        "online",
        "unavailable",
        "nan",
        "null",
        SENSOR,
        UPLINK,
        BATCH,
        STEM,
        r#"{"ts":"2026-05-02T10:15:00Z","sensors":[{"rom":"28-90b4513caa28","c":62.38}]}"#,
        r#"{"temperature":9.8,"last_seen":1777716764000,"battery":81}"#,
        r#"{"value":"335.55","unit":"K","quality":"good","timestamp":"2026-05-02T06:15:00.000-04:00"}"#,
    ];
    all.map(|text| text.as_bytes().to_vec()).to_vec()
}

/// Mappings of all kinds, each for a topic of its own.
pub(crate) fn probes() -> Vec<ProbeConfig> {
    let celsius =
        |value: &str| Mapping { value: value.to_owned(), unit: Some(Unit::Celsius), ..Mapping::default() };
    let timed = |keys: Mapping, pointer: &str, format| Mapping {
        time: Some(pointer.to_owned()),
        time_format: format,
        zone: Some(chrono_tz::America::New_York),
        ..keys
    };
    let text = |number| Mapping { format: PayloadFormat::Text, number, ..celsius("") };
    let select =
        Some(Select { container: String::new(), key: "/Id".to_owned(), equals: "28AA3C51D207".to_owned() });
    let guard = Some(Guard { pointer: "/id".to_owned(), equals: "3308".to_owned() });
    let unit_from =
        |value: &str, from: &str| Mapping { unit: None, unit_from: Some(from.to_owned()), ..celsius(value) };
    let pattern = r"^(?P<time>\d{10}):(?P<value>-?\d+(?:\.\d+)?)$".to_owned();
    let mappings = vec![
        celsius(""),
        text(NumberStyle::Strict),
        text(NumberStyle::Comma),
        text(NumberStyle::Suffix),
        Mapping {
            select,
            battery: Some("/bat".to_owned()),
            ..timed(unit_from("/Temperature", "/TempUnit"), "/Time", TimeFormat::Naive)
        },
        timed(celsius("/object/t_core"), "/time", TimeFormat::Rfc3339),
        Mapping { bytes: Some(Bytes { at: 0, kind: ByteKind::F32Le, scale: 0.01 }), ..celsius("/data") },
        Mapping {
            each: Some("/readings".to_owned()),
            ..timed(celsius("/c"), "/t", TimeFormat::EpochSeconds)
        },
        Mapping {
            guard,
            number: NumberStyle::Lenient,
            ..timed(celsius("/temperature_F"), "/time", TimeFormat::Naive)
        },
        Mapping { fixed_order: true, ..celsius("/sensors/0/c") },
        Mapping {
            time_fallback_arrival: true,
            ..timed(celsius("/temperature"), "/last_seen", TimeFormat::EpochMillis)
        },
        Mapping {
            number: NumberStyle::Lenient,
            ..timed(unit_from("/value", "/unit"), "/timestamp", TimeFormat::Rfc3339)
        },
        Mapping {
            format: PayloadFormat::Regex,
            pattern: Some(pattern),
            time_format: TimeFormat::EpochSeconds,
            ..celsius("")
        },
        Mapping {
            availability: Some(("online".to_owned(), "offline".to_owned())),
            format: PayloadFormat::Text,
            ..Mapping::default()
        },
    ];
    let probe = |(n, mapping): (usize, Mapping)| ProbeConfig {
        id: ProbeId::new(format!("k{n}")),
        quantity: Quantity::Temperature,
        topic: format!("quillback/{n}"),
        every: Span::minutes(1),
        mapping,
    };
    mappings.into_iter().enumerate().map(probe).collect()
}

/// At least 400 messages that break something: sizes, depths, encodings, numbers, times, structure.
pub(crate) fn hostile() -> Vec<Vec<u8>> {
    let mut all = deep();
    all.extend(long());
    for (before, after) in PLACES {
        all.extend(NUMBERS.iter().map(|number| format!("{before}{number}{after}").into_bytes()));
    }
    for time in TIMES {
        all.push(format!("{{\"object\":{{\"t_core\":62.4}},\"time\":\"{time}\"}}").into_bytes());
        let sensor = r#""A":{"Id":"28AA3C51D207","Temperature":62},"TempUnit":"C"}"#;
        all.push(format!("{{\"Time\":\"{time}\",{sensor}").into_bytes());
    }
    all.extend(BYTES.iter().map(|bytes| bytes.to_vec()));
    all
}

fn deep() -> Vec<Vec<u8>> {
    let of = |depth: usize| {
        let (list, object) = ("[".repeat(depth), "{\"a\":".repeat(depth));
        let (lists, objects) = ("]".repeat(depth), "}".repeat(depth));
        [format!("{list}1{lists}"), format!("{object}1{objects}"), list, object].map(String::into_bytes)
    };
    [2, 8, 15, 16, 17, 18, 64, 127, 128, 129, 1_000, 10_000].into_iter().flat_map(of).collect()
}

fn long() -> Vec<Vec<u8>> {
    let of = |length: usize| {
        let fields: Vec<String> = (0..length / 8).map(|n| format!("\"{n}\":1")).collect();
        [
            vec![b'1'; length],
            vec![b' '; length],
            vec![0xff; length],
            format!("\"{}\"", "x".repeat(length)).into_bytes(),
            format!("[{}]", vec!["0"; length.div_ceil(2)].join(",")).into_bytes(),
            format!("{{{}}}", fields.join(",")).into_bytes(),
        ]
    };
    let lengths = [1, 100, 8_191, 8_192, 8_193, 32_000, 65_535, 65_536, 65_537, 100_000, 1_000_000];
    lengths.into_iter().flat_map(of).collect()
}
