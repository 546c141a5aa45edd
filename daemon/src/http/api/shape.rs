//! What goes out as JSON: twins of the stored and judged types with times in RFC 3339 and units in the names.

use heapward_rules::finding::Finding;
use heapward_rules::ids::{ProbeId, SpotName};
use heapward_rules::physics::Air;
use heapward_rules::recipe::dates::Date;
use heapward_rules::units::At;
use heapward_rules::verdict::{Counts, Run, SpotVerdict, Verdict};
use serde::Serialize;
use serde_json::{Map, Value, json};

use crate::after::Use;
use crate::http::receipts::Receipts;
use crate::http::words::{self, Style};
use crate::model::entry::Entry;
use crate::model::incident::Incident;
use crate::model::message::{Delivery, OutboxMessage};
use crate::model::pile::{PileRecord, PlacementRecord, SettingsRecord, SpotRecord};
use crate::model::recipe::RecipeRecord;
use crate::model::time::rfc3339;
use crate::model::words::{break_word, caution_word, status_word};
use crate::recorder::PileView;
use crate::steering::{Steering, Water};

#[derive(Serialize)]
#[expect(clippy::struct_field_names, reason = "in JSON the pile's name is its `pile`")]
pub(super) struct Pile {
    pile: String,
    bay: Option<String>,
    method: String,
    material: String,
    built: String,
    initial_cn: Option<f64>,
    recipe: Option<Box<RecipeRecord>>,
    standards: Vec<String>,
    spots: Vec<SpotRecord>,
    placements: Vec<Placement>,
    settings: SettingsRecord,
}

#[derive(Serialize)]
pub(super) struct Placement {
    probe: String,
    spot: String,
    from: String,
    until: Option<String>,
    every_ms: i64,
    offset_c: f64,
}

/// A page of a list.
#[derive(Serialize)]
pub(super) struct List {
    items: Vec<Value>,
    /// Give it as `after` for the next page; null on the last one.
    next: Option<String>,
}

// === impl List ===

impl List {
    /// `items` may hold one more than `limit`: then there is a next page, and `cursor` says where it begins.
    pub(super) fn of<T>(
        mut items: Vec<T>,
        limit: usize,
        cursor: impl Fn(&T) -> String,
        shape: impl Fn(&T) -> Value,
    ) -> List {
        let more = items.len() > limit;
        items.truncate(limit);
        let next = items.last().filter(|_| more).map(cursor);
        List { items: items.iter().map(shape).collect(), next }
    }
}

/// What is shaped well enough by its own names.
pub(super) fn plain(what: &impl Serialize) -> Value {
    serde_json::to_value(what).unwrap_or_default()
}

pub(super) fn time(at: At) -> String {
    rfc3339(at)
}

fn time_or_null(at: Option<At>) -> Value {
    at.map_or(Value::Null, |at| Value::String(rfc3339(at)))
}

pub(super) fn pile(record: &PileRecord) -> Pile {
    Pile {
        pile: record.id.clone(),
        bay: record.bay.clone(),
        method: record.method.clone(),
        material: record.material.clone(),
        built: rfc3339(At(record.built_ms)),
        initial_cn: record.initial_cn,
        recipe: record.recipe.clone(),
        standards: record.standards.clone(),
        spots: record.spots.clone(),
        placements: record.placements.iter().map(placement).collect(),
        settings: record.settings.clone(),
    }
}

pub(super) fn placement(record: &PlacementRecord) -> Placement {
    Placement {
        probe: record.probe.clone(),
        spot: record.spot.clone(),
        from: rfc3339(At(record.from_ms)),
        until: record.until_ms.map(|ms| rfc3339(At(ms))),
        every_ms: record.every_ms,
        offset_c: record.offset_c,
    }
}

/// The pile with what the judge says of it.
pub(super) fn judged_pile(view: &PileView, style: Style) -> Value {
    let mut shape = plain(&pile(&view.pile));
    if let Value::Object(members) = &mut shape {
        members.insert("stage".to_owned(), json!(view.after.stage.word()));
        members.insert("stage_since".to_owned(), json!(rfc3339(view.after.stage.since())));
        members.insert("uses".to_owned(), view.after.uses.iter().map(one_use).collect());
        members.insert("judged_to".to_owned(), Value::String(rfc3339(view.judged_to)));
        members.insert(
            "verdicts".to_owned(),
            view.judgement.verdicts.iter().map(|one| verdict(one, style)).collect(),
        );
        members.insert("readings".to_owned(), counts(&view.judgement.counts));
        members.insert("open".to_owned(), view.open.iter().map(finding).collect());
    }
    shape
}

/// Advice on water and air.
pub(super) fn advice(view: &PileView, steering: &Steering, style: Style) -> Value {
    let litres = match steering.water {
        Water::Add { litres, .. } => litres,
        _ => None,
    };
    let timer = steering.air.and_then(|(_, timer)| timer);
    json!({
        "at": rfc3339(steering.at),
        "stage": view.after.stage.word(),
        "water": words::steering::water(steering, &view.open, style),
        "water_litres": litres,
        "air": words::steering::air(steering),
        "air_step": steering.air.map(|(advice, _)| match advice.air {
            Air::More => "more",
            Air::Same => "same",
            Air::Less => "less",
        }),
        "on_ms": timer.map(|timer| timer.on.0),
        "off_ms": timer.map(|timer| timer.off.0),
        "again_at": steering.air.map(|(advice, _)| rfc3339(advice.again_at)),
        "look": words::steering::look(steering, style),
    })
}

