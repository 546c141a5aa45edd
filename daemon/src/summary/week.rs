//! How much was told in a week, and whether it led to anything: texts that nobody acts on are the ones to do away with.

use heapward_rules::units::{At, Span};

use crate::limits;
use crate::model::entry::Entry;
use crate::model::incident::Incident;
use crate::telling::step::Step;

/// The texts of the last seven days; one that went to two people is one.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Week {
    pub texts: usize,
    /// The things that they were about.
    pub things: usize,
    /// Of those, the ones that somebody has seen, or whose pile somebody had to do with within a day.
    pub acted_on: usize,
}

const DAYS: Span = Span::days(7);

/// Counts from the incidents and from what people entered. What is held back by quiet hours is not told yet.
pub fn week(incidents: &[Incident], entries: &[Entry], now: At) -> Week {
    let mut week = Week::default();
    for incident in incidents {
        let told = incident.tellings.iter().filter(|telling| {
            let age = now - At(telling.at_ms);
            !telling.messages.is_empty() && Span::ZERO <= age && age <= DAYS
        });
        let times: Vec<At> = told.map(|telling| At(telling.at_ms)).collect();
        let Some(first) = times.iter().min() else { continue };
        week.texts += times.len();
        week.things += 1;
        let seen = incident.tellings.iter().any(|telling| telling.step == Step::Seen.word());
        week.acted_on += usize::from(seen || entries.iter().any(|entry| is_answer(entry, incident, *first)));
    }
    week
}

fn is_answer(entry: &Entry, incident: &Incident, told: At) -> bool {
    let entry = &entry.entry;
    let after = At(entry.at_ms) - told;
    incident.pile.is_some()
        && entry.pile == incident.pile
        && entry.by != "heapward"
        && Span::ZERO <= after
        && after <= limits::TEXT_ANSWERED_WITHIN
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::entry::{Event, NewEntry};
    use crate::model::incident::{Stage, Telling};
    use crate::telling::fixture::at;

    /// An incident of a pile with its tellings: step and time; `seen` has no message.
    fn incident(pile: &str, tellings: &[(&str, &str)]) -> Incident {
        let telling = |(step, when): &(&str, &str)| Telling {
            at_ms: at(when).0,
            step: (*step).to_owned(),
            level: "act".to_owned(),
            messages: if *step == "seen" { vec![] } else { vec!["m1".to_owned(), "m2".to_owned()] },
        };
        Incident {
            id: format!("{pile}/overheating/-/0"),
            pile: Some(pile.to_owned()),
            kind: "overheating".to_owned(),
            level: "act".to_owned(),
            spot: None,
            read_spot: None,
            probe: None,
            opened_ms: at("12 14:00").0,
            closed_ms: None,
            stage: Stage::Told,
            figures: std::collections::BTreeMap::new(),
            tellings: tellings.iter().map(telling).collect(),
            muted_until_ms: None,
        }
    }

    fn entry(pile: &str, by: &str, when: &str) -> Entry {
        let entry = NewEntry {
            pile: Some(pile.to_owned()),
            at_ms: at(when).0,
            entered_ms: at(when).0,
            by: by.to_owned(),
            note: String::new(),
            corrects: None,
            event: Event::Watered { litres: None },
        };
        Entry { seq: 1, prev: String::new(), entry }
    }

    #[test]
    fn texts_of_seven_days_and_what_came_of_them() {
        let incidents = [
            // Watered in the afternoon.
            incident("2026-03", &[("opened", "12 14:00"), ("reminder-1", "12 16:00")]),
            // Marked as seen.
            incident("2026-04", &[("opened", "10 09:00"), ("seen", "10 09:30")]),
            // Nobody did anything in a day; heapward's own conclusions are no answer.
            incident("2026-05", &[("opened", "11 09:00")]),
            // Held back until the morning; too long ago; never told.
            incident("2026-06", &[("opened", "14 06:30")]),
            incident("2026-07", &[("opened", "5 09:00")]),
            incident("2026-08", &[("noted", "12 14:00"), ("seen", "12 15:00")][1..]),
        ];
        let entries = [
            entry("2026-03", "OM", "12 17:00"),
            entry("2026-05", "heapward", "11 10:00"),
            entry("2026-05", "OM", "12 10:00"),
            entry("2026-05", "OM", "11 08:00"),
        ];
        let wanted = Week { texts: 4, things: 3, acted_on: 2 };
        assert_eq!(week(&incidents, &entries, at("13 06:30")), wanted);
    }
}
