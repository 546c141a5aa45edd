//! Water and air while a pile heats: what to do now, in one step, and why. Advice, never a control.

pub mod gather;

use heapward_rules::finding::{Finding, Kind};
use heapward_rules::physics::{Advice, PileNow, Timer, timer_advice};
use heapward_rules::recipe::water::water_to_add_by_dry_mass;
use heapward_rules::units::{At, Celsius, Span};
use heapward_rules::verdict::{Judgement, Status};

use crate::after::Stage;
use crate::model::recipe::RecipeRecord;
use crate::recorder::PileView;

/// What store and log say of a pile at an instant.
#[derive(Clone, Debug, PartialEq)]
pub struct Known {
    pub at: At,
    pub spots: Vec<SpotNow>,
    /// The newest reading of a moisture probe, %: an index.
    pub moisture_percent: Option<f64>,
    /// The last squeezed handful, if it is not older than the pile changes: dry, right or wet.
    pub squeeze: Option<String>,
    /// When the blower's timer was changed last, and to what.
    pub timer_changed: Option<At>,
    pub timer: Option<Timer>,
}

/// A spot that has to heat.
#[derive(Clone, Debug, PartialEq)]
pub struct SpotNow {
    pub name: String,
    /// Mean of the last hours, and of the same hours a day before.
    pub now: Celsius,
    pub day_before: Option<Celsius>,
}

#[derive(Clone, Debug, PartialEq)]
pub struct Steering {
    pub at: At,
    pub water: Water,
    /// None without a temperature, or when it no longer heats.
    pub air: Option<(Advice, Option<Timer>)>,
}

/// What to do about water.
#[derive(Clone, Debug, PartialEq)]
pub enum Water {
    /// Nobody knows how moist it is.
    Unknown,
    Enough,
    TooWet,
    /// It is dry: so much, if the mass of the pile is known, in so many portions.
    Add {
        litres: Option<f64>,
        portions: u32,
        percent: Option<f64>,
        when: When,
    },
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum When {
    Now,
    /// A run is open and cold water could break it: this much is still to be proven.
    AfterRun {
        left: Span,
    },
    /// Hot enough to burn, and dry: wet it with help, a hose at hand.
    WithCare,
}

/// Active compost wants water below this (common practice), and is watered to the middle of the range; above the last it
/// is too wet.
pub const DRY_PERCENT: f64 = 50.0;
pub const TARGET_PERCENT: f64 = 55.0;
pub const WET_PERCENT: f64 = 65.0;
/// A squeezed handful that crumbles is about so moist.
const CRUMBLES_PERCENT: f64 = 45.0;
/// Above this a dry pile is wetted before anything else.
const VERY_HOT_F: f64 = 170.0;
/// One portion of water soaks in where more would run through: a twentieth of the pile's mass (ours).
const PORTION_SHARE: f64 = 0.05;
const PORTIONS: (u32, u32) = (2, 6);
/// Dry mass that microbes take: about 1 % a day in the active stage, a third at most (ours, from handbooks' shrinkage).
const LOST_PER_DAY: f64 = 0.01;
const LOST_MAX: f64 = 1.0 / 3.0;
const KG_PER_LB: f64 = 0.453_592_37;
/// Falling, in °C over a day.
const FALLS_C: f64 = 2.0 / 1.8;

/// What to do about water and air.
pub fn steer(view: &PileView, known: &Known) -> Steering {
    Steering { at: known.at, water: water(view, known), air: air(view, known) }
}

fn water(view: &PileView, known: &Known) -> Water {
    let by_hand = match known.squeeze.as_deref() {
        Some("dry") => Some(CRUMBLES_PERCENT),
        Some("right") => Some(TARGET_PERCENT),
        Some("wet") => Some(WET_PERCENT + 1.0),
        _ => None,
    };
    // A hand that squeezes beats an index.
    let Some(percent) = by_hand.or(known.moisture_percent) else { return Water::Unknown };
    if percent > WET_PERCENT {
        return Water::TooWet;
    }
    if percent >= DRY_PERCENT {
        return Water::Enough;
    }
    let dry = view.pile.recipe.as_ref().map(|recipe| dry_kg(recipe, known.at - At(view.pile.built_ms)));
    let litres = dry.and_then(|dry| water_to_add_by_dry_mass(dry, percent, TARGET_PERCENT));
    let portions = dry.zip(litres).map_or(PORTIONS.0 + 1, |(dry, litres)| {
        let wet = dry / (1.0 - percent / 100.0);
        let count = (litres / (wet * PORTION_SHARE)).ceil();
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "clamped to a few")]
        let count = count.clamp(f64::from(PORTIONS.0), f64::from(PORTIONS.1)) as u32;
        count
    });
    let percent = by_hand.is_none().then_some(percent);
    Water::Add { litres, portions, percent, when: when(view, known) }
}

