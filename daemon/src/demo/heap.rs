//! A pile as heat, water and food: three zones, each of one temperature, with air that passes from the pipes
//! through the core and the middle to the outer layer.
//!
//! First-order decay of the biodegradable solids with factors for temperature, moisture, free air space and oxygen;
//! heat leaves with the air and through the cover. The family of models is Mason's (Waste Management 26, 2006); the
//! cardinal temperatures, conductances and the natural draught are assumptions that give a plausible curve. It is a
//! stage set for the demo and the tests, and says nothing about a real pile.

use super::air::Air;
use super::layer::{HEAT_KJ_PER_KG, Layer, Passing, WATER_KJ_PER_KG_K};

/// What a pile is built of.
#[derive(Clone, Copy, Debug)]
pub struct Mix {
    pub dry_kg: f64,
    /// Share of water in the wet mass, 0 to 1.
    pub moisture: f64,
    pub volume_m3: f64,
    /// Share of the dry mass that microbes can use up, and of that the share that goes fast.
    pub degradable: f64,
    pub fast: f64,
    pub start_c: f64,
    /// How well the microbes are fed and mixed: 1 is usual, a lean or poisoned mix has less.
    pub vigour: f64,
    /// Heat that the cover lets out, W per K: about 8 under 8 inches of chips.
    pub cover_w_per_k: f64,
}

#[derive(Clone, Debug)]
pub struct Heap {
    /// Core, middle, outer.
    zones: [Layer; 3],
    vigour: f64,
    cover_w_per_k: f64,
    pub ledger: Ledger,
}

/// Sums since the pile was built, for the balances.
#[derive(Clone, Copy, Debug, Default)]
pub struct Ledger {
    pub burnt_kg: f64,
    pub heat_kj: f64,
    pub cover_kj: f64,
    /// Heat that left with the air, less what came in with it.
    pub air_kj: f64,
    /// Heat gained by turning: that of fresh stuff, less what is lost over the fork.
    pub turned_kj: f64,
    /// Heat that came with water from the hose.
    pub hose_kj: f64,
    pub vapour_kg: f64,
    pub hose_kg: f64,
}

/// Shares of the whole pile.
const SHARES: [f64; 3] = [0.30, 0.40, 0.30];
/// Share of the air that enters at each zone: some slips past the core.
const INLETS: [f64; 3] = [0.35, 0.20, 0.45];
/// Conductance from core to middle and from middle to outer, W per K.
const INNER_W_PER_K: [f64; 2] = [7.0, 12.0];
/// Air drawn up by the pile's own warmth, m3 per hour and K.
const DRAUGHT_M3_PER_H_K: f64 = 0.09;

// === impl Heap ===

impl Heap {
    pub fn new(mix: Mix) -> Heap {
        Heap {
            zones: SHARES.map(|share| Layer::of(mix, share)),
            vigour: mix.vigour,
            cover_w_per_k: mix.cover_w_per_k,
            ledger: Ledger::default(),
        }
    }

    /// Temperatures of core, middle and outer layer in C.
    pub fn temperatures(&self) -> [f64; 3] {
        self.zones.map(|zone| zone.t_c)
    }

    /// Share of water in the wet mass of core, middle and outer layer, 0 to 1.
    pub fn moistures(&self) -> [f64; 3] {
        self.zones.map(|zone| zone.moisture())
    }

    /// Share of water in the wet mass of the whole pile.
    pub fn moisture(&self) -> f64 {
        self.water_kg() / (self.water_kg() + self.dry_kg())
    }

    pub fn dry_kg(&self) -> f64 {
        self.zones.iter().map(Layer::dry_kg).sum()
    }

    pub fn water_kg(&self) -> f64 {
        self.zones.iter().map(|zone| zone.water_kg).sum()
    }

    pub fn volume_m3(&self) -> f64 {
        self.zones.iter().map(|zone| zone.volume_m3).sum()
    }

    /// Heat in the pile, kJ from 0 C.
    pub fn stored_kj(&self) -> f64 {
        self.zones.iter().map(|zone| zone.capacity() * zone.t_c).sum()
    }

