//! Odile Marsh, who grows at Quillback Farm: what she does when a message comes, and when she gets to it.

use std::collections::BTreeSet;

use chrono::{NaiveTime, Timelike};
use chrono_tz::Tz;
use heapward_rules::finding::{Kind, Level};
use heapward_rules::units::{At, Span};

use crate::model::incident::Incident;
use crate::model::time::{from_local, local};
use crate::telling::topic::{Topic, parse_level};

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
    /// Spreads a cured pile on a bed.
    Spread {
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
    plans: Vec<Plan>,
}

/// An errand for a time, and the incident that it answers.
#[derive(Clone, Debug, PartialEq)]
pub struct Plan {
    pub due: At,
    pub errand: Errand,
    pub incident: Option<String>,
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

/// A pile that is too hot is looked after again.
const AGAIN: Span = Span::hours(20);
const UP: u32 = 6;
const TO_BED: u32 = 21;

// === impl Grower ===

impl Grower {
    pub fn new(zone: Tz) -> Grower {
        Grower { zone, heard: BTreeSet::new(), plans: Vec::new() }
    }

    pub fn plan(&mut self, due: At, errand: Errand) {
        self.plans.push(Plan { due, errand, incident: None });
    }

    /// Takes in what is open; plans something for what is new, and again for a pile that is still too hot after the
    /// best part of a day.
    pub fn hear(&mut self, open: &[Incident], now: At) {
        for incident in open {
            let Some(Topic::Pile(kind)) = Topic::parse(&incident.kind) else { continue };
            let round = if kind == Kind::Overheating { (now.0 - incident.opened_ms) / AGAIN.0 } else { 0 };
            if self.heard.insert(format!("{}/{}/{round}", incident.id, incident.level)) {
                for (soon, errand) in plans(kind, incident) {
                    let due = soon.from(now, self.zone);
                    self.plans.push(Plan { due, errand, incident: Some(incident.id.clone()) });
                }
            }
        }
    }

    /// What is due, the earliest first. Two messages may ask for the same thing: it is done once.
    pub fn due(&mut self, now: At) -> Vec<Plan> {
        self.plans.sort_by_key(|plan| plan.due);
        let ready = self.plans.iter().take_while(|plan| plan.due <= now).count();
        self.plans.drain(..ready).collect()
    }
}

/// What an incident makes her do. A note is read in the morning's summary.
fn plans(kind: Kind, incident: &Incident) -> Vec<(Soon, Errand)> {
    let pile = incident.pile.clone().unwrap_or_default();
    let level = parse_level(&incident.level);
    match kind {
        Kind::Overheating if level >= Level::Urgent => vec![
            (Soon::After(Span::minutes(40)), Errand::Moisten { pile: pile.clone(), litres: 250.0 }),
            (Soon::After(Span::minutes(60)), Errand::GiveAir { pile, times: 2.0 }),
        ],
        Kind::Overheating => vec![
            (Soon::ByDay(Span::minutes(50)), Errand::GiveAir { pile: pile.clone(), times: 3.0 }),
            (Soon::ByDay(Span::minutes(100)), Errand::Moisten { pile, litres: 250.0 }),
        ],
        Kind::OverheatingAhead => {
            vec![(Soon::ByDay(Span::minutes(100)), Errand::GiveAir { pile, times: 1.3 })]
        }
        Kind::RunAtRisk | Kind::SpotShort => {
            vec![(Soon::ByDay(Span::minutes(60)), Errand::AddCover { pile })]
        }
        Kind::Stalled => vec![(Soon::NextAt(9), Errand::MixInDry { pile })],
        Kind::Drying => {
            let litres = incident.figures.get("water_litres").copied().unwrap_or(200.0).clamp(50.0, 300.0);
            vec![(Soon::NextAt(7), Errand::Moisten { pile, litres })]
        }
        Kind::ProbeSilent | Kind::ProbeStuck | Kind::ProbeFaulty | Kind::ProbePulledOut => {
            let soon = if level == Level::Note { Soon::NextAt(8) } else { Soon::ByDay(Span::hours(1)) };
            let mend = incident.probe.clone().map(|probe| (soon, Errand::MendProbe { pile, probe }));
            mend.into_iter().collect()
        }
        Kind::AllSilent => vec![(Soon::ByDay(Span::minutes(50)), Errand::RestartGateway)],
        Kind::BlowerOff => vec![(Soon::ByDay(Span::minutes(50)), Errand::ResetBreaker { pile })],
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
    use std::collections::BTreeMap;

    use super::*;
    use crate::demo::farm::BEGINS;
    use crate::model::incident::Stage;

    const ZONE: Tz = chrono_tz::America::New_York;

    fn incident(kind: &str, level: &str) -> Incident {
        Incident {
            id: format!("2026-04/{kind}/core/{}", BEGINS.0),
            pile: Some("2026-04".to_owned()),
            kind: kind.to_owned(),
            level: level.to_owned(),
            spot: Some("core".to_owned()),
            read_spot: None,
            probe: None,
            opened_ms: BEGINS.0,
            closed_ms: None,
            stage: Stage::Told,
            figures: BTreeMap::new(),
            tellings: vec![],
            muted_until_ms: None,
        }
    }

    /// Hours after the beginning at which errands come due for an incident heard at an hour.
    fn hours(kind: &str, level: &str, heard: i64) -> Vec<f64> {
        let mut grower = Grower::new(ZONE);
        let now = BEGINS + Span::hours(heard);
        grower.hear(&[incident(kind, level)], now);
        // Heard once is heard.
        grower.hear(&[incident(kind, level)], now + Span::minutes(5));
        let mut due = Vec::new();
        for minute in 0..3 * 1440 {
            let at = now + Span::minutes(minute);
            due.extend(grower.due(at).iter().map(|_| (at - BEGINS).as_hours()));
        }
        due
    }

    #[test]
    fn she_comes_by_day_for_what_can_wait_and_at_once_for_what_cannot() {
        // Heard at 07:00 and at 23:00 of the first day.
        assert_eq!(hours("drying", "act", 0), [24.0]);
        assert_eq!(hours("stalled", "act", 16), [26.0]);
        assert_eq!(hours("blower-off", "act", 16), [23.75]);
        let urgent = hours("overheating", "urgent", 16);
        assert!(urgent.len() == 2 && urgent[0] < 16.7 && urgent[1] <= 17.0, "{urgent:?}");
        assert!(hours("qualified", "act", 0).is_empty());
    }

    #[test]
    fn a_pile_that_stays_too_hot_is_looked_after_again() {
        let mut grower = Grower::new(ZONE);
        let open = [incident("overheating", "act")];
        grower.hear(&open, BEGINS);
        assert_eq!(grower.due(BEGINS + Span::hours(5)).len(), 2);
        grower.hear(&open, BEGINS + Span::hours(19));
        assert_eq!(grower.due(BEGINS + Span::hours(24)), []);
        grower.hear(&open, BEGINS + Span::hours(24));
        assert_eq!(grower.due(BEGINS + Span::hours(48)).len(), 2);
    }
}
