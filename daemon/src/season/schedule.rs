//! Piles into bays and days, from the last date backwards: each pile is started as late as it can be and still be
//! finished in time.

use heapward_rules::recipe::dates::Date;

use super::plan::Plan;

/// One pile of the season.
#[derive(Clone, Debug, PartialEq)]
pub struct Build {
    /// First day of forking.
    pub start: Date,
    /// Day on which it is complete and heats.
    pub built: Date,
    /// Day on which it is forked out to cure.
    pub to_cure: Date,
    pub ready: Date,
    /// From 1.
    pub bay: u32,
    /// Names of the beds that get it.
    pub beds: Vec<String>,
    /// Cubic yards of it that are wanted.
    pub wanted_yd3: f64,
    /// How many days too late it is for the first of its beds; 0 where it is in time.
    pub late_days: i64,
}

/// The date by which a pile must be started for a bed.
#[derive(Clone, Debug, PartialEq)]
pub struct LatestStart {
    pub bed: String,
    /// None where compost at hand is enough.
    pub start: Option<Date>,
}

#[derive(Clone, Debug, PartialEq)]
pub struct Schedule {
    pub wanted_yd3: f64,
    /// In order of their start.
    pub builds: Vec<Build>,
    pub latest: Vec<LatestStart>,
}

/// A pile that is wanted by a day.
struct Want {
    by: Date,
    beds: Vec<String>,
    yd3: f64,
}

/// Days taken: of bays and of hands.
struct Calendar {
    /// From day (included) to day (excluded), by bay.
    bays: Vec<Vec<(i64, i64)>>,
    hands: Vec<(i64, i64)>,
}

/// Days of one pile, counted from its first.
#[derive(Clone, Copy)]
struct Shape {
    build: i64,
    active: i64,
    empty: i64,
    cure: i64,
}

/// Amounts below this are rounding.
const DUST_YD3: f64 = 1e-9;
/// How often what is late is given its place before the rest.
const ROUNDS_MAX: usize = 8;
/// A season is looked at this far back; farther, a plan is a dream.
const BACK_DAYS_MAX: i64 = 2_000;

pub fn schedule(plan: &Plan) -> Schedule {
    let wants = wants(plan);
    let shape = Shape {
        build: plan.days_to_fork(plan.pile_yd3),
        active: plan.active_days,
        // What is forked out has lost about half of what it will lose.
        empty: plan.days_to_fork(plan.pile_yd3 * (1.0 - plan.loss / 2.0)),
        cure: plan.curing_days,
    };
    let mut late = vec![false; wants.len()];
    let mut best = placed(plan, &wants, shape, &mut late);
    for _ in 0..ROUNDS_MAX {
        let known = late.iter().filter(|late| **late).count();
        let next = placed(plan, &wants, shape, &mut late);
        if worst(&next) < worst(&best) {
            best = next;
        }
        if late.iter().filter(|late| **late).count() == known {
            break;
        }
    }
    best.sort_by_key(|build| (build.start, build.bay));
    Schedule {
        wanted_yd3: plan.beds.iter().map(|bed| bed.cubic_yards).sum(),
        latest: latest_starts(plan, shape),
        builds: best,
    }
}

/// The most days of lateness, and their sum.
fn worst(builds: &[Build]) -> (i64, i64) {
    let days = || builds.iter().map(|build| build.late_days);
    (days().max().unwrap_or(0), days().sum())
}

/// Piles in bays. What is marked as late takes bays and hands first, as soon as it can; everything else is started as late
/// as it can be. What turns out to be late too is put where there is room, and marked.
fn placed(plan: &Plan, wants: &[Want], shape: Shape, late: &mut [bool]) -> Vec<Build> {
    let mut calendar = Calendar { bays: vec![Vec::new(); plan.bays as usize], hands: Vec::new() };
    let from = plan.from.number();
    let mut builds = Vec::new();
    let soon = |want: &Want, calendar: &mut Calendar, builds: &mut Vec<Build>| {
        let found =
            (from..from + BACK_DAYS_MAX).find_map(|start| Some((start, calendar.bay_for(start, shape)?)));
        if let Some((start, bay)) = found {
            calendar.take(start, bay, shape);
            builds.extend(build(want, start, bay, shape));
        }
    };
    // The earliest wanted first.
    for (want, _) in wants.iter().zip(late.iter()).filter(|(_, late)| **late) {
        soon(want, &mut calendar, &mut builds);
    }
    let mut left = Vec::new();
    for (want, late) in wants.iter().zip(late.iter_mut()).rev().filter(|(_, late)| !**late) {
        let latest = want.by.number() - shape.length();
        let place = (from..=latest).rev().find_map(|start| Some((start, calendar.bay_for(start, shape)?)));
        if let Some((start, bay)) = place {
            calendar.take(start, bay, shape);
            builds.extend(build(want, start, bay, shape));
        } else {
            *late = true;
            left.push(want);
        }
    }
    for want in left.into_iter().rev() {
        soon(want, &mut calendar, &mut builds);
    }
    builds
}

