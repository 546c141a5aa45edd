//! What the grower does, to the pile and into the record: by the same entries that a person makes on the page.

use heapward_rules::units::{At, Celsius, Span};

use super::barn::{FITTINGS, Fitting, PLACES, SPARE};
use super::bay::Timer;
use super::farm::{Farm, Work};
use super::grower::Errand;
use super::heap::Mix;
use crate::model::entry::{Event, NewEntry};
use crate::model::pile::PlacementRecord;
use crate::recorder::{Handle, Refusal};

/// Initials under every entry of the demo.
const BY: &str = "OM";
/// The blower never runs longer than this of its half hour.
const ON_SECONDS_MAX: f64 = 240.0;

/// Does an errand; what was done, in words. `None` where there was nothing to do any more.
pub async fn run(
    errand: &Errand,
    farm: &mut Farm,
    records: &Handle,
    fresh: Mix,
) -> Result<Option<String>, Refusal> {
    match errand {
        Errand::ReadByHand { pile } => read_by_hand(pile, farm, records).await,
        Errand::GiveAir { pile, times } => give_air(pile, *times, farm, records).await,
        Errand::Moisten { pile, litres } => {
            let litres = (litres / 10.0).round() * 10.0;
            let Some(bay) = farm.bay_of(pile) else { return Ok(None) };
            farm.work(bay, Work::Water { litres });
            enter(records, pile, farm.now, Event::Watered { litres: Some(litres) }, "in three portions")
                .await?;
            Ok(Some(format!("waters {pile}: {:.0} gallons in three portions", litres / 3.785)))
        }
        Errand::AddCover { pile } => {
            let Some(bay) = farm.bay_of(pile) else { return Ok(None) };
            farm.work(bay, Work::Cover);
            enter(records, pile, farm.now, Event::Covered { depth_in: Some(10.0) }, "").await?;
            Ok(Some(format!("adds chips on {pile}: the cover is 10 inches now")))
        }
        Errand::MixInDry { pile } => mix_in_dry(pile, farm, records).await,
        Errand::MendProbe { pile, probe } => mend_probe(pile, probe, farm, records).await,
        Errand::ResetBreaker { pile } => {
            let Some(bay) = farm.bay_of(pile) else { return Ok(None) };
            farm.work(bay, Work::ResetBreaker);
            enter(records, pile, farm.now, Event::Note, "Breaker of the blower was out, reset.").await?;
            Ok(Some(format!("finds the breaker of {pile}'s blower out and resets it")))
        }
        Errand::RestartGateway => Ok(Some("finds the gateways at work; it was the network".to_owned())),
        Errand::MoveToCuring { pile } => move_to_curing(pile, farm, records).await,
        Errand::Spread { pile } => {
            let used = Event::Used {
                bed: "north-4".to_owned(),
                cubic_yards: Some(4.0),
                crop: Some("winter squash".to_owned()),
                touches_soil: Some(true),
                harvest: None,
            };
            enter(records, pile, farm.now, used, "").await?;
            Ok(Some(format!("spreads {pile} on bed north-4")))
        }
        Errand::Build { bay } => build(*bay, fresh, farm, records).await,
    }
}

/// Enters the piles that stand on the first morning.
pub async fn start(farm: &Farm, records: &Handle) -> Result<(), Refusal> {
    for bay in 0..3 {
        if let Some(record) = farm.record(bay) {
            records.start_pile(record, BY.to_owned()).await?;
        }
    }
    Ok(())
}

async fn read_by_hand(pile: &str, farm: &mut Farm, records: &Handle) -> Result<Option<String>, Refusal> {
    let Some(bay) = farm.bay_of(pile) else { return Ok(None) };
    let mut said = Vec::new();
    for place in PLACES {
        let Some(t_c) = farm.by_hand(bay, place.spot) else { continue };
        let value = Celsius(t_c).to_f().round();
        let event = Event::HandReading { spot: place.spot.to_owned(), value, unit: "F".to_owned() };
        enter(records, pile, farm.now, event, "stem thermometer").await?;
        said.push(format!("{} {value:.0} F", place.spot));
    }
    Ok(Some(format!("reads {pile} by hand: {}", said.join(", "))))
}

