//! Which instant a reading belongs to (design 3). Pure: what the clock says is an argument.

use heapward_rules::units::{At, Span};

use super::reason::Reason;
use super::time_of::OwnTime;
use crate::limits::{ARRIVAL_LEAD_MAX, OWN_TIME_AHEAD_MAX, OWN_TIME_BACK_MAX};
use crate::model::reading::DatedBy;

/// How a message came to us.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Freshness {
    /// It was published just now.
    Live,
    /// The broker kept it; its age is unknown.
    Retained,
    /// Of a backlog at (re)connection: of unknown age, unless it is the last.
    Late,
    /// Delivered again after a broken connection; as late as that.
    Repeated,
}

/// A trusted clock: the time now, and when the message arrived.
#[derive(Clone, Copy, Debug)]
pub struct Moment {
    pub now: At,
    pub arrived: At,
}

/// The instants given to one probe's readings so far.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct ProbeDates {
    /// Newest instant of any reading.
    pub newest: Option<At>,
    /// Newest tenth of a second given to an arrival.
    tenth: Option<At>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Dating {
    At(At, DatedBy),
    /// By arrival, if no later message of this probe follows in the backlog.
    IfLast,
    Refused(Reason),
}

// === impl ProbeDates ===

impl ProbeDates {
    /// Dates one value. `fallback`: a message whose own time is impossible may be dated by its arrival.
    pub fn date(&mut self, time: OwnTime, fallback: bool, freshness: Freshness, moment: Moment) -> Dating {
        let own = match time {
            OwnTime::None => return self.by_arrival(freshness, moment),
            OwnTime::At(at) => within(at, moment.now),
            OwnTime::Flawed(reason) => Err(reason),
            OwnTime::Twice { first, second } => match self.one_of(first, second, moment.now) {
                Err(Reason::TimeTwice) if freshness == Freshness::Live => {
                    return self.by_arrival(freshness, moment);
                }
                other => other,
            },
        };
        match own {
            Ok(at) => {
                self.newest = self.newest.max(Some(at));
                Dating::At(at, DatedBy::Payload)
            }
            Err(_) if fallback => self.by_arrival(freshness, moment),
            Err(reason) => Dating::Refused(reason),
        }
    }

    /// Of the hour that happens twice: the one that keeps time moving forward, if only one does.
    fn one_of(&self, first: At, second: At, now: At) -> Result<At, Reason> {
        let forward = |at: At| within(at, now).is_ok() && self.newest.is_none_or(|newest| at >= newest);
        match (forward(first), forward(second)) {
            (true, false) => Ok(first),
            (false, true) => Ok(second),
            (true, true) => Err(Reason::TimeTwice),
            // Neither: a repetition, or a clock that is wrong by more than the hour.
            (false, false) => within(first, now),
        }
    }

    fn by_arrival(&mut self, freshness: Freshness, moment: Moment) -> Dating {
        match freshness {
            Freshness::Retained => return Dating::Refused(Reason::Retained),
            Freshness::Late | Freshness::Repeated => return Dating::IfLast,
            Freshness::Live => {}
        }
        let tenth = At(moment.arrived.0.div_euclid(100) * 100);
        // A clock that was set back may give a tenth again; only close by does the next one belong to this arrival.
        let taken = self.tenth.filter(|taken| *taken >= tenth && *taken - tenth <= ARRIVAL_LEAD_MAX);
        let at = taken.map_or(tenth, |taken| taken + Span(100));
        if at - tenth > ARRIVAL_LEAD_MAX {
            return Dating::Refused(Reason::TooOften);
        }
        self.tenth = Some(at);
        self.newest = self.newest.max(Some(at));
        Dating::At(at, DatedBy::Arrival)
    }
}

/// Between 30 days back and 5 minutes ahead of the clock, both included.
fn within(at: At, now: At) -> Result<At, Reason> {
    if at < now - OWN_TIME_BACK_MAX {
        Err(Reason::TimeTooOld)
    } else if at > now + OWN_TIME_AHEAD_MAX {
        Err(Reason::TimeAhead)
    } else {
        Ok(at)
    }
}

#[cfg(test)]
mod tests;
