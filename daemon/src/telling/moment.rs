//! Which moment is worth a message, and when it may come (the table T1 to T15).
//!
//! Every row names something that the person can still do; a topic without such a thing goes into the daily summary
//! only. The rules decide the level, this table decides what a level means for its topic.

use heapward_rules::finding::{Kind, Level};
use heapward_rules::units::Span;

use super::topic::{Topic, Trouble};
use crate::limits;

/// How soon a message may come.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum When {
    /// In the daily summary only.
    Summary,
    /// At the next half past seven: good news for planning the day.
    Morning,
    /// At once, but not in quiet hours.
    Waking,
    /// At once, at any hour.
    Now,
    /// At once, at any hour, to everybody.
    Everybody,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Moment {
    pub when: When,
    /// Told only when it has lasted this long (since the last reading of a silent probe).
    pub settle: Span,
    /// Least time between two tellings of this topic for one pile.
    pub pause: Span,
    /// Told again while nobody has seen it.
    pub reminds: bool,
    /// Its end is told to those who were told of it.
    pub all_clear: bool,
}

// === impl Moment ===

impl Moment {
    /// The moment of a topic at a level. `counted` is the time counted in the run that it endangers, if known.
    pub fn of(topic: Topic, level: Level, counted: Option<Span>) -> Moment {
        match topic {
            // Good news is worth one message whatever its level.
            // Its end is an amended verdict: whoever was told must hear of it.
            Topic::Pile(Kind::Qualified) => Moment { all_clear: true, ..Moment::once(When::Morning) },
            Topic::Pile(Kind::ReadyToMove) => Moment::once(When::Waking),
            // A forecast is for the page and for the day's job in the summary: until 160 F is crossed (T6) the piles
            // that are going to be too hot, and those that turn back by themselves, look the same.
            Topic::Pile(Kind::Cured | Kind::Reheating | Kind::OverheatingAhead) => {
                Moment::once(When::Summary)
            }
            _ if level == Level::Note => Moment::once(When::Summary),
            Topic::Pile(kind) => Moment::of_kind(kind, level, counted),
            Topic::Farm(trouble) => Moment::of_trouble(trouble, level),
        }
    }

    fn of_kind(kind: Kind, level: Level, counted: Option<Span>) -> Moment {
        match kind {
            // T6 to T8.
            Kind::Overheating => Moment::wrong(by_level(level)),
            // T1: the hours at stake decide whether it may wake somebody.
            Kind::RunAtRisk => Moment::wrong(match counted {
                Some(counted) if counted < limits::RUN_WORTH_A_TEXT => When::Summary,
                Some(counted) if counted >= limits::RUN_WORTH_WAKING => When::Now,
                Some(_) => When::Waking,
                None => by_level(level),
            }),
            // T9.
            Kind::BlowerOff => Moment { settle: limits::BLOWER_SETTLE, ..Moment::wrong(by_level(level)) },
            Kind::BlowerStuckOn => Moment::wrong(When::Waking),
            // T11: the rules give a probe that nobody needs at the moment the level of a note (T12).
            Kind::ProbeSilent | Kind::ProbeFaulty => {
                Moment { settle: limits::PROBE_SETTLE, ..Moment::wrong(When::Waking) }
            }
            // T13.
            Kind::AllSilent => Moment { settle: limits::ALL_SILENT_SETTLE, ..Moment::wrong(When::Waking) },
            // T10.
            Kind::Drying => Moment { pause: limits::DRYING_PAUSE, ..Moment::once(When::Waking) },
            // T4, T5, and questions that are asked once.
            Kind::SlowToHeat
            | Kind::Stalled
            | Kind::SpotShort
            | Kind::FellOutEarly
            | Kind::ProbeStuck
            | Kind::ProbePulledOut
            | Kind::ProbeMoved
            | Kind::WrongUnit
            | Kind::BatteryLow => Moment::once(When::Waking),
            Kind::Qualified | Kind::ReadyToMove | Kind::Cured | Kind::Reheating | Kind::OverheatingAhead => {
                Moment::once(When::Summary)
            }
        }
    }

    fn of_trouble(trouble: Trouble, level: Level) -> Moment {
        match trouble {
            Trouble::StoreFailing => {
                Moment { settle: limits::STORE_SETTLE, ..Moment::wrong(by_level(level)) }
            }
            Trouble::BrokerAway => {
                Moment { settle: limits::ALL_SILENT_SETTLE, ..Moment::wrong(When::Waking) }
            }
            Trouble::ClockUntrusted => Moment { settle: limits::CLOCK_SETTLE, ..Moment::wrong(When::Waking) },
            // T15 is the harvest.
            Trouble::DiskLow
            | Trouble::ChannelFailing
            | Trouble::BackupFailing
            | Trouble::RecordsDamaged
            | Trouble::HarvestTooSoon => Moment::once(When::Waking),
        }
    }

    fn once(when: When) -> Moment {
        Moment { when, settle: Span::ZERO, pause: Span::ZERO, reminds: false, all_clear: false }
    }

    fn wrong(when: When) -> Moment {
        Moment { reminds: true, all_clear: true, ..Moment::once(when) }
    }

    /// The level that counts for a contact's `from_level`: a telling is never less than something to act on.
    pub fn rank(&self, level: Level) -> Level {
        if self.when == When::Summary { Level::Note } else { level.max(Level::Act) }
    }
}

fn by_level(level: Level) -> When {
    match level {
        Level::Note => When::Summary,
        Level::Act => When::Waking,
        Level::Urgent => When::Now,
        Level::Danger => When::Everybody,
    }
}