    /// Lets `seconds` pass (at most some minutes) with `blown` m3/s from the blower.
    pub fn step(&mut self, seconds: f64, air: Air, blown_m3_s: f64) {
        let warmth = (self.temperatures().iter().sum::<f64>() / 3.0 - air.t_c).max(0.0);
        let flow_kg = (blown_m3_s + DRAUGHT_M3_PER_H_K * warmth / 3600.0) * air.density() * seconds;
        let mut heats = self.conduction_kj(seconds, air);
        let mut passing = Passing { air_kg: 0.0, water_kg: 0.0, heat_kj: 0.0, oxygen_kg: 0.0 };
        for (index, zone) in self.zones.iter_mut().enumerate() {
            let fresh_kg = flow_kg * INLETS[index];
            passing.take_in(fresh_kg, air);
            self.ledger.air_kj -= fresh_kg * air.enthalpy();
            self.ledger.vapour_kg -= fresh_kg * air.water_ratio();
            let stored = zone.capacity() * zone.t_c;
            let burnt = zone.burn(seconds, self.vigour);
            self.ledger.burnt_kg += burnt;
            self.ledger.heat_kj += burnt * HEAT_KJ_PER_KG;
            heats[index] += burnt * HEAT_KJ_PER_KG + zone.exchange(&mut passing, burnt);
            zone.t_c = (stored + heats[index]) / zone.capacity();
        }
        self.ledger.air_kj += passing.heat_kj;
        self.ledger.vapour_kg += passing.water_kg;
    }

    /// Water from the hose, spread over the whole pile.
    pub fn water(&mut self, litres: f64, water_c: f64) {
        for (zone, share) in self.zones.iter_mut().zip(SHARES) {
            let kg = litres * share;
            let heat = zone.capacity() * zone.t_c + kg * WATER_KJ_PER_KG_K * water_c;
            zone.water_kg += kg;
            zone.t_c = heat / zone.capacity();
        }
        self.ledger.hose_kg += litres;
        self.ledger.hose_kj += litres * WATER_KJ_PER_KG_K * water_c;
    }

    /// Turns and mixes the pile, with fresh stuff if there is some; it cools by a quarter on its way over the fork.
    pub fn turn(&mut self, air: Air, fresh: Option<Mix>) {
        let before = self.stored_kj();
        let mut whole = self.zones[0];
        let total = |part: fn(&Layer) -> f64| self.zones.iter().map(part).sum::<f64>();
        whole.inert_kg = total(|zone| zone.inert_kg);
        whole.fast_kg = total(|zone| zone.fast_kg);
        whole.slow_kg = total(|zone| zone.slow_kg);
        whole.water_kg = total(|zone| zone.water_kg);
        whole.volume_m3 = total(|zone| zone.volume_m3);
        let mut heat = before;
        if let Some(mix) = fresh {
            let added = Layer::of(mix, 1.0);
            heat += added.capacity() * added.t_c;
            whole.inert_kg += added.inert_kg;
            whole.fast_kg += added.fast_kg;
            whole.slow_kg += added.slow_kg;
            whole.water_kg += added.water_kg;
            whole.volume_m3 += added.volume_m3;
            self.vigour = mix.vigour;
        }
        let mixed_c = heat / whole.capacity();
        whole.t_c = mixed_c - 0.25 * (mixed_c - air.t_c);
        whole.oxygen = 20.9;
        self.zones = SHARES.map(|share| whole.share(share));
        self.ledger.turned_kj += self.stored_kj() - before;
    }

    /// Another cover: chips added or blown off.
    pub fn cover(&mut self, w_per_k: f64) {
        self.cover_w_per_k = w_per_k;
    }

    /// Heat that each zone gains from its neighbours and loses through the cover, kJ.
    fn conduction_kj(&mut self, seconds: f64, air: Air) -> [f64; 3] {
        let [core, middle, outer] = self.temperatures();
        let kj = |w_per_k: f64, kelvin: f64| w_per_k * kelvin * seconds / 1000.0;
        let inner = kj(INNER_W_PER_K[0], core - middle);
        let outward = kj(INNER_W_PER_K[1], middle - outer);
        let lost = kj(self.cover_w_per_k, outer - air.t_c);
        self.ledger.cover_kj += lost;
        [-inner, inner - outward, outward - lost]
    }
}

#[cfg(test)]
mod tests {
    use heapward_rules::units::{At, Span};

    use super::*;
    use crate::demo::air::Weather;
    use crate::demo::layer::WATER_KG_PER_KG;
    use crate::demo::stock;

