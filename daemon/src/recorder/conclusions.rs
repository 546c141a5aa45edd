//! What the daemon writes into a pile's log when a verdict changes: qualified, amended, a long run broken.

use std::collections::BTreeMap;

use heapward_rules::units::At;
use heapward_rules::verdict::{Judgement, Status, Verdict};
use serde::{Deserialize, Serialize};

use crate::limits::RUN_WORTH_AN_ENTRY;
use crate::model::entry::{Event, NewEntry};
use crate::model::time::rfc3339;
use crate::model::words::{self, FROM_MEMORY_SENTENCE};

/// What was written of a pile so far; kept as a document of the store, in the transaction of its entries.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Concluded {
    standards: BTreeMap<String, Known>,
}

#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
struct Known {
    status: String,
    at_ms: Option<i64>,
    /// Breaks that were written: (instant, spot).
    breaks: Vec<(i64, String)>,
}

/// Name of the document of a pile.
pub fn document_name(pile: &str) -> String {
    format!("concluded/{pile}")
}

// === impl Concluded ===

impl Concluded {
    pub fn from_bytes(bytes: &[u8]) -> Concluded {
        serde_json::from_slice(bytes).unwrap_or_default()
    }

    pub fn to_bytes(&self) -> Vec<u8> {
        // Maps with text keys and plain numbers can always be written.
        serde_json::to_vec(self).unwrap_or_default()
    }

    /// Takes over a judgement; the entries that it asks for, in order.
    pub fn update(&mut self, pile: &str, judgement: &Judgement, now: At) -> Vec<NewEntry> {
        let mut entries = Vec::new();
        for verdict in &judgement.verdicts {
            let known = self.standards.entry(verdict.standard.to_string()).or_default();
            let note = if verdict.verified { "" } else { FROM_MEMORY_SENTENCE };
            for (at, event) in known.update(verdict, now) {
                entries.push(NewEntry {
                    pile: Some(pile.to_owned()),
                    at_ms: at.0,
                    entered_ms: now.0,
                    by: "heapward".to_owned(),
                    note: note.to_owned(),
                    corrects: None,
                    event,
                });
            }
        }
        entries
    }
}

// === impl Known ===

impl Known {
    fn update(&mut self, verdict: &Verdict, now: At) -> Vec<(At, Event)> {
        let standard = verdict.standard.to_string();
        let mut events = Vec::new();
        for b in verdict.breaks.iter().filter(|b| b.counted >= RUN_WORTH_AN_ENTRY) {
            let key = (b.at.0, b.spot.to_string());
            if !self.breaks.contains(&key) {
                let reason = words::break_word(b.reason).to_owned();
                let spot = b.spot.to_string();
                events.push((b.at, Event::RunBroken { standard: standard.clone(), spot, reason }));
                self.breaks.push(key);
            }
        }
        let status = words::status_word(verdict.status);
        let at_ms = verdict.at.map(|at| at.0);
        match (self.at_ms, verdict.at) {
            (None, Some(at)) => events.push((at, Event::RunQualified { standard })),
            (Some(was), is) if is.is_none_or(|at| at.0 != was) || self.status != status => {
                let was = in_words(&self.status, Some(At(was)));
                let is = in_words(status, is);
                events.push((now, Event::VerdictAmended { standard, was, is }));
            }
            _ => {}
        }
        // Between running and not met a pile goes back and forth; only what was met is worth remembering exactly.
        let is_met = matches!(verdict.status, Status::Qualified | Status::TemperatureMet);
        let status = if is_met { status } else { "" };
        status.clone_into(&mut self.status);
        self.at_ms = at_ms.filter(|_| is_met);
        events
    }
}

fn in_words(status: &str, at: Option<At>) -> String {
    at.map_or_else(|| status.to_owned(), |at| format!("{status} at {}", rfc3339(at)))
}
