//! Quillback Farm near Tansy Ford: three bays in a barn, their piles, probes and weather, minute by minute.

use heapward_rules::units::{At, Span};

use super::air::{Air, Weather};
use super::barn::{FITTINGS, PLACES, SPARE};
use super::bay::{Bay, Timer};
use super::heap::Mix;
use super::probes::{Fault, Mount, Probe, Said};
use super::stock;
use crate::model::pile::{PileRecord, PlacementRecord, SettingsRecord, SpotRecord};

/// The farm at an instant. Time passes only by [`Farm::pass_minute`].
pub struct Farm {
    pub now: At,
    bays: [Bay; 3],
    probes: Vec<Probe>,
    /// Probes that lie in the drawer.
    idle: Vec<&'static str>,
    weather: Weather,
    next_pile: u32,
}

/// What a person does to a pile or a probe, as far as the pile feels it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Work {
    SetTimer(Timer),
    Water {
        litres: f64,
    },
    /// Chips on top: less heat goes out.
    Cover,
    /// Turned, with dry stuff mixed in.
    RemixDry,
    ResetBreaker,
    /// Forked out to the curing place.
    Clear,
}

/// The story begins on a Monday morning: 2026-04-20, 07:00 in Tansy Ford.
pub const BEGINS: At = At(1_776_682_800_000);
/// The blower's timer as it is set on the first day.
pub const USUAL_TIMER: Timer = Timer { on_seconds: 120, every_minutes: 30 };
/// Water from the well, C.
const WELL_C: f64 = 12.0;

// === impl Farm ===

impl Farm {
    /// The farm on the first morning: three piles were built over the last days, the probes go in now.
    pub fn new(seed: u64) -> Farm {
        let built: [(u32, Mix, i64, u32); 3] = [
            (3, stock::QUILLBACK, 20, 150),
            (4, stock::HORSE_AND_HENS, 17, 60),
            (5, stock::WET_LEAVES, 60, 120),
        ];
        let bays = built.map(|(number, mix, hours, on_seconds)| {
            let mut bay = Bay::empty(Timer { on_seconds, ..USUAL_TIMER });
            bay.build(&pile_id(number), mix, BEGINS - Span::hours(hours));
            bay
        });
        let mut farm = Farm {
            now: BEGINS - Span::hours(60),
            bays,
            probes: FITTINGS.iter().map(|fitting| fitting.probe(seed)).collect(),
            idle: vec![SPARE],
            weather: Weather::new(seed, 14.0, 6.0),
            next_pile: 6,
        };
        while farm.now < BEGINS {
            farm.pass_weather();
        }
        farm
    }

    /// What is said at this minute; then the minute passes.
    pub fn pass_minute(&mut self) -> Vec<Said> {
        let (now, air) = (self.now, self.weather.at(self.now));
        let (bays, idle) = (&self.bays, &self.idle);
        let before = now - Span::minutes(1);
        let said = self
            .probes
            .iter_mut()
            .filter(|probe| !idle.contains(&probe.id))
            .filter_map(|probe| {
                let bay = bays.get(probe.bay)?;
                // A plug speaks at once when it is switched, too.
                let switched = probe.mount == Mount::Blower && bay.blows(now) != bay.blows(before);
                if probe.speaks_at(now) || switched { probe.read(now, bay, air) } else { None }
            })
            .collect();
        self.pass_weather();
        said
    }

    pub fn air(&self) -> Air {
        self.weather.at(self.now)
    }

    pub fn bay(&self, index: usize) -> Option<&Bay> {
        self.bays.get(index)
    }

    /// The bay of a pile.
    pub fn bay_of(&self, pile: &str) -> Option<usize> {
        self.bays.iter().position(|bay| bay.pile() == Some(pile))
    }

