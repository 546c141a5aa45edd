//! What is watched in a pile and on the farm, beside the verdict (design 5.3).
//!
//! [`Watch`] is the automaton of one pile, [`Farm`] the one of all probes: it knows who fell silent, and whether all
//! did at once. Both take what happens in order of time and answer with findings; both say with `next_deadline` when
//! they want to look at the time again, so that a deadline is exact whenever the caller comes. The same events give
//! the same findings, with the same instants of opening, however they are cut into batches and ticks.
//!
//! A reading that comes late (older than the newest of its spot, or by more than `near` than the newest instant
//! stepped) opens and closes nothing: it belongs to the record and the verdict, and an alarm for a peak that is over
//! helps nobody.
//!
//! Each clause of the section, the file that holds it, and the tests (in `tests/`, `farm/tests.rs`) that do:
//!
//! | clause | file | tests |
//! | --- | --- | --- |
//! | overheating: two readings, 15 min, above 160 F; its end | `overheating` | `two_readings_above_160_f_spanning_15_min_open_it`, `it_closes_when_every_spot_that_was_hot_has_been_calm_for_half_an_hour` |
//! | 170 F, 185 F, 180 F and rising: levels of one | `overheating` | `levels_are_of_one_incident`, `the_step_of_a_sensor_is_no_steep_rise` |
//! | the peak, of an instant the hottest | `overheating` | `the_peak_is_the_hottest_of_all_spots_from_the_first_opening_reading_on`, `readings_of_one_instant_are_the_hottest_of_them` |
//! | overheating ahead | `ahead` | `a_steady_rise_is_forecast_hours_before_160_f`, `a_rise_that_levels_off_is_not_forecast` |
//! | run at risk: 12 h, below 133 F, falling; 48 h | `risk` | `a_falling_spot_with_hours_to_save_is_told_once_before_131_f`, `from_48_hours_on_it_breaks_the_quiet_hours` |
//! | not at 131 F when it should be | `stall` | `slow_is_a_note_after_three_days_and_a_text_after_four`, `in_frost_it_has_a_day_more` |
//! | core done, one spot will not get there | `short` | `one_spot_that_will_not_get_there_is_told_when_another_is_done` |
//! | fell out; never a pile that is finished | `fell_out`, `rebound` | `a_qualified_pile_that_cools_young_is_a_note_and_a_finished_one_nothing`, `a_pile_that_came_back_after_watering_was_dry_and_is_not_finished` |
//! | drying, confirmed by temperature, water to add | `drying` | `a_trend_that_reaches_45_percent_within_three_days_is_told_with_a_second_sign`, `the_water_to_add_is_told_where_the_dry_mass_is_known` |
//! | silent; all at once | `farm` | `one_silent_probe_opens_after_its_limit_and_closes_when_it_speaks`, `all_silent_at_once_is_one_incident` |
//! | stuck, faulty, pulled out, moved | `stuck`, `faulty`, `pulled_out` | `probes`: each its own |
//! | wrong unit | `unit` | `a_start_above_45_c_puts_the_unit_in_doubt_until_the_judge_is_content`, `air_above_50_c_is_in_doubt` |
//! | low battery | `battery` | `batteries_are_judged_by_the_best_of_a_day` |
//! | blower off, ripple gone, stuck on | `blower`, `ripple` | `off_for_two_hours_...`, `without_a_witness_of_its_own_...`, `on_without_a_pause_...` |
//! | qualified, ready to move, cured | `good_news`, `curing` | `qualified_is_told_at_its_instant_...`, `ready_is_qualified_old_cool_and_slow`, `cured_is_a_month_and_a_week_near_the_air` |
//! | opens once, ends after it began; entries, lateness, ticks | all | `entries`, `properties` |

mod case;
mod days;
mod event;
mod farm;
mod progress;
mod rule;
mod scene;

mod ahead;
mod battery;
mod blower;
mod curing;
mod drying;
mod faulty;
mod fell_out;
mod good_news;
mod overheating;
mod pulled_out;
mod rebound;
mod ripple;
mod risk;
mod short;
mod stall;
mod stuck;
mod unit;

use std::collections::BTreeMap;

use crate::finding::{Change, Figures, Finding, Kind};
use crate::ids::{ProbeId, SpotName};
use crate::log::{LogEntry, LogEvent};
use crate::pile::Pile;
use crate::reading::Quantity;
use crate::units::{At, Celsius};
use crate::verdict::Class;