/// Splits what the beds want into piles, each wanted by the date of its first bed.
fn wants(plan: &Plan) -> Vec<Want> {
    let mut at_hand = plan.at_hand_yd3;
    let mut wants: Vec<Want> = Vec::new();
    let mut left_of_pile = 0.0;
    for bed in &plan.beds {
        let mut need = bed.cubic_yards;
        let taken = need.min(at_hand);
        at_hand -= taken;
        need -= taken;
        while need > DUST_YD3 {
            if left_of_pile <= DUST_YD3 {
                wants.push(Want { by: bed.by, beds: Vec::new(), yd3: 0.0 });
                left_of_pile = plan.yield_yd3();
            }
            let part = need.min(left_of_pile);
            left_of_pile -= part;
            need -= part;
            if let Some(want) = wants.last_mut() {
                want.yd3 += part;
                if want.beds.last() != Some(&bed.name) {
                    want.beds.push(bed.name.clone());
                }
            }
        }
    }
    wants
}

/// For each bed by itself, as if bays and hands were free: the law of time alone.
fn latest_starts(plan: &Plan, shape: Shape) -> Vec<LatestStart> {
    let mut at_hand = plan.at_hand_yd3;
    plan.beds
        .iter()
        .map(|bed| {
            let is_there = bed.cubic_yards <= at_hand + DUST_YD3;
            at_hand = (at_hand - bed.cubic_yards).max(0.0);
            let start = Date::from_number(bed.by.number() - shape.length()).filter(|_| !is_there);
            LatestStart { bed: bed.name.clone(), start }
        })
        .collect()
}

fn build(want: &Want, start: i64, bay: usize, shape: Shape) -> Option<Build> {
    let ready = start + shape.length();
    Some(Build {
        start: Date::from_number(start)?,
        built: Date::from_number(start + shape.build)?,
        to_cure: Date::from_number(start + shape.build + shape.active)?,
        ready: Date::from_number(ready)?,
        bay: u32::try_from(bay + 1).ok()?,
        beds: want.beds.clone(),
        wanted_yd3: want.yd3,
        late_days: (ready - want.by.number()).max(0),
    })
}

// === impl Shape ===

impl Shape {
    /// From the first day of forking to the day on which it is ready.
    fn length(self) -> i64 {
        self.build + self.active + self.cure
    }

    /// Days on which people fork, for a pile started on a day.
    fn forking(self, start: i64) -> [(i64, i64); 2] {
        let to_cure = start + self.build + self.active;
        [(start, start + self.build), (to_cure, to_cure + self.empty)]
    }

    fn in_bay(self, start: i64) -> (i64, i64) {
        (start, start + self.build + self.active + self.empty)
    }
}

// === impl Calendar ===

impl Calendar {
    /// A bay that is free for a pile started on a day, if hands are free too.
    fn bay_for(&self, start: i64, shape: Shape) -> Option<usize> {
        let hands_free = shape.forking(start).iter().all(|days| is_free(&self.hands, *days));
        let days = shape.in_bay(start);
        self.bays.iter().position(|taken| is_free(taken, days)).filter(|_| hands_free)
    }

    fn take(&mut self, start: i64, bay: usize, shape: Shape) {
        self.hands.extend(shape.forking(start));
        if let Some(taken) = self.bays.get_mut(bay) {
            taken.push(shape.in_bay(start));
        }
    }
}

