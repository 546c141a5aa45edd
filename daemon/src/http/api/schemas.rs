//! What goes in and out, by name, in a short notation from which JSON Schema (2020-12) is made. A test holds real
//! answers against it.
//!
//! A shape is a list of `key:type`; `~key` may be left out. A type is one of the words of [`plain`], the name of
//! another shape, `a|b` (one of these words), `1..9` (a number from, to), `[type]` (an array), `[type]9` (one of at most
//! nine) or `type?` (or null).

use serde_json::{Map, Value, json};

use crate::limits::{HISTORY_POINTS_MAX, HTTP_STREAM_SECONDS_MAX, LIST_ITEMS_MAX};

const SHAPES: [(&str, &str); 37] = [
    // In.
    (
        "NewPile",
        "pile:name method:aerated-static|in-vessel|windrow ~material:plant|animal|manure spots:spots ~mix:[text]24? ~bay:line? \
         ~built:time? ~initial_cn:1..1000? ~standards:[text]64? ~settings:Settings? ~by:line?",
    ),
    ("NewPlacement", "probe:probe spot:name ~from:time? ~every:span? ~offset_c:-20..20 ~by:line?"),
    ("NewHandReading", "spot:name value:-40..230 unit:C|F ~at:time? ~by:line? ~note:note ~corrects:seq?"),
    ("NewMute", "until:time reason:line"),
    ("NewSeen", "incident:line"),
    // Piles.
    (
        "Pile",
        "pile:name bay:text? method:text material:text built:time initial_cn:number? recipe:Recipe? standards:[text] spots:[Spot] \
         placements:[Placement] settings:Settings",
    ),
    (
        "JudgedPile",
        "pile:name bay:text? method:text material:text built:time initial_cn:number? recipe:Recipe? standards:[text] spots:[Spot] \
         placements:[Placement] settings:Settings stage:active|curing|ready|used stage_since:time uses:[Use] judged_to:time verdicts:[Verdict] readings:Counts open:[Finding]",
    ),
    ("Recipe", "parts:[RecipePart] water_lb:number cn:Figure moisture:Figure cubic_yards:Figure?"),
    (
        "RecipePart",
        "feedstock:text name:text class:plant|manure|animal|mixed|paper amount:text wet_lb:number source:text? \
         nitrogen:Figure cn:Figure moisture:Figure bulk_density:Figure?",
    ),
    ("Figure", "typical:number lo:number hi:number from:text"),
    (
        "Advice",
        "at:time stage:active|curing|ready|used water:text water_litres:number? air:text air_step:more|same|less? on_ms:integer? \
         off_ms:integer? again_at:time? look:text",
    ),
    (
        "Use",
        "at:time bed:text cubic_yards:number? crop:text? touches_soil:flag? harvest:text? harvest_not_before_soil:text? \
         harvest_not_before_no_soil:text?",
    ),
    ("Spot", "name:name zone:core|middle|outer|base|cover|ambient ~depth_in:0..240? ~watched_only:flag"),
    ("Placement", "probe:text spot:name from:time until:time? every_ms:integer offset_c:number"),
    (
        "Settings",
        "~max_gap_ms:month_ms? ~hand_gap_ms:month_ms? ~turn_allowance_ms:month_ms? ~guard_c:0..20? \
         ~agreement:each|together? ~settle_ms:month_ms? ~fault_values_c:[-300..300]16?",
    ),
    (
        "Entry",
        "seq:integer prev:text pile:text? at:time entered:time by:text note:text corrects:integer? event:text \
         figures:object",
    ),
    ("Reading", "time:time spot:name value:number unit:unit ~probe:text ~quantity:quantity ~source:text"),
    (
        "Bucket",
        "time:time source:text spot:name minimum:number mean:number maximum:number count:integer unit:unit",
    ),
    (
        "History",
        "pile:name quantity:quantity from:time to:time note:text? next:text? ~readings:[Reading] ~step_ms:integer \
         ~buckets:[Bucket]",
    ),
    // What is judged.
    (
        "Verdict",
        "standard:text verified:flag status:qualified|temperature-met|running|not-met|not-required \
         sentence:text at:time? held_up_by:name? \
         cautions:[text] required_ms:integer? required_turns:integer? spots:[SpotVerdict] breaks:[Break]",
    ),
    (
        "SpotVerdict",
        "spot:name required:flag qualified_at:time? longest_run:Run? open_run:Run? given_up:GivenUp?",
    ),
    ("GivenUp", "at:time reason:text"),
    ("Run", "start:time end:time counted_ms:integer turns:integer"),
    ("Break", "at:time spot:name reason:too-cold|too-hot|no-evidence|turned|material-added"),
    (
        "Counts",
        "counting:integer conflict:integer fault:integer unplaced:integer warming_up:integer held:integer",
    ),
    ("Finding", "kind:text level:level opened:time at:time spot:name? probe:text?"),
    (
        "Incident",
        "incident:text pile:text? kind:text level:level spot:text? probe:text? opened:time closed:time? \
         stage:noted|told|reminded|seen|over figures:object muted_until:time? tellings:[Telling]",
    ),
    ("Telling", "at:time step:text messages:[text] told:[Told]"),
    ("Told", "contact:text channel:text sent:time?"),
    // The farm.
    ("Problem", "type:text title:text status:integer detail:text"),
    ("LiveEvent", "pile:name judged_to:time"),
    ("Health", "status:ok clock_trusted:flag messages_come_in:flag?"),
    (
        "Probe",
        "probe:text quantity:quantity unit:unit time:time value:number age_ms:integer every_ms:integer pile:name? \
         spot:name? clock_behind_ms:integer? online:flag?",
    ),
    ("Refused", "topic:text reason:text count:integer example:text first:time last:time"),
    (
        "Message",
        "message:text channel:text contact:text incident:text? level:text created:time about:time subject:text \
         text:text tries:integer delivery:Delivery",
    ),
    ("Delivery", "state:waiting|sent|superseded|failed ~due:time ~at:time ~by:text ~reason:text"),
    (
        "About",
        "version:text farm:text timezone:text shows:F|C now:time clock_trusted:flag store:object messages_in:object \
         messages_out:object",
    ),
];

