//! Odile Marsh, who grows at Quillback Farm: what she does when a message comes, and when she gets to it.

use std::collections::BTreeSet;

use chrono::{NaiveTime, Timelike};
use chrono_tz::Tz;
use heapward_rules::finding::{Finding, Kind, Level};
use heapward_rules::ids::{ProbeId, SpotName};
use heapward_rules::units::{At, Span};

use crate::model::time::{from_local, local};

/// Something to do at a pile.
#[derive(Clone, Debug, PartialEq)]
pub enum Errand {
    ReadByHand {
        pile: String,
    },
    /// The blower runs longer: so many times as long as now.
    GiveAir {
        pile: String,
        times: f64,
    },
    Moisten {
        pile: String,
        litres: f64,
    },
    AddCover {
        pile: String,
    },
    /// Forks the pile over and mixes dry bedding in: it was too wet.
    MixInDry {
        pile: String,
    },
    /// Looks at a probe, its plug and its cable; puts another in its place if it is dead.
    MendProbe {
        pile: String,
        probe: String,
    },
    ResetBreaker {
        pile: String,
    },
    RestartGateway,
    MoveToCuring {
        pile: String,
    },
    /// Builds a new pile in a bay.
    Build {
        bay: usize,
    },
}

/// What she has heard of, and what she means to do.
pub struct Grower {
    zone: Tz,
    heard: BTreeSet<String>,
    plans: Vec<(At, Errand)>,
}

/// When she can get to something.
#[derive(Clone, Copy, Debug)]
enum Soon {
    /// So much later, at any hour.
    After(Span),
    /// So much later, or first thing in the morning if that is at night.
    ByDay(Span),
    /// The next time that the clock shows this hour.
    NextAt(u32),
}

const UP: u32 = 6;
const TO_BED: u32 = 21;

// === impl Grower ===

impl Grower {
    pub fn new(zone: Tz) -> Grower {
        Grower { zone, heard: BTreeSet::new(), plans: Vec::new() }
    }

    pub fn plan(&mut self, due: At, errand: Errand) {
        self.plans.push((due, errand));
    }

    /// Takes in what is open at a pile; plans something for what is new.
    pub fn hear(&mut self, pile: &str, open: &[Finding], now: At) {
        for finding in open {
            let name = |name: Option<&str>| name.unwrap_or("-").to_owned();
            let probe = finding.probe.as_ref().map(ProbeId::as_str);
            let spot = finding.spot.as_ref().map(SpotName::as_str);
            let key = format!(
                "{pile}/{:?}/{:?}/{}/{}/{}",
                finding.kind,
                finding.level,
                name(spot),
                name(probe),
                finding.opened.0
            );
            if self.heard.insert(key) {
                let plans = plans(pile, finding, probe);
                self.plans
                    .extend(plans.into_iter().map(|(soon, errand)| (soon.from(now, self.zone), errand)));
            }
        }
    }

    /// What is due, in the order in which it was planned for.
    pub fn due(&mut self, now: At) -> Vec<Errand> {
        self.plans.sort_by_key(|(due, _)| *due);
        let ready = self.plans.iter().take_while(|(due, _)| *due <= now).count();
        let mut errands: Vec<Errand> = Vec::new();
        for (_, errand) in self.plans.drain(..ready) {
            // Two messages may ask for the same thing.
            if !errands.contains(&errand) {
                errands.push(errand);
            }
        }
        errands
    }
}