    /// Lets days pass with so many seconds of the blower every half hour; what each minute looked like.
    fn run(heap: &mut Heap, days: i64, on_seconds: f64) -> Vec<[f64; 3]> {
        let weather = Weather::new(1, 14.0, 6.0);
        let mut at = At(1_777_000_000_000);
        let mut curve = Vec::new();
        for minute in 0..days * 1440 {
            let blown = if minute % 30 == 0 { 0.05 * on_seconds / 60.0 } else { 0.0 };
            heap.step(60.0, weather.at(at), blown);
            at = at + Span::minutes(1);
            curve.push(heap.temperatures());
        }
        curve
    }

    /// First hour at which a zone is at a temperature.
    fn hour_of(curve: &[[f64; 3]], zone: usize, t_c: f64) -> Option<usize> {
        curve.iter().position(|zones| zones[zone] >= t_c).map(|minute| minute / 60)
    }

    #[test]
    fn heat_water_and_solids_are_neither_lost_nor_made() {
        for mix in [stock::QUILLBACK, stock::HORSE_AND_HENS, stock::WET_LEAVES] {
            let mut heap = Heap::new(mix);
            let (stored, water, dry) = (heap.stored_kj(), heap.water_kg(), heap.dry_kg());
            run(&mut heap, 6, 120.0);
            heap.water(300.0, 12.0);
            run(&mut heap, 2, 240.0);
            heap.turn(Air { t_c: 12.0, humidity: 0.6 }, None);
            run(&mut heap, 4, 60.0);
            let sums = heap.ledger;
            let heat_left =
                stored + sums.heat_kj + sums.hose_kj + sums.turned_kj - sums.cover_kj - sums.air_kj;
            assert!((heap.stored_kj() - heat_left).abs() < 1e-3, "{} kJ", heap.stored_kj() - heat_left);
            let water_left = water + sums.hose_kg + sums.burnt_kg * WATER_KG_PER_KG - sums.vapour_kg;
            assert!((heap.water_kg() - water_left).abs() < 1e-6, "{} kg", heap.water_kg() - water_left);
            assert!((heap.dry_kg() + sums.burnt_kg - dry).abs() < 1e-6);
        }
    }

    #[test]
    fn a_good_pile_heats_within_two_days_holds_for_three_and_cools_within_a_month() {
        let mut heap = Heap::new(stock::QUILLBACK);
        let volume = heap.volume_m3();
        let curve = run(&mut heap, 30, 150.0);
        let core = hour_of(&curve, 0, 55.0).unwrap();
        let outer = hour_of(&curve, 2, 55.0).unwrap();
        assert!((16..36).contains(&core) && (core..48).contains(&outer), "{core} {outer}");
        let hottest = curve.iter().flatten().copied().fold(0.0, f64::max);
        assert!((66.0..71.1).contains(&hottest), "{hottest}");
        assert!(curve[outer * 60 + 60..][..72 * 60].iter().flatten().all(|t| *t >= 55.0));
        assert!(curve[29 * 1440].iter().all(|t| *t < 45.0));
        assert!((0.30..0.50).contains(&heap.moisture()), "{}", heap.moisture());
        assert!((0.6..0.95).contains(&(heap.volume_m3() / volume)));
    }

    #[test]
    fn a_rich_pile_overheats_and_more_air_and_water_bring_it_down() {
        let mut heap = Heap::new(stock::HORSE_AND_HENS);
        let curve = run(&mut heap, 2, 60.0);
        let hour = (0..3).filter_map(|zone| hour_of(&curve, zone, 71.2)).min().unwrap();
        assert!((18..32).contains(&hour), "{hour}");
        let before = heap.temperatures();
        heap.water(250.0, 12.0);
        assert!(heap.temperatures().iter().zip(before).all(|(after, before)| *after < before - 4.0));
        let curve = run(&mut heap, 2, 240.0);
        assert!(curve.iter().flatten().all(|t| *t < 71.1), "{:?}", curve[2000]);
    }

    #[test]
    fn a_wet_pile_stalls_until_it_is_mixed_with_dry_stuff() {
        let mut heap = Heap::new(stock::WET_LEAVES);
        let curve = run(&mut heap, 5, 120.0);
        assert!(curve.iter().flatten().all(|t| *t < 45.0));
        heap.turn(Air { t_c: 15.0, humidity: 0.6 }, Some(stock::DRY_MANURE));
        let curve = run(&mut heap, 5, 120.0);
        let core = hour_of(&curve, 0, 55.0).unwrap();
        assert!((12..72).contains(&core), "{core}");
    }
}