    /// Does something to a bay.
    pub fn work(&mut self, bay: usize, work: Work) {
        let (now, air) = (self.now, self.air());
        let Some(bay) = self.bays.get_mut(bay) else { return };
        match work {
            Work::SetTimer(timer) => {
                bay.timer = timer;
                bay.timer_set = Some(now);
            }
            Work::ResetBreaker => bay.tripped = false,
            Work::Clear => bay.clear(),
            Work::Water { litres } => on_heap(bay, |heap| heap.water(litres, WELL_C)),
            Work::Cover => on_heap(bay, |heap| heap.cover(8.0)),
            Work::RemixDry => on_heap(bay, |heap| heap.turn(air, Some(stock::DRY_MANURE))),
        }
    }

    /// Builds a new pile in an empty bay; its id.
    pub fn build(&mut self, bay: usize, mix: Mix) -> Option<String> {
        let (now, id) = (self.now, pile_id(self.next_pile));
        let place = self.bays.get_mut(bay).filter(|bay| bay.pile().is_none())?;
        place.timer = USUAL_TIMER;
        place.timer_set = None;
        place.build(&id, mix, now);
        self.next_pile += 1;
        Some(id)
    }

    pub fn break_probe(&mut self, id: &str, fault: Option<Fault>) {
        if let Some(probe) = self.probes.iter_mut().find(|probe| probe.id == id) {
            probe.fault = fault;
        }
    }

    pub fn trip_breaker(&mut self, bay: usize) {
        if let Some(bay) = self.bays.get_mut(bay) {
            bay.tripped = true;
        }
    }

    /// Whether a probe lies in the drawer.
    pub fn is_idle(&self, id: &str) -> bool {
        self.idle.contains(&id)
    }

    /// Puts the spare probe in the place of another, which goes to the drawer.
    pub fn swap_for_spare(&mut self, broken: &str) {
        if let Some(probe) = self.probes.iter().find(|probe| probe.id == broken) {
            self.idle = vec![probe.id];
        }
    }

    /// Temperatures at a spot as a good thermometer reads them, C.
    pub fn by_hand(&self, bay: usize, spot: &str) -> Option<f64> {
        let fitting = FITTINGS.iter().find(|fitting| fitting.bay == bay && fitting.spot == spot)?;
        let Mount::Zone { zone, warmer_c } = fitting.mount else { return None };
        self.bays.get(bay)?.heap()?.temperatures().get(zone).map(|t_c| t_c + warmer_c)
    }

    /// The pile in a bay as the record wants it, with the probes that stand there from now on.
    pub fn record(&self, bay: usize) -> Option<PileRecord> {
        let standing = self.bays.get(bay)?;
        let fitted = FITTINGS.iter().filter(|f| f.bay == bay && !self.idle.contains(&f.id));
        let spots = PLACES.iter().filter(|place| fitted.clone().any(|fitting| fitting.spot == place.spot));
        Some(PileRecord {
            id: standing.pile()?.to_owned(),
            bay: Some((bay + 1).to_string()),
            method: "aerated-static".to_owned(),
            material: "manure".to_owned(),
            built_ms: standing.built()?.0,
            initial_cn: Some([29.6, 26.4, 34.1].get(bay).copied()?),
            recipe: None,
            standards: ["us-organic", "us-organic-5021", "us-produce"].map(str::to_owned).to_vec(),
            spots: spots
                .map(|place| SpotRecord {
                    name: place.spot.to_owned(),
                    zone: place.zone.to_owned(),
                    depth_in: (place.depth_in > 0.0).then_some(place.depth_in),
                    watched_only: false,
                })
                .collect(),
            placements: fitted
                .map(|fitting| PlacementRecord {
                    probe: fitting.id.to_owned(),
                    spot: fitting.spot.to_owned(),
                    from_ms: self.now.0,
                    until_ms: None,
                    every_ms: fitting.every.0,
                    offset_c: 0.0,
                })
                .collect(),
            settings: SettingsRecord::default(),
        })
    }