fn one_use(one: &Use) -> Value {
    let date = |date: Date| Value::String(date.to_string());
    json!({
        "at": rfc3339(one.at),
        "bed": one.bed,
        "cubic_yards": one.cubic_yards,
        "crop": one.crop,
        "touches_soil": one.touches_soil,
        "harvest": one.harvest.map(date),
        "harvest_not_before_soil": one.not_before.map(|dates| date(dates.soil)),
        "harvest_not_before_no_soil": one.not_before.map(|dates| date(dates.no_soil)),
    })
}

/// As `heapward judge --json` prints it, with the open run and what the standard asks for.
pub(super) fn verdict(verdict: &Verdict, style: Style) -> Value {
    json!({
        "standard": verdict.standard.as_str(),
        "verified": verdict.verified,
        "status": status_word(verdict.status),
        "sentence": words::verdict::sentence(verdict, style),
        "at": time_or_null(verdict.at),
        "held_up_by": verdict.held_up_by.as_ref().map(SpotName::as_str),
        "cautions": verdict.cautions.iter().map(caution_word).collect::<Vec<_>>(),
        "required_ms": verdict.required.map(|required| required.time.0),
        "required_turns": verdict.required.map(|required| required.turns),
        "spots": verdict.spots.iter().map(spot_verdict).collect::<Vec<_>>(),
        "breaks": verdict.breaks.iter().map(|one| json!({
            "at": rfc3339(one.at),
            "spot": one.spot.as_str(),
            "reason": break_word(one.reason),
        })).collect::<Vec<_>>(),
    })
}

fn spot_verdict(spot: &SpotVerdict) -> Value {
    json!({
        "spot": spot.spot.as_str(),
        "required": spot.required,
        "qualified_at": time_or_null(spot.qualified_at),
        "longest_run": spot.longest_run.as_ref().map(run),
        "open_run": spot.open_run.as_ref().map(run),
        "given_up": spot.given_up.as_ref().map(|one| json!({ "at": rfc3339(one.at), "reason": one.reason })),
    })
}

fn run(run: &Run) -> Value {
    json!({
        "start": rfc3339(run.start),
        "end": rfc3339(run.end),
        "counted_ms": run.counted.0,
        "turns": run.turns,
    })
}

fn counts(counts: &Counts) -> Value {
    json!({
        "counting": counts.counting,
        "conflict": counts.conflict,
        "fault": counts.fault,
        "unplaced": counts.unplaced,
        "warming_up": counts.warming_up,
        "held": counts.held,
    })
}

pub(super) fn finding(finding: &Finding) -> Value {
    json!({
        "kind": words::kind(finding.kind),
        "level": words::level(finding.level),
        "opened": rfc3339(finding.opened),
        "at": rfc3339(finding.at),
        "spot": finding.spot.as_ref().map(SpotName::as_str),
        "probe": finding.probe.as_ref().map(ProbeId::as_str),
    })
}

/// An entry of the log: what is common to all, and under `event` what happened with its own figures.
pub(super) fn entry(entry: &Entry) -> Value {
    let one = &entry.entry;
    let mut what = serde_json::to_value(&one.event).unwrap_or_default();
    let kind = what.as_object_mut().and_then(|members| members.remove("event")).unwrap_or_default();
    json!({
        "seq": entry.seq,
        "prev": entry.prev,
        "pile": one.pile,
        "at": rfc3339(At(one.at_ms)),
        "entered": rfc3339(At(one.entered_ms)),
        "by": one.by,
        "note": one.note,
        "corrects": one.corrects,
        "event": kind,
        "figures": what,
    })
}

pub(super) fn incident(incident: &Incident, receipts: &Receipts) -> Value {
    json!({
        "incident": incident.id,
        "pile": incident.pile,
        "kind": incident.kind,
        "level": incident.level,
        "spot": incident.spot,
        "probe": incident.probe,
        "opened": rfc3339(At(incident.opened_ms)),
        "closed": time_or_null(incident.closed_ms.map(At)),
        "stage": incident.stage,
        "figures": incident.figures,
        "muted_until": time_or_null(incident.muted_until_ms.map(At)),
        "tellings": incident.tellings.iter().map(|one| json!({
            "at": rfc3339(At(one.at_ms)),
            "step": one.step,
            "messages": one.messages,
            "told": receipts.of_telling(one).map(|message| json!({
                "contact": message.contact,
                "channel": message.channel,
                "sent": time_or_null(receipts.sent_ms(message).map(At)),
            })).collect::<Vec<_>>(),
        })).collect::<Vec<_>>(),
    })
}

/// A message without its pictures: they are for mail.
pub(super) fn message(message: &OutboxMessage) -> Value {
    let mut delivery = Map::new();
    let mut put = |key: &str, value: Value| delivery.insert(key.to_owned(), value);
    match &message.delivery {
        Delivery::Waiting { due_ms } => {
            put("state", json!("waiting"));
            put("due", json!(rfc3339(At(*due_ms))));
        }
        Delivery::Sent { at_ms } => {
            put("state", json!("sent"));
            put("at", json!(rfc3339(At(*at_ms))));
        }
        Delivery::Superseded { by } => {
            put("state", json!("superseded"));
            put("by", json!(by));
        }
        Delivery::Failed { at_ms, reason } => {
            put("state", json!("failed"));
            put("at", json!(rfc3339(At(*at_ms))));
            put("reason", json!(reason));
        }
    }
    json!({
        "message": message.id,
        "channel": message.channel,
        "contact": message.contact,
        "incident": message.incident,
        "level": message.level,
        "created": rfc3339(At(message.created_ms)),
        "about": rfc3339(At(message.about_ms)),
        "subject": message.subject,
        "text": message.text,
        "tries": message.tries,
        "delivery": delivery,
    })
}
