//! Advice on the blower's timer: a direction and one step, never a control.
//!
//! Source: common practice of small piles: hot piles get longer air, cool young ones that fall get shorter air, in steps
//! of about 30 % of the on-time, a day apart, because the core answers in hours and the moisture in days. A qualifying
//! run is never given up for cooling, and air on a dry smoulder feeds it.

use crate::units::{At, Celsius, Span};

/// What the advice looks at.
#[derive(Clone, Debug, PartialEq)]
pub struct PileNow {
    pub at: At,
    /// The hottest spot: the middle is often hotter than the core.
    pub hottest: Celsius,
    /// Whether the pile falls.
    pub is_falling: bool,
    /// Since it was built, or fresh material was added.
    pub age: Span,
    /// Newest temperatures of the required spots that are short of their time.
    pub short_of_time: Vec<Celsius>,
    /// Moisture in percent of the wet mass, if it is known.
    pub moisture_percent: Option<f64>,
    /// When the timer was changed last.
    pub changed_at: Option<At>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Air {
    More,
    Same,
    Less,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Reason {
    /// Above 150 F.
    Hot,
    /// Below 140 F and falling within the first two weeks.
    CoolAndFalling,
    /// Nothing to do.
    Right,
    /// Changed less than a day ago: the pile has not answered yet.
    Wait,
    /// It is hot, but a spot that is short of its time is within 5 F of 131 F: more air would break its run.
    RunWouldBreak,
    /// It is above 170 F and dry or of unknown moisture: wet it first, more air would feed a smoulder.
    DryAndHot,
}

#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Advice {
    pub air: Air,
    pub reason: Reason,
    /// For the on-time.
    pub factor: f64,
    /// When to look again at the earliest.
    pub again_at: At,
    /// Longer air dries: look at the moisture in two days.
    pub check_moisture: bool,
}

/// A cycle timer.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Timer {
    pub on: Span,
    pub off: Span,
}

const HOT_F: f64 = 150.0;
const COOL_F: f64 = 140.0;
const YOUNG: Span = Span::days(14);
const WAIT: Span = Span::days(1);
const MORE: f64 = 1.3;
const LESS: f64 = 0.7;
const NEAR_F: f64 = 5.0;
/// Below this a hot pile is in the range of moisture in which piles catch fire.
const DRY_PERCENT: f64 = 45.0;

/// Which way to turn the timer now, by one step.
pub fn timer_advice(pile: &PileNow) -> Advice {
    let waited = pile.changed_at.map_or(pile.at, |changed| changed + WAIT);
    let reason = reason(pile, waited);
    let (air, factor) = match reason {
        Reason::Hot => (Air::More, MORE),
        Reason::CoolAndFalling => (Air::Less, LESS),
        Reason::Right | Reason::Wait | Reason::RunWouldBreak | Reason::DryAndHot => (Air::Same, 1.0),
    };
    let again_at = if air == Air::Same { waited.max(pile.at) } else { pile.at + WAIT };
    Advice { air, reason, factor, again_at, check_moisture: air == Air::More }
}

fn reason(pile: &PileNow, waited: At) -> Reason {
    let is_dry = pile.moisture_percent.is_none_or(|percent| percent < DRY_PERCENT);
    let is_near = |spot: &Celsius| spot.is_within(Celsius::from_f(131.0), NEAR_F / 1.8);
    let is_cool = pile.hottest.is_below(Celsius::from_f(COOL_F)) && pile.is_falling && pile.age <= YOUNG;
    if pile.hottest.is_above(Celsius::from_f(170.0)) && is_dry {
        return Reason::DryAndHot;
    }
    let is_hot = pile.hottest.is_above(Celsius::from_f(HOT_F));
    if !is_hot && !is_cool {
        return Reason::Right;
    }
    if pile.at < waited {
        return Reason::Wait;
    }
    match is_hot {
        true if pile.short_of_time.iter().any(is_near) => Reason::RunWouldBreak,
        true => Reason::Hot,
        false => Reason::CoolAndFalling,
    }
}

// === impl Timer ===

impl Timer {
    /// The timer after one step: another on-time, to the half minute, at least half a minute (the motor) and at most
    /// eight minutes of the hour; the pause stays.
    #[must_use]
    pub fn step(self, advice: &Advice) -> Timer {
        if advice.air == Air::Same {
            return self;
        }
        let half_minute = Span::seconds(30);
        let wanted = self.on.as_hours() * advice.factor;
        let hour = 8.0 / 60.0 / (1.0 - 8.0 / 60.0) * self.off.as_hours();
        let on = Span::from_hours(if advice.air == Air::More {
            wanted.min(hour.max(self.on.as_hours()))
        } else {
            wanted
        });
        let steps = (on.0 + half_minute.0 / 2) / half_minute.0;
        Timer { on: Span(steps.max(1) * half_minute.0), off: self.off }
    }

