//! The figures of what is watched: `[watch]` for the farm, `[[watch.pile]]` for one pile.

use std::collections::BTreeMap;

use heapward_rules::units::{Celsius, Span};
use heapward_rules::watch::{Params, SilenceParams};

use super::section::Section;
use crate::config::WatchConfig;

/// A pile that heats is near 131 F or above; figures far from it are a wrong unit.
const HEAT: (Celsius, Celsius) = (Celsius(50.0), Celsius(100.0));
/// A farmer's pile; more is a figure in another unit.
const DRY_MASS_KG_MAX: f64 = 1_000_000.0;
/// A probe with poor reception misses a reading or two.
const SILENT_AFTER_MIN: Span = Span::minutes(5);

pub(super) fn read(top: &Section<'_, '_>) -> WatchConfig {
    top.section("watch", |section| {
        let mut farm = Params::default();
        figures(section, &mut farm);
        let mut silence = SilenceParams::default();
        silence.at_least = section.or("silent_after", silence.at_least);
        if silence.at_least < SILENT_AFTER_MIN {
            section.refuse(
                "silent_after",
                "is so short that every lost message is told; write \"5m\" or more".to_owned(),
            );
        }
        let piles = section.sections("pile", |section| {
            let mut params = farm.clone();
            figures(section, &mut params);
            (section.need::<String>("pile"), params)
        });
        let count = piles.len();
        let piles: BTreeMap<String, Params> = piles.into_iter().collect();
        if piles.len() < count {
            section.refuse(
                "pile",
                "the same pile stands there twice; write its figures in one table".to_owned(),
            );
        }
        WatchConfig { farm, silence, piles }
    })
    .unwrap_or_default()
}

fn figures(section: &Section<'_, '_>, params: &mut Params) {
    let heat = &mut params.overheating;
    heat.act = temperature(section, "overheating", heat.act);
    heat.urgent = temperature(section, "overheating_urgent", heat.urgent);
    heat.fire = temperature(section, "fire", heat.fire);
    if !(heat.calm_below.0 < heat.act.0 && heat.act.0 < heat.urgent.0 && heat.urgent.0 < heat.fire.0) {
        let what =
            "overheating, overheating_urgent and fire have to rise in this order, from more than 155 F on";
        section.refuse("overheating", what.to_owned());
    }
    params.ahead.limit = heat.act;
    params.risk.below = temperature(section, "run_at_risk", params.risk.below);
    if params.risk.below.0 >= params.risk.safe_above.0 {
        section.refuse("run_at_risk", "is not below 136 F, at which a run is saved; write less".to_owned());
    }
    let stall = &mut params.stall;
    stall.note_after = section.or("slow_after", stall.note_after);
    stall.act_after = section.or("slow_text_after", stall.act_after);
    stall.stalled_after = section.or("stalled_after", stall.stalled_after);
    if stall.act_after < stall.note_after || stall.stalled_after < stall.act_after {
        let what = "slow_after, slow_text_after and stalled_after have to follow each other in this order";
        section.refuse("slow_after", what.to_owned());
    }
    let drying = &mut params.drying;
    let recovers = drying.recovered_percent - drying.low_percent;
    drying.low_percent = percent(section, "low_moisture", drying.low_percent);
    drying.recovered_percent = drying.low_percent + recovers;
    drying.target_percent = percent(section, "wanted_moisture", drying.target_percent);
    if drying.target_percent <= drying.low_percent {
        section.refuse("wanted_moisture", "is not above low_moisture; write more".to_owned());
    }
    drying.dry_mass_kg = section.opt("dry_mass_kg").or(drying.dry_mass_kg);
    if drying.dry_mass_kg.is_some_and(|mass| !(mass > 0.0 && mass <= DRY_MASS_KG_MAX)) {
        section.refuse("dry_mass_kg", "is no mass of a pile; write kilograms without the water".to_owned());
    }
    params.ready.age = section.or("ready_after", params.ready.age);
    params.fell_out.finished_age = params.ready.age;
    params.curing.at_least = section.or("cure_for", params.curing.at_least);
    params.blower.at_least = section.or("blower_off_after", params.blower.at_least);
    params.battery.low_percent = percent(section, "low_battery", params.battery.low_percent);
    params.battery.good_percent = params.battery.good_percent.max(params.battery.low_percent);
}

fn temperature(section: &Section<'_, '_>, key: &str, default: Celsius) -> Celsius {
    let c = section.or(key, default);
    if section.has(key) && (c.0 < HEAT.0.0 || c.0 > HEAT.1.0) {
        section
            .refuse(key, "is no temperature of a hot pile; write one from \"122 F\" to \"212 F\"".to_owned());
    }
    c
}

fn percent(section: &Section<'_, '_>, key: &str, default: f64) -> f64 {
    let percent = section.or(key, default);
    if !(0.0..=100.0).contains(&percent) {
        section.refuse(key, "is no percentage; write a number from 0 to 100".to_owned());
    }
    percent
}