async fn give_air(
    pile: &str,
    times: f64,
    farm: &mut Farm,
    records: &Handle,
) -> Result<Option<String>, Refusal> {
    let Some(bay) = farm.bay_of(pile) else { return Ok(None) };
    let Some((before, set)) = farm.bay(bay).map(|bay| (bay.timer, bay.timer_set)) else { return Ok(None) };
    // A small step shows after a day; nobody takes the next one before.
    if times < 2.0 && set.is_some_and(|set| farm.now - set < Span::hours(20)) {
        return Ok(None);
    }
    let wanted = (f64::from(before.on_seconds) * times / 10.0).round() * 10.0;
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "between 30 and 240")]
    let on_seconds = wanted.clamp(30.0, ON_SECONDS_MAX) as u32;
    if on_seconds == before.on_seconds {
        return Ok(None);
    }
    farm.work(bay, Work::SetTimer(Timer { on_seconds, ..before }));
    let off_seconds = before.every_minutes * 60 - on_seconds;
    let event = Event::AerationChanged { on_seconds: Some(on_seconds), off_seconds: Some(off_seconds) };
    enter(records, pile, farm.now, event, "").await?;
    Ok(Some(format!(
        "sets {pile}'s blower to {on_seconds} s every {} min (it was {} s)",
        before.every_minutes, before.on_seconds
    )))
}

async fn mix_in_dry(pile: &str, farm: &mut Farm, records: &Handle) -> Result<Option<String>, Refusal> {
    let Some(bay) = farm.bay_of(pile) else { return Ok(None) };
    let squeeze = Event::Check {
        squeeze: Some("wet".to_owned()),
        smell: Some("sour".to_owned()),
        blower_heard: Some(true),
    };
    enter(records, pile, farm.now, squeeze, "water runs out of the fist").await?;
    farm.work(bay, Work::RemixDry);
    let added = Event::MaterialAdded { what: "dry stable bedding, 3 cubic yards".to_owned() };
    enter(records, pile, farm.now, added, "too wet to heat").await?;
    enter(records, pile, farm.now, Event::Turned, "forked over with the bedding").await?;
    Ok(Some(format!("forks {pile} over and mixes dry bedding in: it was too wet to heat")))
}

async fn mend_probe(
    pile: &str,
    probe: &str,
    farm: &mut Farm,
    records: &Handle,
) -> Result<Option<String>, Refusal> {
    let Some(fitting) = Fitting::find(probe).filter(|_| !farm.is_idle(probe)) else { return Ok(None) };
    let by_hand = read_by_hand(pile, farm, records).await?;
    let spare = FITTINGS.iter().find(|f| f.id == SPARE && f.bay == fitting.bay && f.spot == fitting.spot);
    if let Some(spare) = spare.filter(|spare| spare.id != probe && farm.is_idle(spare.id)) {
        farm.swap_for_spare(probe);
        let placement = PlacementRecord {
            probe: spare.id.to_owned(),
            spot: spare.spot.to_owned(),
            from_ms: farm.now.0,
            until_ms: None,
            every_ms: spare.every.0,
            offset_c: 0.0,
        };
        records.place(pile.to_owned(), placement, BY.to_owned()).await?;
        return Ok(Some(format!(
            "finds {probe} dead: {} takes its place at {pile} {}",
            spare.id, spare.spot
        )));
    }
    farm.break_probe(probe, None);
    let note = format!("{probe}: plug cleaned and dried, pushed back in.");
    enter(records, pile, farm.now, Event::Note, &note).await?;
    Ok(by_hand.map(|by_hand| format!("dries {probe}'s plug and pushes it back in; {by_hand}")))
}

async fn move_to_curing(pile: &str, farm: &mut Farm, records: &Handle) -> Result<Option<String>, Refusal> {
    let Some(bay) = farm.bay_of(pile) else { return Ok(None) };
    enter(records, pile, farm.now, Event::MovedToCuring, "").await?;
    for fitting in FITTINGS.iter().filter(|f| f.bay == bay && !farm.is_idle(f.id)) {
        enter(records, pile, farm.now, Event::ProbeRemoved { probe: fitting.id.to_owned() }, "").await?;
    }
    farm.work(bay, Work::Clear);
    Ok(Some(format!("forks {pile} out to cure; bay {} and its probes are free", bay + 1)))
}

async fn build(bay: usize, fresh: Mix, farm: &mut Farm, records: &Handle) -> Result<Option<String>, Refusal> {
    let Some(pile) = farm.build(bay, fresh) else { return Ok(None) };
    let Some(record) = farm.record(bay) else { return Ok(None) };
    records.start_pile(record, BY.to_owned()).await?;
    Ok(Some(format!("builds {pile} in bay {} and sticks the probes in", bay + 1)))
}

async fn enter(records: &Handle, pile: &str, at: At, event: Event, note: &str) -> Result<(), Refusal> {
    let entry = NewEntry {
        pile: Some(pile.to_owned()),
        at_ms: at.0,
        entered_ms: at.0,
        by: BY.to_owned(),
        note: note.to_owned(),
        corrects: None,
        event,
    };
    records.enter(entry).await.map(|_| ())
}