    /// Part of the time that it runs.
    pub fn duty(self) -> f64 {
        self.on.as_hours() / (self.on + self.off).as_hours()
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    const NOW: At = At(Span::days(30).0);

    fn pile(hottest_f: f64) -> PileNow {
        PileNow {
            at: NOW,
            hottest: Celsius::from_f(hottest_f),
            is_falling: false,
            age: Span::days(5),
            short_of_time: Vec::new(),
            moisture_percent: Some(55.0),
            changed_at: None,
        }
    }

    #[test]
    fn direction_and_reason() {
        let falling = |f| PileNow { is_falling: true, ..pile(f) };
        let changed = |hours, pile: PileNow| PileNow { changed_at: Some(NOW - Span::hours(hours)), ..pile };
        let short = |f, pile: PileNow| PileNow { short_of_time: vec![Celsius::from_f(f)], ..pile };
        let cases = [
            (pile(145.0), Air::Same, Reason::Right),
            (pile(150.0), Air::Same, Reason::Right),
            (pile(151.0), Air::More, Reason::Hot),
            (pile(171.0), Air::More, Reason::Hot),
            (PileNow { moisture_percent: None, ..pile(171.0) }, Air::Same, Reason::DryAndHot),
            (PileNow { moisture_percent: Some(40.0), ..pile(171.0) }, Air::Same, Reason::DryAndHot),
            (PileNow { moisture_percent: Some(45.0), ..pile(171.0) }, Air::More, Reason::Hot),
            (PileNow { moisture_percent: Some(40.0), ..pile(169.0) }, Air::More, Reason::Hot),
            (short(136.0, pile(158.0)), Air::Same, Reason::RunWouldBreak),
            (short(126.0, pile(158.0)), Air::Same, Reason::RunWouldBreak),
            (short(137.0, pile(158.0)), Air::More, Reason::Hot),
            (changed(23, pile(158.0)), Air::Same, Reason::Wait),
            (changed(24, pile(158.0)), Air::More, Reason::Hot),
            (falling(139.0), Air::Less, Reason::CoolAndFalling),
            (pile(139.0), Air::Same, Reason::Right),
            (PileNow { age: Span::days(15), ..falling(139.0) }, Air::Same, Reason::Right),
            (short(131.0, falling(139.0)), Air::Less, Reason::CoolAndFalling),
        ];
        for (pile, air, reason) in cases {
            let advice = timer_advice(&pile);
            assert_eq!((advice.air, advice.reason), (air, reason), "{pile:?}");
            assert_eq!(advice.check_moisture, air == Air::More);
        }
    }

    #[test]
    fn one_step_of_the_timer() {
        let timer = Timer { on: Span::minutes(2), off: Span::minutes(28) };
        assert_eq!(timer.step(&timer_advice(&pile(158.0))).on, Span::seconds(150));
        assert_eq!(
            timer.step(&timer_advice(&PileNow { is_falling: true, ..pile(135.0) })).on,
            Span::seconds(90)
        );
        assert_eq!(timer.step(&timer_advice(&pile(145.0))), timer);
        let much = Timer { on: Span::minutes(4), off: Span::minutes(26) };
        assert_eq!(much.step(&timer_advice(&pile(158.0))).on, Span::minutes(4));
        // A quarter more would be nine minutes and a half; eight of the hour are the most.
        let near = Timer { on: Span::seconds(450), off: Span::seconds(3_150) };
        assert_eq!(near.step(&timer_advice(&pile(158.0))).on, Span::minutes(8));
        let little = Timer { on: Span::seconds(30), off: Span::minutes(30) };
        assert_eq!(
            little.step(&timer_advice(&PileNow { is_falling: true, ..pile(135.0) })).on,
            Span::seconds(30)
        );
        assert!((timer.duty() - 1.0 / 15.0).abs() < 1e-12);
    }

    proptest! {
        #[test]
        fn never_more_air_against_a_run_or_into_a_dry_smoulder_or_within_a_day(
            hottest in 50.0..200.0,
            spots in prop::collection::vec(50.0..180.0, 0..4),
            moisture in prop::option::of(10.0..80.0),
            changed_hours in prop::option::of(0_i64..60),
            is_falling: bool,
            age_days in 0_i64..60,
        ) {
            let pile = PileNow {
                at: NOW,
                hottest: Celsius::from_f(hottest),
                is_falling,
                age: Span::days(age_days),
                short_of_time: spots.iter().map(|f| Celsius::from_f(*f)).collect(),
                moisture_percent: moisture,
                changed_at: changed_hours.map(|hours| NOW - Span::hours(hours)),
            };
            let advice = timer_advice(&pile);
            if advice.air == Air::More {
                prop_assert!(spots.iter().all(|f| (f - 131.0).abs() > 5.0));
                prop_assert!(hottest <= 170.0 || moisture.is_some_and(|percent| percent >= 45.0));
            }
            if advice.air != Air::Same {
                prop_assert!(changed_hours.is_none_or(|hours| hours >= 24));
                prop_assert_eq!(advice.again_at, NOW + Span::days(1));
            }
        }
    }
}