/// What a finding makes her do. A note is read in the morning's summary.
fn plans(pile: &str, finding: &Finding, probe: Option<&str>) -> Vec<(Soon, Errand)> {
    let pile = pile.to_owned();
    match finding.kind {
        Kind::Overheating if finding.level >= Level::Urgent => vec![
            (Soon::After(Span::minutes(40)), Errand::Moisten { pile: pile.clone(), litres: 250.0 }),
            (Soon::After(Span::minutes(60)), Errand::GiveAir { pile, times: 2.0 }),
        ],
        Kind::Overheating => vec![
            (Soon::ByDay(Span::minutes(70)), Errand::GiveAir { pile: pile.clone(), times: 2.0 }),
            (Soon::ByDay(Span::minutes(150)), Errand::Moisten { pile, litres: 200.0 }),
        ],
        Kind::OverheatingAhead => {
            vec![(Soon::ByDay(Span::minutes(100)), Errand::GiveAir { pile, times: 1.5 })]
        }
        Kind::RunAtRisk | Kind::SpotShort => {
            vec![(Soon::ByDay(Span::minutes(60)), Errand::AddCover { pile })]
        }
        Kind::Stalled => vec![(Soon::NextAt(9), Errand::MixInDry { pile })],
        Kind::Drying => {
            let litres = finding.figures.water_litres.unwrap_or(200.0).clamp(50.0, 300.0);
            vec![(Soon::NextAt(7), Errand::Moisten { pile, litres })]
        }
        Kind::ProbeSilent | Kind::ProbeStuck | Kind::ProbeFaulty | Kind::ProbePulledOut => {
            let soon =
                if finding.level == Level::Note { Soon::NextAt(8) } else { Soon::ByDay(Span::hours(1)) };
            probe
                .map(|probe| (soon, Errand::MendProbe { pile, probe: probe.to_owned() }))
                .into_iter()
                .collect()
        }
        Kind::AllSilent => vec![(Soon::ByDay(Span::minutes(50)), Errand::RestartGateway)],
        Kind::BlowerOff => vec![(Soon::ByDay(Span::minutes(140)), Errand::ResetBreaker { pile })],
        Kind::ReadyToMove => vec![(Soon::NextAt(10), Errand::MoveToCuring { pile })],
        Kind::SlowToHeat
        | Kind::FellOutEarly
        | Kind::ProbeMoved
        | Kind::WrongUnit
        | Kind::BatteryLow
        | Kind::BlowerStuckOn
        | Kind::Reheating
        | Kind::Qualified
        | Kind::Cured => Vec::new(),
    }
}

// === impl Soon ===

impl Soon {
    fn from(self, now: At, zone: Tz) -> At {
        match self {
            Soon::After(span) => now + span,
            Soon::ByDay(span) => {
                let due = now + span;
                let hour = local(due, zone).hour();
                if (UP..TO_BED).contains(&hour) { due } else { next_hour(due, UP, zone) + Span::minutes(45) }
            }
            Soon::NextAt(hour) => next_hour(now, hour, zone),
        }
    }
}

/// The next instant at which the farm's clock shows a full hour.
fn next_hour(now: At, hour: u32, zone: Tz) -> At {
    let today = local(now, zone).date_naive();
    let time = NaiveTime::from_hms_opt(hour, 0, 0).unwrap_or_default();
    let of = |date: chrono::NaiveDate| from_local(date.and_time(time), zone);
    let candidates = [Some(today), today.succ_opt()];
    candidates.into_iter().flatten().filter_map(of).find(|at| *at > now).unwrap_or(now + Span::days(1))
}

#[cfg(test)]
mod tests {
    use heapward_rules::finding::{Change, Figures};

    use super::*;
    use crate::demo::farm::BEGINS;

    const ZONE: Tz = chrono_tz::America::New_York;

    fn finding(kind: Kind, level: Level) -> Finding {
        Finding {
            kind,
            level,
            change: Change::Opened,
            at: BEGINS,
            opened: BEGINS,
            spot: None,
            probe: None,
            figures: Figures::default(),
        }
    }

    /// Hours after the beginning at which errands come due for a finding heard at an hour.
    fn hours(kind: Kind, level: Level, heard: i64) -> Vec<f64> {
        let mut grower = Grower::new(ZONE);
        let now = BEGINS + Span::hours(heard);
        grower.hear("2026-04", &[finding(kind, level)], now);
        // Heard once is heard.
        grower.hear("2026-04", &[finding(kind, level)], now + Span::minutes(5));
        let mut due = Vec::new();
        for minute in 0..3 * 1440 {
            let at = now + Span::minutes(minute);
            due.extend(grower.due(at).iter().map(|_| (at - BEGINS).as_hours()));
        }
        due
    }

    #[test]
    fn she_comes_by_day_for_what_can_wait_and_at_once_for_what_cannot() {
        // Heard at 06:00 and at 23:00 of the first day.
        assert_eq!(hours(Kind::Drying, Level::Act, 0), [1.0]);
        assert_eq!(hours(Kind::Stalled, Level::Act, 17), [27.0]);
        assert_eq!(hours(Kind::BlowerOff, Level::Act, 17), [24.75]);
        let urgent = hours(Kind::Overheating, Level::Urgent, 17);
        assert!(urgent.len() == 2 && urgent[0] < 17.7 && urgent[1] <= 18.0, "{urgent:?}");
        assert!(hours(Kind::Qualified, Level::Act, 0).is_empty());
    }
}