const LISTS: [&str; 10] = [
    "JudgedPile",
    "Verdict",
    "Spot",
    "Placement",
    "Reading",
    "Entry",
    "Incident",
    "Probe",
    "Refused",
    "Message",
];

/// What people may write into the log: the event, its figures, and what stands beside them.
const ENTRIES: [(&str, &str); 18] = [
    ("feedstock", "name:line class:plant|manure|animal|mixed|paper ~amount:line? ~source:line?"),
    ("recipe", "~initial_cn:1..1000? ~moisture_percent:0..100? how:line"),
    (
        "asked",
        "~herbicide:no|yes|unknown? ~glossy_paper:no|yes|unknown? ~sewage_sludge:no|yes|unknown? \
         ~treated_wood:no|yes|unknown?",
    ),
    ("turned", ""),
    ("material-added", "what:line"),
    ("spot-given-up", "spot:name reason:line"),
    ("watered", "~litres:0..1000000?"),
    ("covered", "~depth_in:0..240?"),
    ("aeration-changed", "~on_seconds:day_seconds? ~off_seconds:day_seconds?"),
    ("hand-reading", "spot:name value:-40..230 unit:C|F"),
    ("check", "~squeeze:dry|right|wet? ~smell:none|earthy|sour|ammonia|rotten? ~blower_heard:flag?"),
    ("probe-removed", "probe:probe"),
    ("calibration", "probe:probe reference_c:-40..110 read_c:-40..110"),
    ("moved-to-curing", ""),
    ("maturity-tested", "test:self-heating|carbon-dioxide|oxygen|pot ~figure:0..5000? ~passed:flag?"),
    ("used", "bed:line ~cubic_yards:0..10000? ~crop:line? ~touches_soil:flag? ~harvest:date?"),
    ("withdrawn", "reason:line"),
    ("note", ""),
];

/// Parameters of queries: name in the table of routes, name, type, what it is.
const QUERIES: [(&str, &str, &str, &str); 15] = [
    ("limit", "limit", "limit", "Items of this page"),
    ("points", "limit", "points", "Raw readings of this page"),
    ("after", "after", "cursor", "`next` of the page before"),
    ("after_seq", "after", "cursor_seq", "`next` of the page before"),
    ("after_time", "after", "cursor_time", "`next` of the page before"),
    ("after_reading", "after", "cursor_reading", "`next` of the page before; not before `from`"),
    ("from", "from", "time", "Beginning, included; the building of the pile if not given"),
    ("to", "to", "time", "End, excluded; the newest reading if not given"),
    ("step", "step", "span", "Width of a bucket; without it readings are raw"),
    ("quantity", "quantity", "quantity", "What was measured"),
    ("spot", "spot", "name", "One spot only"),
    ("format", "format", "json|csv|sheet", "`csv` is for programs, `sheet` for spreadsheets"),
    ("open", "open", "true|false", "Only what is open"),
    ("pile", "pile", "name", "One pile only"),
    ("for", "for", "live_seconds", "Seconds after which the view ends; without it it ends after an hour"),
];

/// All schemas by name.
pub(super) fn all() -> Value {
    let mut all: Map<String, Value> =
        SHAPES.iter().map(|(name, notation)| ((*name).to_owned(), object(notation))).collect();
    for item in LISTS {
        all.insert(format!("{item}List"), object(&format!("items:[{item}] next:text?")));
    }
    all.insert("NewEntry".to_owned(), json!({ "oneOf": ENTRIES.map(new_entry) }));
    all.insert("Anything".to_owned(), json!({ "type": "object" }));
    Value::Object(all)
}

/// An entry as a script sends it: each event with its own figures.
fn new_entry((event, figures): (&str, &str)) -> Value {
    let needed = figures.split_whitespace().any(|member| !member.starts_with('~'));
    let figures_key = if needed { "figures" } else { "~figures" };
    let corrects = if event == "withdrawn" { "corrects:seq" } else { "~corrects:seq?" };
    let mut schema =
        object(&format!("event:text {figures_key}:object ~at:time? ~by:line? ~note:note {corrects}"));
    schema["properties"]["event"] = json!({ "type": "string", "const": event });
    schema["properties"]["figures"] = object(figures);
    schema
}

