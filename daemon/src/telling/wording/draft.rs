//! A text in parts of different weight, so that what matters stays when there is no room for all.

use crate::limits;
use crate::telling::gsm;

/// Parts in the order of the text. Weight 0 is what happened, 1 what to do; heavier numbers go first.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(super) struct Draft {
    parts: Vec<(u8, String)>,
}

// === impl Draft ===

impl Draft {
    /// What happened, and where.
    pub(super) fn fact(text: impl Into<String>) -> Draft {
        Draft { parts: vec![(0, text.into())] }
    }

    /// What to do about it.
    pub(super) fn action(self, text: impl Into<String>) -> Draft {
        self.part(1, text)
    }

    /// Good to know, if there is room.
    pub(super) fn hint(self, text: impl Into<String>) -> Draft {
        self.part(2, text)
    }

    fn part(mut self, weight: u8, text: impl Into<String>) -> Draft {
        self.parts.push((weight, text.into()));
        self
    }

    pub(super) fn before(mut self, text: &str) -> Draft {
        if !text.is_empty() {
            self.parts.insert(0, (0, text.to_owned()));
        }
        self
    }

    /// All of it, on one line, for a mail.
    pub(super) fn whole(&self) -> String {
        gsm::one_line(&self.joined(u8::MAX))
    }

    /// Only what to do.
    pub(super) fn actions(&self) -> String {
        let actions = self.parts.iter().filter(|(weight, _)| *weight == 1);
        actions.map(|(_, text)| text.as_str()).collect::<Vec<_>>().join(" ")
    }

    /// In the basic set with what happened and what to do, and the hints if there is room; `None` if it is too long.
    pub(super) fn fitting(&self) -> Option<String> {
        let by_weight = [2, 1].map(|weight| gsm::basic(&self.joined(weight)));
        by_weight.into_iter().find(|text| text.chars().count() <= limits::TEXT_CHARS_MAX)
    }

    /// The beginning of it, at the most that a text carries.
    pub(super) fn cut(&self) -> String {
        gsm::clip(&gsm::basic(&self.joined(1)), limits::TEXT_CHARS_MAX)
    }

    fn joined(&self, heaviest: u8) -> String {
        let parts = self.parts.iter().filter(|(weight, _)| *weight <= heaviest);
        parts.map(|(_, text)| text.as_str()).collect::<Vec<_>>().join(" ")
    }
}
