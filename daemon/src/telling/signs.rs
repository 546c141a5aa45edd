//! Signs of life: every organ of the daemon ticks here, and says here what ails it.
//!
//! Two questions are asked of them. *Alive*: has every organ ticked lately? That feeds the systemd watchdog; a full
//! card or a broker that is away is no reason to be started again. *Well*: alive, and nothing ails anyone? Only then
//! does the heartbeat go out to the address outside, so that its absence tells of everything that we can't tell.

use std::collections::BTreeMap;
use std::fmt;
use std::sync::{Arc, Mutex};

use heapward_rules::units::Span;

use crate::clock::SharedClock;
use crate::limits;

/// What must be alive.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Organ {
    /// Takes messages from broker or endpoint; ails while the broker is away.
    Ingest,
    /// The thread that owns store and judges; ails while the store can't write.
    Recorder,
    /// The sending of messages; ails while every channel fails.
    Sender,
    /// Ticks of rules, summary and sealing; ails while the clock isn't trusted.
    Scheduler,
}

/// Shared by all organs.
#[derive(Clone)]
pub struct Signs {
    clock: SharedClock,
    organs: Arc<Mutex<BTreeMap<Organ, Sign>>>,
}

struct Sign {
    /// Monotonic time of the last tick.
    ticked: Span,
    ails: Option<String>,
}

/// An organ that is not well, and why.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Illness {
    pub organ: Organ,
    pub what: String,
}

// === impl Signs ===

impl Signs {
    /// The organs have a first time to tick from now on.
    pub fn new(clock: SharedClock, organs: &[Organ]) -> Signs {
        let ticked = clock.monotonic();
        let organs = organs.iter().map(|organ| (*organ, Sign { ticked, ails: None })).collect();
        Signs { clock, organs: Arc::new(Mutex::new(organs)) }
    }

    /// The organ has done its work. It ticks at least every [`limits::SIGN_EVERY`], idle or not.
    pub fn tick(&self, organ: Organ) {
        let now = self.clock.monotonic();
        self.change(organ, |sign| sign.ticked = now);
    }

    /// What ails the organ, in words; `None` if it is well again.
    pub fn ails(&self, organ: Organ, what: Option<&str>) {
        self.change(organ, |sign| {
            if sign.ails.as_deref() != what {
                sign.ails = what.map(str::to_owned);
            }
        });
    }

    /// Organs that have not ticked for too long.
    pub fn dead(&self) -> Vec<Illness> {
        let now = self.clock.monotonic();
        self.list(|sign| {
            let silent = now - sign.ticked;
            (silent > limits::SIGN_PATIENCE).then(|| format!("no sign of life for {silent}"))
        })
    }

    /// Everything that is wrong: what is dead, and what is alive and ails.
    pub fn ill(&self) -> Vec<Illness> {
        let mut ill = self.dead();
        ill.extend(self.list(|sign| sign.ails.clone()));
        ill
    }

    fn list(&self, wrong: impl Fn(&Sign) -> Option<String>) -> Vec<Illness> {
        let Ok(organs) = self.organs.lock() else { return vec![] };
        let ill =
            organs.iter().filter_map(|(organ, sign)| Some(Illness { organ: *organ, what: wrong(sign)? }));
        ill.collect()
    }

    fn change(&self, organ: Organ, change: impl FnOnce(&mut Sign)) {
        if let Ok(mut organs) = self.organs.lock()
            && let Some(sign) = organs.get_mut(&organ)
        {
            change(sign);
        }
    }
}

impl fmt::Display for Illness {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let organ = match self.organ {
            Organ::Ingest => "ingest",
            Organ::Recorder => "recorder",
            Organ::Sender => "sender",
            Organ::Scheduler => "scheduler",
        };
        write!(f, "{organ}: {}", self.what)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::clock::ManualClock;
    use crate::telling::fixture::at;

    #[test]
    fn dead_is_worse_than_ill() {
        let clock = Arc::new(ManualClock::new(at("12 14:00")));
        let signs = Signs::new(Arc::clone(&clock) as SharedClock, &[Organ::Ingest, Organ::Recorder]);
        let words = |list: Vec<Illness>| list.iter().map(ToString::to_string).collect::<Vec<_>>();
        assert_eq!(signs.ill(), []);
        signs.ails(Organ::Ingest, Some("broker away"));
        // An organ that nobody expects can't be ill.
        signs.ails(Organ::Sender, Some("nothing goes out"));
        assert_eq!(signs.dead(), []);
        assert_eq!(words(signs.ill()), ["ingest: broker away"]);
        clock.advance(Span::minutes(2));
        signs.tick(Organ::Ingest);
        assert_eq!(words(signs.dead()), ["recorder: no sign of life for 2 min"]);
        signs.tick(Organ::Recorder);
        signs.ails(Organ::Ingest, None);
        assert_eq!(signs.ill(), []);
        // A wall clock that is set tells nothing about life.
        clock.step_to(at("20 14:00"));
        assert_eq!(signs.ill(), []);
    }
}
