//! The steps in which an incident is told.

use heapward_rules::finding::Level;

use super::topic::{level_word, parse_level};

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Step {
    Opened,
    /// A worse level than the one told.
    Worsened(Level),
    /// Not yet seen by anybody; counted from 1.
    Reminder(u32),
    /// The first persons have not answered.
    SecondPerson,
    /// It comes and goes: one message, then the summary only.
    Unstable,
    /// Once more, a week before the day it is about.
    WeekBefore,
    AllClear,
    /// Found later than it happened; told at the next look if it still lasts.
    Noted,
    /// A person has seen it.
    Seen,
}

// === impl Step ===

impl Step {
    /// The stored word; part of a message's stable id.
    pub fn word(self) -> String {
        match self {
            Step::Opened => "opened".to_owned(),
            Step::Worsened(level) => format!("worsened-{}", level_word(level)),
            Step::Reminder(number) => format!("reminder-{number}"),
            Step::SecondPerson => "second-person".to_owned(),
            Step::Unstable => "unstable".to_owned(),
            Step::WeekBefore => "week-before".to_owned(),
            Step::AllClear => "all-clear".to_owned(),
            Step::Noted => "noted".to_owned(),
            Step::Seen => "seen".to_owned(),
        }
    }

    pub fn parse(word: &str) -> Option<Step> {
        if let Some(level) = word.strip_prefix("worsened-") {
            return Some(Step::Worsened(parse_level(level)));
        }
        if let Some(number) = word.strip_prefix("reminder-") {
            return number.parse().ok().map(Step::Reminder);
        }
        [
            Step::Opened,
            Step::SecondPerson,
            Step::Unstable,
            Step::WeekBefore,
            Step::AllClear,
            Step::Noted,
            Step::Seen,
        ]
        .into_iter()
        .find(|step| step.word() == word)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_step_is_read_back_from_its_word() {
        for step in [
            Step::Opened,
            Step::Worsened(Level::Danger),
            Step::Reminder(2),
            Step::SecondPerson,
            Step::Unstable,
            Step::WeekBefore,
            Step::AllClear,
            Step::Noted,
            Step::Seen,
        ] {
            assert_eq!(Step::parse(&step.word()), Some(step));
        }
        assert_eq!(Step::parse("reminder-x"), None);
    }
}
