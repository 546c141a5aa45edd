//! The judge of one pile (design 5.1, 5.2 and the record's overheating).
//!
//! A [`Judge`] is fed readings in order of time and can say at any moment what it thinks of the pile. It keeps no
//! readings: for each UTC day it keeps the state before the day and a short summary of the day. A reading that comes
//! late is committed by the shell first; then the judge is asked to [`Judge::rejudge`]: it runs the
//! day again from its saved state and stops at the first day whose end is as it was. So the judgement is a function
//! of the set of readings and entries alone, and an amendment costs a day, not a season.
//!
//! The steps: `frame` (what does not change with readings) -> `state` (readings of one instant to counting points)
//! -> `trace` (points of a spot to pieces in and out of range) -> `proof` (pieces to proven time) -> `run` (proven
//! time to runs) -> `each` or `together` (runs of spots to the pile's) -> `outcome` (status and cautions).
//!
//! Where the design leaves something open, the reading was chosen that cannot prove too much:
//! * Hand readings from before the pile was built count as readings and prove nothing: the first segment begins
//!   when the pile was built.
//! * A spot has qualified *before* it was given up only if its instant is strictly earlier.
//! * Of two readings by probe equally near to a hand reading both have to agree with it to confirm the unit.
//! * With no spot that is still to qualify nothing is `running`.
//! * That some required spot qualified by its own readings is asked for as such: under `each` and `together` alike it
//!   did so no later than the pile, or before it was given up.
//! * What an allowance begins with may be as old as `max_gap`, of a reading by hand `hand_gap` alone: a hand reading
//!   that a probe repeats within the instant is one by hand.
//! * A cumulative run has no allowance: where it ended is its last proven instant.
//! * Under `together` the allowance of a turn begins with the earliest reading of the spots not given up by then.

mod agreement;
mod each;
mod frame;
mod heat;
mod outcome;
mod proof;
mod run;
mod segment;
mod source;
mod state;
mod together;
mod trace;
mod unit_doubt;

use crate::log::LogEntry;
use crate::pile::Pile;
use crate::reading::{Reading, Source, Unit};
use crate::standard::Standard;
use crate::units::{At, Celsius, Span};
use crate::verdict::{Class, Judgement};

use frame::Frame;
use state::State;
use trace::{ClosedDay, Day};

pub use source::{SourceId, Sources};

/// A temperature as it was reported. `unit` is °C or °F.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sample {
    pub at: At,
    pub source: SourceId,
    pub value: f64,
    pub unit: Unit,
}

/// What became of a reading: by spot (an index into the pile's spots), with its value after calibration. A held one
/// comes twice, as held and as what a later reading made of it. Readings outside all placements are not told.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Decided {
    pub at: At,
    pub source: SourceId,
    pub spot: usize,
    pub value: Celsius,
    pub class: Class,
}

/// What came of a sample.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Taken {
    /// It is part of the judgement now.
    InOrder,
    /// It lies before what was judged already: [`Judge::rejudge`] from its instant.
    Late,
}

/// Stored readings of the pile's sources, for judging a day again.
pub trait History {
    /// All temperature samples with `from <= at < to`, in order of time; of one instant in any order.
    fn samples(&self, sources: &mut Sources, from: At, to: At) -> Vec<Sample>;
}

/// The judge of one pile.
#[derive(Clone, Debug)]
pub struct Judge {
    frame: Frame,
    /// Days before the current one, in order of time.
    past: Vec<PastDay>,
    /// State before the current day, and its number.
    today: i64,
    before_today: State,
    /// The current day so far, up to the newest closed instant.
    state: State,
    day: Day,
    /// Samples of the newest instant: more may come.
    open: Vec<Sample>,
    /// Everything up to here is closed: a sample at or before it is late.
    closed_to: At,
    decided: Vec<Decided>,
}

#[derive(Clone, Debug)]
struct PastDay {
    number: i64,
    before: State,
    day: ClosedDay,
}

const DAY: Span = Span::days(1);

// === impl Judge ===

impl Judge {
    /// A judge of a pile under some standards. Entries of the log may come in any order.
    pub fn new(pile: Pile, standards: Vec<Standard>, log: &[LogEntry]) -> Judge {
        let frame = Frame::new(pile, standards, log);
        let state = State::new(&frame);
        Judge {
            day: Day::new(&frame),
            before_today: state.clone(),
            state,
            frame,
            past: Vec::new(),
            today: i64::MIN,
            open: Vec::new(),
            closed_to: At::MIN,
            decided: Vec::new(),
        }
    }

    /// Judges a whole set at once: readings in any order, with any repetitions.
    ///
    /// Readings by hand at a spot that the pile does not have, and values that are no temperatures, are passed over;
    /// whoever reads a file refuses them before.
    pub fn of_set(pile: Pile, standards: Vec<Standard>, log: &[LogEntry], readings: &[Reading]) -> Judge {
        let mut judge = Judge::new(pile, standards, log);
        let mut samples: Vec<Sample> =
            readings.iter().filter_map(|reading| judge.sources().sample(reading)).collect();
        samples.sort_by_key(|sample| sample.at);
        for sample in samples {
            judge.take(sample);
        }
        judge
    }

    pub fn pile(&self) -> &Pile {
        &self.frame.pile
    }

    pub fn standards(&self) -> &[Standard] {
        &self.frame.standards
    }

    /// The source that has a number.
    pub fn source_of(&self, id: SourceId) -> Option<Source> {
        self.frame.sources.source(id)
    }