    /// Lets a minute pass over the piles that stand already.
    fn pass_weather(&mut self) {
        let (now, air) = (self.now, self.weather.at(self.now));
        for bay in self.bays.iter_mut().filter(|bay| bay.built().is_some_and(|built| built <= now)) {
            bay.pass_minute(now, air);
        }
        self.now = now + Span::minutes(1);
    }
}

fn on_heap(bay: &mut Bay, work: impl FnOnce(&mut super::heap::Heap)) {
    if let Some(heap) = bay.heap_mut() {
        work(heap);
    }
}

fn pile_id(number: u32) -> String {
    format!("2026-{number:02}")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn days_of(farm: &mut Farm, days: i64) -> Vec<Said> {
        (0..days * 1440).flat_map(|_| farm.pass_minute()).collect()
    }

    #[test]
    fn a_seed_gives_the_same_season() {
        let (mut a, mut b, mut c) = (Farm::new(5), Farm::new(5), Farm::new(6));
        let said = days_of(&mut a, 2);
        assert_eq!(said, days_of(&mut b, 2));
        assert_ne!(said, days_of(&mut c, 2));
        // 4 lances each 5 minutes, 5 lances and 4 others each 10; plugs each 5 and when they are switched.
        let of = |id: &str| said.iter().filter(|said| said.probe == id).count();
        assert_eq!(
            (of("k1"), of("k5"), of("k8"), of("m2"), of("a1"), of(SPARE)),
            (576, 288, 288, 288, 288, 0)
        );
        assert!((576..700).contains(&of("b1")), "{}", of("b1"));
    }

    #[test]
    fn the_first_days_tell_a_story() {
        let mut farm = Farm::new(1);
        let said = days_of(&mut farm, 4);
        let hour = |said: &Said| (said.at - BEGINS).as_hours();
        let first = |id: &str, value: f64| said.iter().find(|said| said.probe == id && said.value >= value);
        // The good pile: in range at every spot on the first day, for three days, and never above 160 F.
        for id in ["k1", "k2", "k3", "k4"] {
            let from = first(id, 55.0).map(hour).unwrap();
            assert!((0.5..24.0).contains(&from), "{id} {from}");
            assert!(said.iter().filter(|s| s.probe == id && hour(s) > from + 1.0).all(|s| s.value >= 54.9));
            assert!(said.iter().filter(|s| s.probe == id).all(|s| s.value < 71.1), "{id}");
        }
        // The rich one crosses 160 F on the first day, in waking hours.
        let hot = ["k5", "k6", "k7"].iter().filter_map(|id| first(id, 160.1)).map(hour).fold(99.0, f64::min);
        assert!((5.0..13.0).contains(&hot), "{hot}");
        // The wet one gets nowhere.
        assert!(first("k8", 50.0).is_none() && first("k9", 50.0).is_none());
    }

    #[test]
    fn people_and_faults_change_the_farm() {
        let mut farm = Farm::new(1);
        days_of(&mut farm, 1);
        let before = farm.by_hand(1, "core").unwrap();
        farm.work(1, Work::Water { litres: 300.0 });
        assert!(farm.by_hand(1, "core").unwrap() < before - 5.0);
        farm.break_probe("k8", Some(Fault::Silent));
        assert!(days_of(&mut farm, 1).iter().all(|said| said.probe != "k8"));
        farm.swap_for_spare("k8");
        assert!(days_of(&mut farm, 1).iter().any(|said| said.probe == SPARE));
        assert!(farm.record(2).unwrap().placements.iter().all(|p| p.probe != "k8"));
        farm.trip_breaker(0);
        assert!(days_of(&mut farm, 1).iter().filter(|said| said.probe == "b1").all(|said| said.value == 0.0));
        assert_eq!(farm.build(0, stock::QUILLBACK), None);
        farm.work(0, Work::Clear);
        assert_eq!(farm.build(0, stock::QUILLBACK).as_deref(), Some("2026-06"));
        assert_eq!(farm.bay_of("2026-06"), Some(0));
    }
}