fn is_free(taken: &[(i64, i64)], (from, until): (i64, i64)) -> bool {
    taken.iter().all(|(taken_from, taken_until)| until <= *taken_from || *taken_until <= from)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::season::plan::Bed;

    fn plan(beds: &[(f64, &str)], bays: u32) -> Plan {
        let beds = beds.iter().enumerate().map(|(index, (cubic_yards, by))| Bed {
            name: format!("bed-{index}"),
            cubic_yards: *cubic_yards,
            by: Date::parse(by).unwrap(),
        });
        Plan {
            from: Date::parse("2026-03-01").unwrap(),
            beds: beds.collect(),
            bays,
            pile_yd3: 8.0,
            loss: 0.5,
            active_days: 30,
            curing_days: 45,
            yd3_per_person_day: 4.0,
            people: 1,
            at_hand_yd3: 0.0,
        }
    }

    fn lines(plan: &Plan) -> Vec<String> {
        let schedule = schedule(plan);
        let line = |b: &Build| {
            format!(
                "{} {} {} {} bay {} {} late {}",
                b.start,
                b.built,
                b.to_cure,
                b.ready,
                b.bay,
                b.beds.join("+"),
                b.late_days
            )
        };
        schedule.builds.iter().map(line).collect()
    }

    #[test]
    fn one_pile_is_started_as_late_as_it_can_be() {
        // 2 days of forking, 30 active, 45 curing: 77 days before the first of July.
        assert_eq!(
            lines(&plan(&[(3.0, "2026-07-01")], 2)),
            ["2026-04-15 2026-04-17 2026-05-17 2026-07-01 bay 1 bed-0 late 0"]
        );
    }

    #[test]
    fn one_pile_serves_two_beds_and_a_large_bed_takes_two_piles() {
        let two = plan(&[(1.5, "2026-07-01"), (2.5, "2026-07-20")], 2);
        assert_eq!(lines(&two), ["2026-04-15 2026-04-17 2026-05-17 2026-07-01 bay 1 bed-0+bed-1 late 0"]);
        let large = lines(&plan(&[(8.0, "2026-07-01")], 2));
        assert_eq!(large.len(), 2);
        // One pair of hands: the other pile is forked two days before.
        assert!(
            large[0].starts_with("2026-04-13 2026-04-15") && large[1].starts_with("2026-04-15"),
            "{large:?}"
        );
    }

    #[test]
    fn one_bay_is_used_again_when_it_is_empty() {
        let builds = lines(&plan(&[(8.0, "2026-07-01")], 1));
        // 2 days of building, 30 active, 2 of emptying.
        assert!(builds[0].starts_with("2026-03-12") && builds[1].starts_with("2026-04-15"), "{builds:?}");
    }

    #[test]
    fn what_is_too_late_says_by_how_much() {
        let builds = lines(&plan(&[(3.0, "2026-05-01")], 1));
        assert_eq!(builds, ["2026-03-01 2026-03-03 2026-04-02 2026-05-17 bay 1 bed-0 late 16"]);
        let schedule = schedule(&plan(&[(3.0, "2026-05-01")], 1));
        assert_eq!(schedule.latest[0].start, Date::parse("2026-02-13"));
    }

    #[test]
    fn what_is_late_does_not_wait_for_what_has_time() {
        let builds = lines(&plan(&[(1.0, "2026-05-01"), (7.0, "2026-06-10")], 1));
        assert_eq!(
            builds,
            [
                "2026-03-01 2026-03-03 2026-04-02 2026-05-17 bay 1 bed-0+bed-1 late 16",
                "2026-04-04 2026-04-06 2026-05-06 2026-06-20 bay 1 bed-1 late 10"
            ]
        );
    }

    #[test]
    fn compost_at_hand_is_used_first() {
        let stocked = Plan { at_hand_yd3: 3.0, ..plan(&[(2.0, "2026-06-01"), (2.0, "2026-07-01")], 2) };
        let schedule = schedule(&stocked);
        assert_eq!(schedule.builds.len(), 1);
        assert_eq!(schedule.builds[0].beds, ["bed-1"]);
        assert!((schedule.builds[0].wanted_yd3 - 1.0).abs() < 1e-9);
        assert_eq!(schedule.latest[0].start, None);
    }

    proptest! {
        /// No bay holds two piles, nobody forks two at once, and what was wanted is made.
        #[test]
        fn bays_and_hands_are_never_taken_twice(
            beds in prop::collection::vec((0.1..12.0, 0_i64..300), 1..8), bays in 1_u32..4, at_hand in 0.0..5.0,
        ) {
            let from = Date::parse("2026-03-01").unwrap();
            let mut plan = plan(&[], bays);
            plan.at_hand_yd3 = at_hand;
            plan.beds = beds.iter().enumerate().map(|(index, (cubic_yards, day))| Bed {
                name: index.to_string(),
                cubic_yards: *cubic_yards,
                by: from.plus_days(*day).unwrap(),
            }).collect();
            plan.beds.sort_by_key(|bed| bed.by);
            let schedule = schedule(&plan);
            let made: f64 = schedule.builds.iter().map(|build| build.wanted_yd3).sum();
            prop_assert!((made - (schedule.wanted_yd3 - at_hand).max(0.0)).abs() < 1e-6);
            for (index, a) in schedule.builds.iter().enumerate() {
                prop_assert!(a.start >= from && a.start < a.built && a.built < a.to_cure && a.to_cure < a.ready);
                for b in &schedule.builds[index + 1..] {
                    let apart = a.built <= b.start || b.built <= a.start;
                    prop_assert!(apart, "{a:?} {b:?}");
                    if a.bay == b.bay {
                        prop_assert!(a.to_cure < b.start || b.to_cure < a.start, "{a:?} {b:?}");
                    }
                }
            }
        }
    }
}