pub use ahead::AheadParams;
pub use battery::BatteryParams;
pub use blower::BlowerParams;
pub use curing::CuringParams;
pub use drying::DryingParams;
pub use event::{Event, Observation};
pub use farm::{Farm, FarmFinding, SilenceParams};
pub use faulty::FaultyParams;
pub use fell_out::FellOutParams;
pub use good_news::ReadyParams;
pub use overheating::OverheatingParams;
pub use progress::{Progress, SpotProgress};
pub use pulled_out::PulledOutParams;
pub use rebound::ReboundParams;
pub use risk::RiskParams;
pub use short::ShortParams;
pub use stall::StallParams;
pub use stuck::StuckParams;
pub use unit::UnitParams;

use event::{Happening, Sample};
use rule::{Phase, Rule};
use scene::Scene;

/// Parameters of all rules of a watch.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Params {
    pub overheating: OverheatingParams,
    pub ahead: AheadParams,
    pub risk: RiskParams,
    pub stall: StallParams,
    pub short: ShortParams,
    pub fell_out: FellOutParams,
    pub ready: ReadyParams,
    pub curing: CuringParams,
    pub drying: DryingParams,
    pub stuck: StuckParams,
    pub faulty: FaultyParams,
    pub pulled_out: PulledOutParams,
    pub unit: UnitParams,
    pub battery: BatteryParams,
    pub blower: BlowerParams,
}

/// The automaton of one pile.
pub struct Watch {
    scene: Scene,
    rules: Vec<Box<dyn Rule>>,
    open: BTreeMap<Subject, Finding>,
    /// The pile was used up: nothing is watched any more.
    used: bool,
    /// The placements were changed since the last step.
    placed: bool,
}

/// What tells open incidents apart within a pile.
type Subject = (Kind, Option<SpotName>, Option<ProbeId>);

// === impl Params ===

impl Params {
    /// All rules, in the order in which they look: overheating before its forecast.
    fn rules(&self) -> Vec<Box<dyn Rule>> {
        vec![
            Box::new(overheating::Overheating::new(self.overheating)),
            Box::new(ahead::Ahead::new(self.ahead)),
            Box::new(risk::Risk::new(self.risk)),
            Box::new(stall::Stall::new(self.stall)),
            Box::new(short::Short::new(self.short)),
            Box::new(fell_out::FellOut::new(self.fell_out)),
            Box::new(good_news::Qualified::default()),
            Box::new(good_news::Ready::new(self.ready)),
            Box::new(curing::Curing::new(self.curing)),
            Box::new(drying::Drying::new(self.drying)),
            Box::new(stuck::Stuck::new(self.stuck)),
            Box::new(faulty::Faulty::new(self.faulty)),
            Box::new(pulled_out::PulledOut::new(self.pulled_out)),
            Box::new(unit::UnitDoubt::new(self.unit)),
            Box::new(battery::Battery::new(self.battery)),
            Box::new(blower::Blower::new(self.blower)),
        ]
    }
}

// === impl Watch ===

impl Watch {
    pub fn new(pile: &Pile, params: &Params) -> Watch {
        Watch {
            scene: Scene::new(pile),
            rules: params.rules(),
            open: BTreeMap::new(),
            used: false,
            placed: false,
        }
    }

    /// Takes over changed spots, placements and settings. What is known of the spots so far stays.
    pub fn set_pile(&mut self, pile: &Pile) {
        self.scene.set_pile(pile);
        self.placed = true;
    }

    /// What is open, by its last finding.
    pub fn open(&self) -> impl Iterator<Item = &Finding> {
        self.open.values()
    }

    /// What is open and goes on changing, with its figures as they are now.
    pub fn present(&self) -> impl Iterator<Item = Finding> {
        self.open.values().filter_map(|finding| {
            let figures = self.rules.iter().find_map(|rule| rule.present(&self.scene, finding))?;
            Some(Finding { figures, ..finding.clone() })
        })
    }

    /// When to look again, if nothing happens until then.
    pub fn next_deadline(&self) -> Option<At> {
        if self.used || self.scene.now == At::MIN {
            return None;
        }
        let rules = self.rules.iter().filter(|rule| self.is_on(rule.as_ref()));
        let next =
            rules.filter_map(|rule| rule.deadline(&self.scene)).filter(|at| *at > self.scene.now).min();
        next.into_iter().chain([self.scene.day_ends()]).chain(self.scene.next_placement()).min()
    }

