//! What the probes of the configuration make of what was heard: value, unit, time and age, or why there is none.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use chrono_tz::Tz;
use heapward_rules::units::{At, Span};

use super::super::date::{Dating, Freshness, Moment, ProbeDates};
use super::super::decode::{Decoded, Sample, decode};
use super::super::mapping::Mapping;
use super::super::reason::Reason;
use super::super::router::Router;
use super::super::status::printable;
use crate::limits::{EXAMPLE_BYTES_MAX, PAYLOAD_BYTES_MAX};
use crate::model::reading::{DatedBy, unit_word};
use crate::model::time::local;

/// Values of one message that are shown.
const SAMPLES_SHOWN: usize = 5;

/// The newest message of each probe; what is for another device on the same topic is not of it.
#[derive(Clone, Debug, Default)]
pub(super) struct Reads(BTreeMap<String, Message>);

#[derive(Clone, Debug)]
struct Message {
    topic: String,
    payload: Vec<u8>,
    is_retained: bool,
    at: Span,
}

/// When it is told: how long was listened, and what the clock says at the end of it.
#[derive(Clone, Copy, Debug)]
pub struct Told {
    pub listened: Span,
    pub now: At,
    pub zone: Tz,
}

// === impl Reads ===

impl Reads {
    pub(super) fn add(
        &mut self,
        known: &Router,
        topic: &str,
        payload: &[u8],
        (is_retained, at): (bool, Span),
    ) {
        for mapping in known.route(topic) {
            let has_live = self.0.get(mapping.probe.as_str()).is_some_and(|before| !before.is_retained);
            let is_other = matches!(decode(topic, payload, mapping), Decoded::Skipped(_));
            if is_other || (is_retained && has_live) {
                continue;
            }
            // One byte more than is read, so that it is known to be too large.
            let payload = payload.get(..=PAYLOAD_BYTES_MAX).unwrap_or(payload).to_vec();
            let message = Message { topic: topic.to_owned(), payload, is_retained, at };
            self.0.insert(mapping.probe.to_string(), message);
        }
    }

    /// A paragraph for each probe, in order of the names.
    pub(super) fn report(&self, known: &Router, told: Told) -> String {
        let all: BTreeMap<&str, (&str, &Mapping)> =
            known.all().map(|(topic, mapping)| (mapping.probe.as_str(), (topic, mapping))).collect();
        let mut text = String::new();
        for (probe, (filter, mapping)) in all {
            let Some(message) = self.0.get(probe) else {
                let seconds = told.listened.0 / 1_000;
                let _ = writeln!(text, "{probe}: nothing for it on {filter} in {seconds} s");
                continue;
            };
            for line in message.read(mapping, told) {
                let _ = writeln!(text, "{probe}: {line}");
            }
            let topic = printable(message.topic.as_bytes(), EXAMPLE_BYTES_MAX);
            let _ = writeln!(text, "    {topic}  {}", printable(&message.payload, EXAMPLE_BYTES_MAX));
        }
        if !text.is_empty() {
            text.push('\n');
        }
        text
    }
}

// === impl Message ===

impl Message {
    fn read(&self, mapping: &Mapping, told: Told) -> Vec<String> {
        match decode(&self.topic, &self.payload, mapping) {
            Decoded::Samples { samples, refused } => {
                let values = samples.iter().take(SAMPLES_SHOWN).map(|one| self.value(one, mapping, told));
                values.chain(refused.first().map(|reason| reads_nothing(*reason))).collect()
            }
            Decoded::Availability(true) => vec!["its node says that it is there".to_owned()],
            Decoded::Availability(false) => vec!["its node says that it is gone".to_owned()],
            Decoded::Refused(reason) => vec![reads_nothing(reason)],
            Decoded::Skipped(_) => Vec::new(),
        }
    }

    /// `62.3 C, by its own time 2026-05-02 06:15:00 EDT, 4 s ago`.
    fn value(&self, sample: &Sample, mapping: &Mapping, told: Told) -> String {
        let value = format!("{} {}", sample.value, unit_word(sample.unit));
        let freshness = if self.is_retained { Freshness::Retained } else { Freshness::Live };
        let moment = Moment { now: told.now, arrived: told.now - (told.listened - self.at) };
        let dating = ProbeDates::default().date(sample.time, mapping.fallback_arrival, freshness, moment);
        match dating {
            Dating::At(at, DatedBy::Payload) => {
                let shown = local(at, told.zone).format("%Y-%m-%d %H:%M:%S %Z");
                format!("{value}, by its own time {shown}, {}", ago(told.now - at))
            }
            Dating::At(at, DatedBy::Arrival) => {
                format!("{value}, dated by its arrival, {}", ago(told.now - at))
            }
            Dating::Refused(reason) => format!("{value}, but no reading: {}", reason.advice()),
            Dating::IfLast => value,
        }
    }
}

fn reads_nothing(reason: Reason) -> String {
    format!("reads nothing: {}", reason.advice())
}

fn ago(span: Span) -> String {
    match span.0 / 1_000 {
        ..0 => "ahead of this machine's clock".to_owned(),
        seconds @ 0..=119 => format!("{seconds} s ago"),
        seconds @ 120..=7_199 => format!("{} min ago", seconds / 60),
        seconds => format!("{} h ago", seconds / 3_600),
    }
}
