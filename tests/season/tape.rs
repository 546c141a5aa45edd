//! What happens in a season, in order of time.

use heapward::demo::barn::Fitting;
use heapward::demo::farm::{BEGINS, Farm, Work};
use heapward::demo::mishaps::{Mishap, Mishaps};
use heapward::demo::probes::Said;
use heapward::model::entry::{Event, NewEntry};
use heapward::model::pile::{PileRecord, PlacementRecord};
use heapward::model::reading::{DatedBy, DatedReading};
use heapward_rules::ids::ProbeId;
use heapward_rules::units::{At, Span};

#[derive(Clone, Debug)]
pub(crate) struct Step {
    pub(crate) at: At,
    pub(crate) item: Item,
}

#[derive(Clone, Debug)]
pub(crate) enum Item {
    Readings(Vec<DatedReading>),
    Start(Box<PileRecord>),
    Enter(NewEntry),
    Place(String, PlacementRecord),
}

pub(crate) struct Tape {
    pub(crate) steps: Vec<Step>,
}

/// A mishap is mended after this.
const MENDED_AFTER: Span = Span::hours(20);

// === impl Tape ===

impl Tape {
    /// With mishaps, and with a grower who does what is needed.
    pub(crate) fn of_season(seed: u64, days: i64) -> Tape {
        Tape::play(seed, days, Some(Mishaps::new(seed)))
    }

    /// Without mishaps; the grower looks after the first bay alone, and the others go wrong.
    pub(crate) fn of_one_good_pile(seed: u64, days: i64) -> Tape {
        Tape::play(seed, days, None)
    }

    fn play(seed: u64, days: i64, mut mishaps: Option<Mishaps>) -> Tape {
        let mut farm = Farm::new(seed);
        let is_cared_for = mishaps.is_some();
        let mut mending: Vec<(At, Mishap)> = Vec::new();
        let mut tape = Tape { steps: Vec::new() };
        for bay in 0..3 {
            tape.push(farm.now, Item::Start(Box::new(farm.record(bay).unwrap())));
        }
        while farm.now < BEGINS + Span::days(days) {
            let now = farm.now;
            for mishap in mishaps.as_mut().map(|mishaps| mishaps.due(now)).unwrap_or_default() {
                suffer(&mut farm, mishap);
                mending.push((farm.now + MENDED_AFTER, mishap));
            }
            while let Some(index) = mending.iter().position(|(due, _)| *due <= farm.now) {
                mend(&mut farm, mending.remove(index).1);
            }
            tape.work(&mut farm, is_cared_for);
            let at = farm.now;
            let said = farm.pass_minute();
            if !said.is_empty() {
                tape.push(at, Item::Readings(said.iter().map(dated).collect()));
            }
        }
        tape
    }

    fn push(&mut self, at: At, item: Item) {
        self.steps.push(Step { at, item });
    }

    fn enter(&mut self, at: At, pile: &str, event: Event) {
        let entry = NewEntry {
            pile: Some(pile.to_owned()),
            at_ms: at.0,
            entered_ms: at.0,
            by: "OM".to_owned(),
            note: String::new(),
            corrects: None,
            event,
        };
        self.push(at, Item::Enter(entry));
    }

    /// What the grower does, by a fixed plan: in all bays, or in the first alone.
    fn work(&mut self, farm: &mut Farm, in_all: bool) {
        let (at, minutes) = (farm.now, (farm.now - BEGINS).0 / 60_000);
        let hand = |spot: &str, value: f64| Event::HandReading {
            spot: spot.to_owned(),
            value: value.round(),
            unit: "F".to_owned(),
        };
        match minutes {
            35 => {
                for (pile, bay) in [("2026-03", 0), ("2026-04", 1), ("2026-05", 2)] {
                    let core = farm.by_hand(bay, "core").unwrap() * 1.8 + 32.0;
                    self.enter(at, pile, hand("core", core));
                }
            }
            660 if in_all => {
                farm.work(1, Work::Water { litres: 250.0 });
                self.enter(at, "2026-04", Event::Watered { litres: Some(250.0) });
                let timer = heapward::demo::bay::Timer { on_seconds: 240, every_minutes: 30 };
                farm.work(1, Work::SetTimer(timer));
                let event = Event::AerationChanged { on_seconds: Some(240), off_seconds: Some(1560) };
                self.enter(at, "2026-04", event);
            }
            4_500 if in_all => {
                farm.work(2, Work::RemixDry);
                self.enter(at, "2026-05", Event::MaterialAdded { what: "dry bedding".to_owned() });
                self.enter(at, "2026-05", Event::Turned);
            }
            7_300 if in_all => {
                farm.swap_for_spare("k8");
                let placement = PlacementRecord {
                    probe: "k10".to_owned(),
                    spot: "core".to_owned(),
                    from_ms: at.0,
                    until_ms: None,
                    every_ms: 600_000,
                    offset_c: -0.2,
                };
                self.push(at, Item::Place("2026-05".to_owned(), placement));
            }
            16_000 => {
                farm.work(0, Work::Water { litres: 300.0 });
                self.enter(at, "2026-03", Event::Watered { litres: Some(300.0) });
            }
            _ => {}
        }
    }
}

fn suffer(farm: &mut Farm, mishap: Mishap) {
    match mishap {
        Mishap::Probe { probe, fault } => farm.break_probe(probe, Some(fault)),
        Mishap::Breaker { bay } => farm.trip_breaker(bay),
        Mishap::NetworkDown | Mishap::NetworkUp => {}
    }
}

fn mend(farm: &mut Farm, mishap: Mishap) {
    match mishap {
        Mishap::Probe { probe, .. } => farm.break_probe(probe, None),
        Mishap::Breaker { bay } => farm.work(bay, Work::ResetBreaker),
        Mishap::NetworkDown | Mishap::NetworkUp => {}
    }
}

fn dated(said: &Said) -> DatedReading {
    let fitting = Fitting::find(said.probe).unwrap();
    DatedReading {
        probe: ProbeId::new(said.probe),
        quantity: fitting.probe(0).quantity(),
        unit: fitting.unit(),
        at: said.at,
        value: said.value,
        dated_by: DatedBy::Payload,
    }
}