pub(super) fn path_parameter(name: &str) -> Value {
    json!({ "name": name, "in": "path", "required": true, "schema": { "type": "string", "minLength": 1 } })
}

/// A parameter of a query, by its name in the table of routes.
pub(super) fn query_parameter(name: &str) -> Option<Value> {
    let (_, name, kind, about) = QUERIES.iter().find(|(key, ..)| *key == name)?;
    Some(
        json!({ "name": name, "in": "query", "required": false, "schema": schema(kind), "description": about }),
    )
}

fn object(notation: &str) -> Value {
    let mut required = Vec::new();
    let mut members = Map::new();
    for (key, kind) in notation.split_whitespace().filter_map(|member| member.split_once(':')) {
        let name = key.trim_start_matches('~');
        if name == key {
            required.push(name);
        }
        members.insert(name.to_owned(), schema(kind));
    }
    json!({ "type": "object", "required": required, "properties": members, "additionalProperties": false })
}

fn schema(kind: &str) -> Value {
    if let Some(kind) = kind.strip_suffix('?') {
        return json!({ "anyOf": [schema(kind), { "type": "null" }] });
    }
    if let Some((kind, most)) = kind.strip_prefix('[').and_then(|kind| kind.split_once(']')) {
        let most = most.parse().unwrap_or(HISTORY_POINTS_MAX);
        return json!({ "type": "array", "items": schema(kind), "maxItems": most });
    }
    if let Some((from, to)) = kind.split_once("..") {
        let number = |text: &str| text.parse::<f64>().unwrap_or_default();
        return json!({ "type": "number", "minimum": number(from), "maximum": number(to) });
    }
    if kind.contains('|') || kind == "ok" {
        return json!({ "type": "string", "enum": kind.split('|').collect::<Vec<_>>() });
    }
    if kind.starts_with(|c: char| c.is_ascii_uppercase()) {
        return json!({ "$ref": format!("#/components/schemas/{kind}") });
    }
    plain(kind)
}

/// Text as `entering` takes it: no character that turns the direction of writing or can't be seen, and no control
/// character, but for the ends of lines where `lines` says so.
fn seen(lines: bool) -> String {
    let control = if lines { r"\x00-\x09\x0b\x0c\x0e-\x1f" } else { r"\x00-\x1f" };
    format!(r"^[^{control}\x7f-\x9f\u200b-\u200f\u2028-\u202e\u2060-\u2069\ufeff]*$")
}

fn plain(kind: &str) -> Value {
    match kind {
        "time" => json!({ "type": "string", "format": "date-time" }),
        // One line without hidden characters.
        "line" => {
            json!({ "type": "string", "minLength": 1, "maxLength": 200, "pattern": seen(false) })
        }
        "date" => json!({ "type": "string", "format": "date" }),
        "note" => {
            json!({ "type": "string", "maxLength": crate::limits::NOTE_CHARS_MAX, "pattern": seen(true) })
        }
        "name" => json!({ "type": "string", "pattern": "^[a-z0-9-]+$", "minLength": 1, "maxLength": 60 }),
        "probe" => {
            json!({ "type": "string", "pattern": seen(false), "minLength": 1, "maxLength": 60 })
        }
        "spots" => json!({ "type": "array", "items": schema("Spot"), "minItems": 1, "maxItems": 24 }),
        "span" => json!({ "type": "string", "pattern": "^[1-9][0-9]{0,2}(s|m|h)$" }),
        "cursor" => json!({ "type": "string", "minLength": 1 }),
        "cursor_seq" => json!({ "type": "string", "pattern": "^[0-9]{1,18}$" }),
        "cursor_time" => json!({ "type": "string", "pattern": "^[0-9]{1,15}~" }),
        "cursor_reading" => json!({ "type": "string", "pattern": r"^[0-9]{1,15}\.[0-9]{1,5}$" }),
        "seq" => json!({ "type": "integer", "minimum": 1 }),
        "limit" => json!({ "type": "integer", "minimum": 1, "maximum": LIST_ITEMS_MAX }),
        "points" => json!({ "type": "integer", "minimum": 1, "maximum": HISTORY_POINTS_MAX }),
        "live_seconds" => json!({ "type": "integer", "minimum": 1, "maximum": HTTP_STREAM_SECONDS_MAX }),
        "month_ms" => json!({ "type": "integer", "minimum": 0, "maximum": 2_678_400_000_i64 }),
        "unit" => schema("C|F|%|W|V|switch|raw"),
        "quantity" => schema("temperature|moisture|oxygen|blower|battery"),
        "level" => schema("note|act|urgent|danger"),
        "day_seconds" => json!({ "type": "integer", "minimum": 0, "maximum": 86_400 }),
        "number" => json!({ "type": "number" }),
        "integer" => json!({ "type": "integer" }),
        "flag" => json!({ "type": "boolean" }),
        "object" => json!({ "type": "object" }),
        _ => json!({ "type": "string" }),
    }
}
