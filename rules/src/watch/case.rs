//! One thing that is open: it makes the findings of its opening, worsening and end.

use crate::finding::{Change, Figures, Finding, Kind, Level};
use crate::ids::{ProbeId, SpotName};
use crate::units::At;

/// What a case is about: with the instant of opening its identity within a pile.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Subject {
    pub(super) kind: Kind,
    pub(super) spot: Option<SpotName>,
    pub(super) probe: Option<ProbeId>,
}

#[derive(Clone, Debug, PartialEq)]
pub(super) struct Case {
    subject: Subject,
    opened: At,
    level: Level,
}

// === impl Subject ===

impl Subject {
    /// About the pile as a whole.
    pub(super) fn pile(kind: Kind) -> Subject {
        Subject { kind, spot: None, probe: None }
    }

    pub(super) fn spot(kind: Kind, spot: &SpotName) -> Subject {
        Subject { kind, spot: Some(spot.clone()), probe: None }
    }

    pub(super) fn probe(kind: Kind, spot: &SpotName, probe: &ProbeId) -> Subject {
        Subject { kind, spot: Some(spot.clone()), probe: Some(probe.clone()) }
    }
}

// === impl Case ===

impl Case {
    /// Opens at `opened`; decided at `at`, which is the same instant for nearly every rule.
    pub(super) fn open(
        subject: Subject,
        level: Level,
        opened: At,
        at: At,
        figures: Figures,
    ) -> (Case, Finding) {
        let case = Case { subject, opened, level };
        let finding = case.finding(Change::Opened, at, figures);
        (case, finding)
    }

    pub(super) fn opened(&self) -> At {
        self.opened
    }

    pub(super) fn level(&self) -> Level {
        self.level
    }

    /// Opens at the instant that decides.
    pub(super) fn now(subject: Subject, level: Level, at: At, figures: Figures) -> (Case, Finding) {
        Case::open(subject, level, at, at, figures)
    }

    /// A finding if `level` is worse than it was, else none: what has been told once stays told.
    pub(super) fn worsen(&mut self, level: Level, at: At, figures: Figures) -> Option<Finding> {
        if level <= self.level {
            return None;
        }
        self.level = level;
        Some(self.finding(Change::Worsened, at, figures))
    }

    /// Never before its opening, though the entry that ends it may be dated earlier.
    pub(super) fn close(self, at: At, figures: Figures) -> Finding {
        let at = at.max(self.opened);
        self.finding(Change::Closed, at, figures)
    }

    /// What is open, as it stands.
    pub(super) fn standing(&self, figures: Figures) -> Finding {
        self.finding(Change::Opened, self.opened, figures)
    }

    fn finding(&self, change: Change, at: At, figures: Figures) -> Finding {
        Finding {
            kind: self.subject.kind,
            level: self.level,
            change,
            at,
            opened: self.opened,
            spot: self.subject.spot.clone(),
            probe: self.subject.probe.clone(),
            figures,
        }
    }
}