    /// Takes what happened; answers with what began, got worse or ended by it and by the time up to it.
    pub fn step(&mut self, event: &Event) -> Vec<Finding> {
        let mut out = Vec::new();
        if self.used {
            return out;
        }
        let until = event.at();
        while let Some(deadline) = self.next_deadline().filter(|deadline| *deadline <= until) {
            self.pass_time(deadline, &mut out);
        }
        self.scene.now = self.scene.now.max(until);
        if std::mem::take(&mut self.placed) {
            self.tell(Happening::Placed, &mut out);
        }
        match event {
            Event::Reading(seen) => self.reading(seen, &mut out),
            Event::Entry(entry) => self.entry(entry, &mut out),
            Event::Progress(progress) => {
                self.scene.take_progress(progress);
                self.tell(Happening::Progress, &mut out);
            }
            Event::Tick(_) => {}
        }
        out
    }

    fn pass_time(&mut self, deadline: At, out: &mut Vec<Finding>) {
        let day_ends = self.scene.day_ends() == deadline;
        let placed = self.scene.next_placement() == Some(deadline);
        self.scene.now = deadline;
        if placed {
            self.tell(Happening::Placed, out);
        }
        if day_ends {
            self.scene.complete_day();
            self.tell(Happening::Day, out);
        }
        self.tell(Happening::Time, out);
    }

    fn reading(&mut self, seen: &Observation, out: &mut Vec<Finding>) {
        let Some(spot) = self.scene.index_of(&seen.spot) else { return };
        if seen.quantity != Quantity::Temperature {
            if !self.scene.is_late(seen, spot) {
                self.tell(Happening::Other { seen, spot }, out);
            }
            return;
        }
        if seen.class != Class::Counts {
            self.tell(Happening::Rejected { seen, spot }, out);
            return;
        }
        let sample = Sample { at: seen.at, spot, probe: seen.probe.as_ref(), value: Celsius(seen.value) };
        if !self.scene.is_late(seen, spot) {
            self.scene.take_sample(sample);
            self.tell(Happening::Temperature(sample), out);
        }
    }

    fn entry(&mut self, entry: &LogEntry, out: &mut Vec<Finding>) {
        let was_curing = self.scene.curing.is_some();
        self.scene.take_entry(entry);
        self.tell(Happening::Entry(entry), out);
        if entry.event == LogEvent::Used {
            self.close_all(entry.at, out);
            self.used = true;
            // A farm keeps its used piles for years: what the rules know of one would stay in memory with them.
            self.rules.clear();
            self.rules.shrink_to_fit();
        } else if !was_curing && self.scene.curing.is_some() {
            self.close_phase(entry.at, out);
        }
    }

    fn tell(&mut self, happening: Happening<'_>, out: &mut Vec<Finding>) {
        for rule in &mut self.rules {
            if !rule.phase().holds(&self.scene) {
                continue;
            }
            let first = out.len();
            rule.step(&self.scene, happening, out);
            for finding in out.iter().skip(first) {
                self.scene.take_finding(finding);
                keep(&mut self.open, finding);
            }
        }
    }

    /// The pile was moved to curing: what belongs to the active phase is over.
    fn close_phase(&mut self, at: At, out: &mut Vec<Finding>) {
        for rule in self.rules.iter().filter(|rule| rule.phase() == Phase::Active) {
            let over: Vec<Finding> =
                self.open.values().filter(|finding| rule.kinds().contains(&finding.kind)).cloned().collect();
            for finding in over {
                end(&mut self.open, finding, at, out);
            }
        }
    }

    fn close_all(&mut self, at: At, out: &mut Vec<Finding>) {
        for finding in self.open.values().cloned().collect::<Vec<_>>() {
            end(&mut self.open, finding, at, out);
        }
    }

    fn is_on(&self, rule: &dyn Rule) -> bool {
        rule.phase().holds(&self.scene)
    }
}

fn keep(open: &mut BTreeMap<Subject, Finding>, finding: &Finding) {
    let subject = (finding.kind, finding.spot.clone(), finding.probe.clone());
    if finding.change == Change::Closed {
        open.remove(&subject);
    } else {
        open.insert(subject, finding.clone());
    }
}

fn end(open: &mut BTreeMap<Subject, Finding>, finding: Finding, at: At, out: &mut Vec<Finding>) {
    let closed = Finding {
        change: Change::Closed,
        at: at.max(finding.opened),
        figures: Figures::default(),
        ..finding
    };
    keep(open, &closed);
    out.push(closed);
}

#[cfg(test)]
mod tests;