    /// The numbers of the sources; they hold until [`Judge::set_pile`].
    pub fn sources(&mut self) -> &mut Sources {
        &mut self.frame.sources
    }

    /// Takes the next sample in order of time.
    pub fn take(&mut self, sample: Sample) -> Taken {
        if sample.at <= self.closed_to {
            return Taken::Late;
        }
        match self.open.first().map(|open| open.at) {
            Some(newest) if sample.at < newest => return Taken::Late,
            Some(newest) if sample.at > newest => self.close_instant(),
            _ => {}
        }
        self.begin_day(day_number(sample.at));
        self.open.push(sample);
        Taken::InOrder
    }

    /// The instant of the newest sample.
    pub fn newest(&self) -> Option<At> {
        let open = self.open.first().map(|sample| sample.at);
        open.or((self.closed_to > At::MIN).then_some(self.closed_to))
    }

    /// Keeps from now on what becomes of each reading, for [`Judge::decided`].
    pub fn listen(&mut self) {
        self.frame.listens = true;
    }

    /// What became of the readings since the last call. The newest instant is closed for it: a further sample of
    /// that instant is late.
    pub fn decided(&mut self) -> Vec<Decided> {
        self.close_instant();
        std::mem::take(&mut self.decided)
    }

    /// Judges again for late readings: from the day of the first on, until a day after the last ends as it did before.
    ///
    /// `history` must already have the late readings, and everything that was taken before.
    pub fn rejudge(&mut self, first: At, last: At, history: &dyn History) {
        self.run_again(first, day_number(last), history);
    }

    /// Another log: entries were added, came late or were withdrawn. Judges again where it matters.
    pub fn set_log(&mut self, log: &[LogEntry], history: &dyn History) {
        if let Some(from) = self.frame.set_log(log) {
            self.run_again(from, i64::MAX, history);
        }
    }

    /// Other facts of the pile (a placement, a setting, another standard): judges everything again.
    pub fn set_pile(
        &mut self,
        pile: Pile,
        standards: Vec<Standard>,
        log: &[LogEntry],
        history: &dyn History,
    ) {
        let listens = self.frame.listens;
        *self = Judge::new(pile, standards, log);
        self.frame.listens = listens;
        self.run_again(At::MIN, i64::MAX, history);
    }

    /// What the judge thinks of the pile now.
    pub fn judgement(&self) -> Judgement {
        let mut last = self.day.clone();
        let mut state = self.state.clone();
        state.instant(&self.frame, &self.open, &mut last);
        state.finish(&self.frame, &mut last);
        let last = last.close();
        let days = || self.past.iter().map(|past| &past.day).chain(std::iter::once(&last));
        outcome::judgement(&self.frame, &state, days)
    }

    fn close_instant(&mut self) {
        let Some(at) = self.open.first().map(|sample| sample.at) else { return };
        self.state.instant(&self.frame, &self.open, &mut self.day);
        self.decided.append(&mut self.day.decided);
        self.closed_to = at;
        self.open.clear();
    }

    fn begin_day(&mut self, number: i64) {
        if number == self.today {
            return;
        }
        if self.today != i64::MIN {
            let before = std::mem::replace(&mut self.before_today, self.state.clone());
            let day = std::mem::replace(&mut self.day, Day::new(&self.frame)).close();
            self.past.push(PastDay { number: self.today, before, day });
        }
        self.today = number;
    }

    /// `may_stop_on` is the first day after which an unchanged state ends it.
    fn run_again(&mut self, from: At, may_stop_on: i64, history: &dyn History) {
        let first = day_number(from);
        if self.today != i64::MIN && first > self.today {
            return; // nothing was judged there yet
        }
        let keep = self.past.partition_point(|past| past.number < first);
        // Only days with readings are kept: the state before `first` is the one before the next kept day.
        let old: Vec<PastDay> = self.past.drain(keep..).collect();
        let start = old.first().map_or(&self.before_today, |past| &past.before).clone();
        let old_live = (self.today, self.before_today.clone(), self.state.clone(), self.closed_to);
        let old_day = std::mem::replace(&mut self.day, Day::new(&self.frame));
        let old_open = std::mem::take(&mut self.open);
        self.state = start.clone();
        self.before_today = start;
        self.today = i64::MIN;
        self.closed_to = At::MIN;

        let mut next = day_start(first);
        for (index, past) in old.iter().enumerate() {
            let end = day_start(past.number) + DAY;
            self.feed(history, next, end);
            next = end;
            let after = old.get(index + 1).map_or(&old_live.1, |later| &later.before);
            self.end_day();
            if past.number >= may_stop_on && self.state == *after {
                self.past.extend(old.into_iter().skip(index + 1));
                (self.today, self.before_today, self.state, self.closed_to) = old_live;
                self.day = old_day;
                self.open = old_open;
                return;
            }
        }
        self.feed(history, next, At::MAX);
    }

    /// Closes the current day so that the state is the one after all of it.
    fn end_day(&mut self) {
        self.close_instant();
        let number = self.today;
        if number != i64::MIN {
            self.begin_day(i64::MIN);
        }
    }

    fn feed(&mut self, history: &dyn History, from: At, to: At) {
        for sample in history.samples(&mut self.frame.sources, from, to) {
            self.take(sample);
        }
    }
}

fn day_number(at: At) -> i64 {
    at.0.div_euclid(DAY.0)
}

fn day_start(number: i64) -> At {
    At(number.saturating_mul(DAY.0))
}
