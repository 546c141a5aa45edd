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
    text: &str,
    standards: &BTreeMap<StandardId, Standard>,
) -> Result<(Pile, Vec<Standard>), FileProblem> {
    let text = text.strip_prefix('\u{feff}').unwrap_or(text);
    let problem =
        |Wrong(span, what): Wrong| FileProblem { file: file.to_owned(), line: line(text, span.start), what };
    let raw: RawPile = toml::from_str(text).map_err(|error| {
        let span = error.span().unwrap_or(0..0);
        let what = format!("{}{}", key_at(text, span.start), error.message());
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

/// The key on the line of an offset, as `key: `; nothing where the line has none.
fn key_at(text: &str, offset: usize) -> String {
    let start = text.get(..offset).and_then(|before| before.rfind('\n')).map_or(0, |newline| newline + 1);
    let line = text.get(start..).and_then(|rest| rest.lines().next()).unwrap_or_default();
    line.split_once('=').map(|(key, _)| format!("{}: ", key.trim())).unwrap_or_default()
}