fn when(view: &PileView, known: &Known) -> When {
    let very_hot = Celsius::from_f(VERY_HOT_F);
    if known.spots.iter().any(|spot| spot.now.is_above(very_hot)) {
        return When::WithCare;
    }
    if !matches!(view.after.stage, Stage::Active { .. }) {
        return When::Now;
    }
    let open = steering_verdict(&view.judgement).filter(|verdict| verdict.status == Status::Running);
    let left = open.and_then(|verdict| {
        let required = verdict.required?.time;
        let lags = verdict.spots.iter().filter(|spot| spot.required && spot.qualified_at.is_none());
        let counted = lags.map(|spot| spot.open_run.map_or(Span(0), |run| run.counted)).min()?;
        Some(Span((required.0 - counted.0).max(0)))
    });
    left.map_or(When::Now, |left| When::AfterRun { left })
}

fn air(view: &PileView, known: &Known) -> Option<(Advice, Option<Timer>)> {
    let Stage::Active { since } = view.after.stage else { return None };
    let hottest = known.spots.iter().max_by(|a, b| a.now.0.total_cmp(&b.now.0))?;
    let short = |name: &str| {
        steering_verdict(&view.judgement).is_some_and(|verdict| {
            let spot = verdict.spots.iter().find(|spot| spot.spot.as_str() == name);
            spot.is_some_and(|spot| spot.required && spot.qualified_at.is_none() && spot.given_up.is_none())
        })
    };
    let advice = timer_advice(&PileNow {
        at: known.at,
        hottest: hottest.now,
        is_falling: hottest.day_before.is_some_and(|before| before.0 - hottest.now.0 >= FALLS_C),
        age: known.at - since,
        short_of_time: known.spots.iter().filter(|s| short(&s.name)).map(|s| s.now).collect(),
        moisture_percent: moisture(known),
        changed_at: known.timer_changed,
    });
    Some((advice, known.timer.map(|timer| timer.step(&advice))))
}

/// For a decision about fire: the drier of hand and probe.
fn moisture(known: &Known) -> Option<f64> {
    let by_hand = (known.squeeze.as_deref() == Some("dry")).then_some(CRUMBLES_PERCENT - 1.0);
    match (by_hand, known.moisture_percent) {
        (Some(hand), Some(probe)) => Some(hand.min(probe)),
        (one, other) => one.or(other),
    }
}

fn steering_verdict(judgement: &Judgement) -> Option<&heapward_rules::verdict::Verdict> {
    judgement.verdicts.iter().find(|verdict| verdict.status != Status::NotRequired)
}

/// What is left of the dry mass that was built.
fn dry_kg(recipe: &RecipeRecord, age: Span) -> f64 {
    let built: f64 =
        recipe.parts.iter().map(|part| part.wet_lb * (1.0 - part.moisture.typical / 100.0) * KG_PER_LB).sum();
    let lost = (age.as_hours() / 24.0 * LOST_PER_DAY).clamp(0.0, LOST_MAX);
    built * (1.0 - lost)
}

/// When the moisture reaches the low limit, if it falls.
pub fn dry_at(open: &[Finding]) -> Option<At> {
    open.iter().find(|finding| finding.kind == Kind::Drying)?.figures.expected_at
}

#[cfg(test)]
mod tests;
