//! How far a pile is.

use heapward_rules::finding::{Finding, Kind};
use heapward_rules::units::{At, Span};

use super::maturity::Test;
use crate::model::entry::{Entry, Event};
use crate::model::pile::PileRecord;
use crate::recorder::facts::in_force;

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Stage {
    /// It heats, in its bay.
    Active { since: At },
    /// Forked out; bay and probes are free.
    Curing { since: At },
    /// Cured: by its temperature, or by a test of maturity that was passed after three weeks of curing.
    Ready { since: At },
    /// Spread, sold or given away.
    Used { since: At },
}

/// Shortest curing before a test of maturity says ready (Canadian guidelines of 2005, from memory).
const CURED_AT_LEAST: Span = Span::days(21);

pub fn of(record: &PileRecord, entries: &[Entry], open: &[Finding]) -> Stage {
    let mut stage = Stage::Active { since: At(record.built_ms) };
    let mut log: Vec<&Entry> = in_force(entries).collect();
    log.sort_by_key(|entry| (entry.entry.at_ms, entry.seq));
    for entry in log {
        let at = At(entry.entry.at_ms);
        stage = match (&entry.entry.event, stage) {
            // Fresh material makes it raw again, wherever it stands.
            (Event::MaterialAdded { .. }, _) => Stage::Active { since: at },
            (Event::MovedToCuring, Stage::Active { .. }) => Stage::Curing { since: at },
            (Event::MaturityTested { test, figure, passed }, Stage::Curing { since }) => {
                let is_passed = Test::parse(test).is_some_and(|test| test.is_passed(*figure, *passed));
                if is_passed && at - since >= CURED_AT_LEAST { Stage::Ready { since: at } } else { stage }
            }
            (Event::Used { .. }, _) => Stage::Used { since: at },
            _ => stage,
        };
    }
    match (stage, open.iter().find(|finding| finding.kind == Kind::Cured)) {
        (Stage::Curing { since }, Some(cured)) if cured.opened >= since => {
            Stage::Ready { since: cured.opened }
        }
        _ => stage,
    }
}

// === impl Stage ===

impl Stage {
    pub fn word(self) -> &'static str {
        match self {
            Stage::Active { .. } => "active",
            Stage::Curing { .. } => "curing",
            Stage::Ready { .. } => "ready",
            Stage::Used { .. } => "used",
        }
    }

    pub fn since(self) -> At {
        let (Stage::Active { since }
        | Stage::Curing { since }
        | Stage::Ready { since }
        | Stage::Used { since }) = self;
        since
    }

    /// Whether it stands in its bay.
    pub fn holds_bay(self) -> bool {
        matches!(self, Stage::Active { .. })
    }
}
