//! A pile as a TOML file (design 5.4): what `heapward judge` reads.

use std::collections::BTreeMap;
use std::ops::Range;

use heapward_rules::ids::{PileId, ProbeId, SpotName, StandardId, is_plain_name};
use heapward_rules::pile::{Pile, Placement, Settings, Spot};
use heapward_rules::standard::Standard;
use heapward_rules::units::{At, Celsius, Span};
use serde::Deserialize;
use toml::Spanned;

use super::FileProblem;
use crate::model::{time, words};

/// `every` where a placement does not say it.
const EVERY_DEFAULT: Span = Span::minutes(1);

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawPile {
    id: Spanned<String>,
    method: Spanned<String>,
    material: Spanned<String>,
    built: Spanned<String>,
    initial_cn: Option<Spanned<f64>>,
    standards: Vec<Spanned<String>>,
    #[serde(default)]
    spot: Vec<RawSpot>,
    #[serde(default)]
    placement: Vec<RawPlacement>,
    #[serde(default)]
    settings: RawSettings,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawSpot {
    name: Spanned<String>,
    zone: Spanned<String>,
    depth_in: Option<Spanned<f64>>,
    #[serde(default)]
    watched_only: bool,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawPlacement {
    probe: Spanned<String>,
    spot: Spanned<String>,
    from: Spanned<String>,
    until: Option<Spanned<String>>,
    every: Option<Spanned<String>>,
    offset_c: Option<Spanned<f64>>,
}

#[derive(Default, Deserialize)]
#[serde(deny_unknown_fields)]
struct RawSettings {
    max_gap: Option<Spanned<String>>,
    hand_gap: Option<Spanned<String>>,
    turn_allowance: Option<Spanned<String>>,
    guard: Option<Spanned<f64>>,
    agreement: Option<Spanned<String>>,
    settle: Option<Spanned<String>>,
    fault_values: Option<Spanned<Vec<f64>>>,
}

/// What is wrong, and where in the text.
struct Wrong(Range<usize>, String);

/// Reads a pile; `standards` are those that it may name. The standards come back in the file's order.
pub fn read(
    file: &str,
    bytes: &[u8],
    standards: &BTreeMap<StandardId, Standard>,
) -> Result<(Pile, Vec<Standard>), FileProblem> {
    let bytes = bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(bytes);
    let text = str::from_utf8(bytes).map_err(|error| FileProblem {
        file: file.to_owned(),
        line: bytes.iter().take(error.valid_up_to()).filter(|byte| **byte == b'\n').count() + 1,
        what: "this is not UTF-8; save the file as UTF-8 text".to_owned(),
    })?;
    let problem =
        |Wrong(span, what): Wrong| FileProblem { file: file.to_owned(), line: line(text, span.start), what };
    let raw: RawPile = toml::from_str(text).map_err(|error| {
        let span = error.span().unwrap_or(0..0);
        let what = in_words(error.message(), &key_at(text, span.start));
        problem(Wrong(span, what))
    })?;
    pile(&raw, standards).map_err(problem)
}

fn pile(raw: &RawPile, known: &BTreeMap<StandardId, Standard>) -> Result<(Pile, Vec<Standard>), Wrong> {
    let standards = raw.standards.iter().map(|id| standard(id, known)).collect::<Result<Vec<_>, _>>()?;
    let spots = spots(&raw.spot)?;
    let pile = Pile {
        id: PileId::new(raw.id.get_ref().as_str()),
        method: one_of("method", &raw.method, words::parse_method, words::method_choices)?,
        material: one_of("material", &raw.material, words::parse_material, words::material_choices)?,
        built: instant("built", &raw.built)?,
        initial_cn: raw.initial_cn.as_ref().map(|cn| finite("initial_cn", cn)).transpose()?,
        standards: standards.iter().map(|standard| standard.id.clone()).collect(),
        placements: placements(&raw.placement, &spots)?,
        spots,
        settings: settings(&raw.settings)?,
    };
    Ok((pile, standards))
}

fn standard(id: &Spanned<String>, known: &BTreeMap<StandardId, Standard>) -> Result<Standard, Wrong> {
    known.get(&StandardId::new(id.get_ref().as_str())).cloned().ok_or_else(|| {
        let names: Vec<&str> = known.keys().map(StandardId::as_str).collect();
        Wrong(
            id.span(),
            format!("standards: `{}` is not known; write one of: {}", id.get_ref(), names.join(", ")),
        )
    })
}

fn spots(raw: &[RawSpot]) -> Result<Vec<Spot>, Wrong> {
    let mut spots: Vec<Spot> = Vec::with_capacity(raw.len());
    for spot in raw {
        let name = spot.name.get_ref().as_str();
        if !is_plain_name(name) {
            let what =
                format!("name: `{name}` is no name for a spot; write small letters, digits and hyphens");
            return Err(Wrong(spot.name.span(), what));
        }
        if spots.iter().any(|other| other.name.as_str() == name) {
            return Err(Wrong(
                spot.name.span(),
                format!("name: there is a spot `{name}` already; give each its own"),
            ));
        }
        spots.push(Spot {
            name: SpotName::new(name),
            zone: one_of("zone", &spot.zone, words::parse_zone, words::zone_choices)?,
            depth_in: spot.depth_in.as_ref().map(|depth| finite("depth_in", depth)).transpose()?,
            watched_only: spot.watched_only,
        });
    }
    Ok(spots)
}

fn placements(raw: &[RawPlacement], spots: &[Spot]) -> Result<Vec<Placement>, Wrong> {
    let mut placements: Vec<Placement> = Vec::with_capacity(raw.len());
    for raw in raw {
        let placement = placement(raw, spots)?;
        for other in placements.iter().filter(|other| other.from == placement.from) {
            let shared = if other.probe == placement.probe { "probe" } else { "spot" };
            if other.probe == placement.probe || other.spot == placement.spot {
                let what = format!(
                    "from: another placement of the same {shared} begins at the same instant; write when each began"
                );
                return Err(Wrong(raw.from.span(), what));
            }
        }
        placements.push(placement);
    }
    Ok(placements)
}

fn placement(raw: &RawPlacement, spots: &[Spot]) -> Result<Placement, Wrong> {
    let probe = raw.probe.get_ref().as_str();
    if probe.is_empty() || probe.starts_with("hand:") {
        return Err(Wrong(
            raw.probe.span(),
            format!("probe: `{probe}` is no probe; write the id it has in the readings"),
        ));
    }
    let Some(spot) = spots.iter().find(|spot| spot.name.as_str() == raw.spot.get_ref()) else {
        let names: Vec<&str> = spots.iter().map(|spot| spot.name.as_str()).collect();
        let what = format!(
            "spot: `{}` is no spot of this pile; write one of: {}",
            raw.spot.get_ref(),
            names.join(", ")
        );
        return Err(Wrong(raw.spot.span(), what));
    };
    let from = instant("from", &raw.from)?;
    let until = raw.until.as_ref().map(|until| instant("until", until)).transpose()?;
    if let (Some(at), Some(raw)) = (until, &raw.until)
        && at <= from
    {
        return Err(Wrong(
            raw.span(),
            "until: it must be after `from`; leave it out while the probe is in".to_owned(),
        ));
    }
    Ok(Placement {
        probe: ProbeId::new(probe),
        spot: spot.name.clone(),
        from,
        until,
        every: raw.every.as_ref().map_or(Ok(EVERY_DEFAULT), |every| span("every", every))?,
        offset_c: raw.offset_c.as_ref().map_or(Ok(0.0), |offset| finite("offset_c", offset))?,
    })
}

fn settings(raw: &RawSettings) -> Result<Settings, Wrong> {
    let default = Settings::default();
    let or = |key: &str, raw: &Option<Spanned<String>>, default: Span| {
        raw.as_ref().map_or(Ok(default), |raw| span(key, raw))
    };
    let guard_c = raw.guard.as_ref().map_or(Ok(default.guard_c), |guard| finite("guard", guard))?;
    if let (true, Some(raw)) = (guard_c < 0.0, &raw.guard) {
        return Err(Wrong(
            raw.span(),
            "guard: it is taken off the range, so write 0 or more, in degrees C".to_owned(),
        ));
    }
    let agreement = raw
        .agreement
        .as_ref()
        .map(|raw| one_of("agreement", raw, words::parse_agreement, || "each or together".to_owned()));
    let fault_values = match &raw.fault_values {
        None => default.fault_values,
        Some(values) if values.get_ref().iter().all(|value| value.is_finite()) => {
            values.get_ref().iter().copied().map(Celsius).collect()
        }
        Some(values) => {
            return Err(Wrong(values.span(), "fault_values: write numbers in degrees C".to_owned()));
        }
    };
    Ok(Settings {
        max_gap: or("max_gap", &raw.max_gap, default.max_gap)?,
        hand_gap: or("hand_gap", &raw.hand_gap, default.hand_gap)?,
        turn_allowance: or("turn_allowance", &raw.turn_allowance, default.turn_allowance)?,
        guard_c,
        agreement: agreement.transpose()?.unwrap_or(default.agreement),
        settle: or("settle", &raw.settle, default.settle)?,
        fault_values,
    })
}

fn one_of<T>(
    key: &str,
    raw: &Spanned<String>,
    parse: impl Fn(&str) -> Option<T>,
    choices: impl Fn() -> String,
) -> Result<T, Wrong> {
    parse(raw.get_ref()).ok_or_else(|| {
        Wrong(raw.span(), format!("{key}: `{}` is not known; write {}", raw.get_ref(), choices()))
    })
}

fn instant(key: &str, raw: &Spanned<String>) -> Result<At, Wrong> {
    time::parse_rfc3339(raw.get_ref()).ok_or_else(|| {
        let what = format!(
            "{key}: `{}` is no time; write RFC 3339 with an offset, such as 2026-05-01T15:00:00Z",
            raw.get_ref()
        );
        Wrong(raw.span(), what)
    })
}

fn span(key: &str, raw: &Spanned<String>) -> Result<Span, Wrong> {
    words::parse_span(raw.get_ref()).ok_or_else(|| {
        let what = format!(
            "{key}: `{}` is no duration; write an integer and one of ms, s, m, h, d, such as \"4h\"",
            raw.get_ref()
        );
        Wrong(raw.span(), what)
    })
}

fn finite(key: &str, raw: &Spanned<f64>) -> Result<f64, Wrong> {
    let value = *raw.get_ref();
    if value.is_finite() { Ok(value) } else { Err(Wrong(raw.span(), format!("{key}: write a plain number"))) }
}

fn line(text: &str, offset: usize) -> usize {
    text.get(..offset).unwrap_or(text).bytes().filter(|b| *b == b'\n').count() + 1
}

/// What the TOML reader says, with the key. Of a key that is missing it knows only the table.
fn in_words(message: &str, key: &str) -> String {
    let missing = message.strip_prefix("missing field `").and_then(|rest| rest.strip_suffix('`'));
    match missing {
        Some(missing) => format!("{missing}: it is missing; write `{missing} = ...`"),
        None => format!("{key}{message}"),
    }
}

/// The key that an offset belongs to, as `key: `: the one it stands at or behind on its line, else the one of a line
/// before, whose value goes on; nothing where there is none.
fn key_at(text: &str, offset: usize) -> String {
    let before = text.get(..offset).unwrap_or(text);
    let start = before.rfind('\n').map_or(0, |newline| newline + 1);
    let line = text.get(start..).and_then(|rest| rest.lines().next()).unwrap_or_default();
    let here = before.get(start..).and_then(|part| part.rsplit_once('=')).or_else(|| line.split_once('='));
    let key = here.and_then(|(part, _)| last_word(part)).or_else(|| only_word(line)).or_else(|| {
        let earlier = text.get(..start).unwrap_or_default().lines().rev();
        let mut with_key = earlier.filter(|line| !line.trim_start().starts_with('#'));
        with_key.find_map(|line| line.split_once('=')).and_then(|(part, _)| last_word(part))
    });
    key.map(|key| format!("{key}: ")).unwrap_or_default()
}

/// The key at the end of what stands before an equals sign.
fn last_word(part: &str) -> Option<&str> {
    let part = part.trim_end().trim_end_matches(['"', '\'']);
    part.rsplit(|c: char| !is_of_a_key(c)).next().filter(|word| !word.is_empty())
}

/// The key of a line without an equals sign that nevertheless begins with one, or the name of a table.
fn only_word(line: &str) -> Option<&str> {
    let line = line.trim_start().trim_start_matches('[');
    let word = line.split(|c: char| !is_of_a_key(c)).next()?;
    word.starts_with(|c: char| c.is_ascii_alphabetic()).then_some(word)
}

fn is_of_a_key(c: char) -> bool {
    c.is_ascii_alphanumeric() || c == '_' || c == '-'
}

#[cfg(test)]
mod tests {
    use super::*;

    const GOOD: &str = "id = \"2026-07\"\nmethod = \"windrow\"\nmaterial = \"manure\"\n\
                        built = \"2026-05-01T15:00:00Z\"\nstandards = []\n";

    fn refused(text: &[u8]) -> String {
        let known = crate::standards::built_in().unwrap();
        read("pile.toml", text, &known).map(|_| ()).unwrap_err().to_string()
    }

    #[test]
    fn what_cannot_be_read_is_told_with_its_line_and_its_key() {
        let spot = "[[spot]]\nname = \"toe\"\nzone = \"base\"\n";
        let cases = [
            ("colour = 1\n", 6, "colour: "),
            ("initial_cn = \"30\"\n", 6, "initial_cn: "),
            ("initial_cn = nan\n", 6, "initial_cn: "),
            ("initial_cn\n", 6, "initial_cn: "),
            ("spot = [{ name = \"toe\", zone = 5 }]\n", 6, "zone: "),
            ("spot = [{ name = \"toe\", zon = \"core\" }]\n", 6, "`zon`"),
            ("spot = [\n  # the toe\n  7,\n]\n", 8, "spot: "),
            ("[[spot]]\nname = \"toe\"\n", 6, ": zone: it is missing"),
            ("[[spot]]\nname = \"Toe\"\nzone = \"base\"\n", 7, "name: "),
            ("[settings]\nmax_gap = \"4 h\"\n", 7, "max_gap: "),
            ("[settings]\nmax_gap = \"-4h\"\n", 7, "max_gap: "),
            ("[settings]\nfault_values = [85.0,\n \"hot\"]\n", 8, "fault_values: "),
            ("[settings]\nguard = -1\n", 7, "guard: "),
            ("[setting]\n", 6, "setting: "),
        ];
        for (more, line, key) in cases {
            let told = refused(format!("{GOOD}{more}").as_bytes());
            assert!(
                told.starts_with(&format!("pile.toml:{line}: ")) && told.contains(key),
                "{more:?}: {told}"
            );
        }
        let probe = "[[placement]]\nprobe = \"k1\"\nspot = \"toe\"\nfrom = \"2026-05-01T15:00:00Z\"\n";
        let twice = refused(format!("{GOOD}{spot}{probe}{probe}").as_bytes());
        assert!(twice.starts_with("pile.toml:16: from: "), "{twice}");
        assert!(refused(b"id = \"a\"\n# kr\xf6te\n").starts_with("pile.toml:2: this is not UTF-8"));
    }
}
