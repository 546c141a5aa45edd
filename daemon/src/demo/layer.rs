//! One zone of a pile: what it is made of, how it burns, and how the air passes through it.

use super::air::{Air, enthalpy, saturated_ratio};
use super::heap::Mix;

#[derive(Clone, Copy, Debug)]
pub(super) struct Layer {
    pub(super) t_c: f64,
    /// Ash and what microbes can't use.
    pub(super) inert_kg: f64,
    pub(super) fast_kg: f64,
    pub(super) slow_kg: f64,
    pub(super) water_kg: f64,
    pub(super) volume_m3: f64,
    /// Oxygen in the pores, % of volume.
    pub(super) oxygen: f64,
    /// How far the microbes have grown, 0 to 1.
    pub(super) awake: f64,
}

/// Air on its way through the zones, with what it carries.
pub(super) struct Passing {
    pub(super) air_kg: f64,
    pub(super) water_kg: f64,
    pub(super) heat_kj: f64,
    pub(super) oxygen_kg: f64,
}

pub(super) const HEAT_KJ_PER_KG: f64 = 19_000.0;
const OXYGEN_KG_PER_KG: f64 = 1.36;
/// Water that forms when a kilogram of solids is used up.
pub(super) const WATER_KG_PER_KG: f64 = 0.55;
const DRY_KJ_PER_KG_K: f64 = 1.4;
pub(super) const WATER_KJ_PER_KG_K: f64 = 4.186;
/// Decay at the best temperature, per day.
const FAST_PER_DAY: f64 = 0.12;
const SLOW_PER_DAY: f64 = 0.022;
/// kg of oxygen in a kg of air.
const OXYGEN_OF_AIR: f64 = 0.232;
/// Growth of the microbes at the best temperature.
const GROWTH_PER_DAY: f64 = 6.0;

// === impl Passing ===

impl Passing {
    pub(super) fn take_in(&mut self, kg: f64, air: Air) {
        self.air_kg += kg;
        self.water_kg += kg * air.water_ratio();
        self.heat_kj += kg * air.enthalpy();
        self.oxygen_kg += kg * OXYGEN_OF_AIR;
    }
}

// === impl Layer ===

impl Layer {
    pub(super) fn of(mix: Mix, share: f64) -> Layer {
        let dry = mix.dry_kg * share;
        let food = dry * mix.degradable;
        Layer {
            t_c: mix.start_c,
            inert_kg: dry - food,
            fast_kg: food * mix.fast,
            slow_kg: food * (1.0 - mix.fast),
            water_kg: dry * mix.moisture / (1.0 - mix.moisture),
            volume_m3: mix.volume_m3 * share,
            oxygen: 20.9,
            awake: 0.25,
        }
    }

    pub(super) fn dry_kg(&self) -> f64 {
        self.inert_kg + self.fast_kg + self.slow_kg
    }

    pub(super) fn moisture(&self) -> f64 {
        self.water_kg / (self.water_kg + self.dry_kg())
    }

    /// kJ per K.
    pub(super) fn capacity(&self) -> f64 {
        DRY_KJ_PER_KG_K * self.dry_kg() + WATER_KJ_PER_KG_K * self.water_kg
    }

    /// Share of the volume that holds air; solids weigh 1,500 kg a cubic metre.
    fn free_air(&self) -> f64 {
        (1.0 - (self.dry_kg() / 1_500.0 + self.water_kg / 1_000.0) / self.volume_m3).max(0.02)
    }

    pub(super) fn share(&self, share: f64) -> Layer {
        Layer {
            inert_kg: self.inert_kg * share,
            fast_kg: self.fast_kg * share,
            slow_kg: self.slow_kg * share,
            water_kg: self.water_kg * share,
            volume_m3: self.volume_m3 * share,
            ..*self
        }
    }

    /// Uses up solids for some seconds, makes water of them and sinks; kg.
    pub(super) fn burn(&mut self, seconds: f64, vigour: f64) -> f64 {
        let m = self.moisture();
        let wet = 1.0 / ((-17.684 * m + 7.0622).exp() + 1.0);
        let open = 1.0 / ((-23.675 * self.free_air() + 3.4945).exp() + 1.0);
        let breath = 1.1 * self.oxygen / (2.0 + self.oxygen);
        let warmth = warmth_factor(self.t_c);
        let days = seconds / 86_400.0;
        self.awake += GROWTH_PER_DAY * warmth * self.awake * (1.0 - self.awake) * days;
        let rate = vigour * self.awake * warmth * wet * open * breath * days;
        let (fast, slow) = (self.fast_kg * FAST_PER_DAY * rate, self.slow_kg * SLOW_PER_DAY * rate);
        self.volume_m3 *= 1.0 - (fast + slow) / self.dry_kg();
        self.fast_kg -= fast;
        self.slow_kg -= slow;
        self.water_kg += (fast + slow) * WATER_KG_PER_KG;
        fast + slow
    }

    /// Passes the air through: it leaves with the zone's temperature, saturated, without the oxygen that was used.
    /// The heat that the zone gains by that, kJ.
    pub(super) fn exchange(&mut self, passing: &mut Passing, burnt: f64) -> f64 {
        let air_kg = passing.air_kg;
        if air_kg <= 0.0 {
            return 0.0;
        }
        // The pores hold about a kilogram of air a cubic metre; what passes mixes with it.
        let pores_kg = self.free_air() * self.volume_m3;
        let held_kg = pores_kg * self.oxygen / 20.9 * OXYGEN_OF_AIR + passing.oxygen_kg;
        let left = (held_kg - burnt * OXYGEN_KG_PER_KG).max(0.0) / (pores_kg + air_kg);
        self.oxygen = left / OXYGEN_OF_AIR * 20.9;
        passing.oxygen_kg = air_kg * left;
        let taken = (air_kg * saturated_ratio(self.t_c) - passing.water_kg).min(self.water_kg * 0.5);
        self.water_kg -= taken;
        passing.water_kg += taken;
        let before = passing.heat_kj;
        passing.heat_kj = air_kg * enthalpy(self.t_c, passing.water_kg / air_kg);
        before - passing.heat_kj
    }
}

/// Activity by temperature: a warm-loving and a heat-loving community, each by the cardinal model of Rosso (1993).
fn warmth_factor(t_c: f64) -> f64 {
    (0.55 * cardinal(t_c, 0.0, 38.0, 50.0)).max(cardinal(t_c, 5.0, 59.0, 82.0))
}

fn cardinal(t: f64, min: f64, best: f64, max: f64) -> f64 {
    if t <= min || t >= max {
        return 0.0;
    }
    let span = best - min;
    (t - max) * (t - min).powi(2) / (span * (span * (t - best) - (best - max) * (best + min - 2.0 * t)))
}
