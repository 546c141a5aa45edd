//! What the probes say as MQTT messages, in the shape of each gateway.

use std::collections::BTreeMap;

use serde_json::{Value, json};

use super::barn::{Fitting, Shape};
use super::probes::{Mount, Said};
use crate::model::time::{local, rfc3339};

#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Message {
    pub topic: String,
    pub payload: String,
}

/// The gateways of the farm; the one of bay 3 keeps each probe's readings until it has two.
pub struct Gateways {
    zone: chrono_tz::Tz,
    kept: BTreeMap<&'static str, Vec<Said>>,
}

const BATCH: usize = 2;

// === impl Gateways ===

impl Gateways {
    pub fn new(zone: chrono_tz::Tz) -> Gateways {
        Gateways { zone, kept: BTreeMap::new() }
    }

    /// The messages of one minute.
    pub fn send(&mut self, said: Vec<Said>) -> Vec<Message> {
        let mut messages = Vec::new();
        let mut lances = Vec::new();
        for said in said {
            let Some(fitting) = Fitting::find(said.probe) else { continue };
            match fitting.shape {
                Shape::Lances => lances.push((said, fitting)),
                Shape::Batch => messages.extend(self.batch(said)),
                Shape::Single => messages.push(single(&said)),
                Shape::Receiver => messages.push(self.heard(&said, fitting)),
                Shape::Plug => messages.push(self.plug(&said)),
            }
        }
        if let Some((first, _)) = lances.first() {
            let at = rfc3339(first.at);
            let lances: Vec<Value> = lances
                .iter()
                .map(|(said, fitting)| json!({"rom": fitting.number(), "c": said.value}))
                .collect();
            let payload = json!({"ts": at, "lances": lances});
            messages.push(message("quillback/bay1/lances", &payload));
        }
        messages
    }

    fn batch(&mut self, said: Said) -> Option<Message> {
        let probe = said.probe;
        let kept = self.kept.entry(probe).or_default();
        kept.push(said);
        if kept.len() < BATCH {
            return None;
        }
        let readings: Vec<Value> =
            kept.drain(..).map(|said| json!({"at": said.at.0 / 1_000, "c": said.value})).collect();
        Some(message("quillback/bay3/batch", &json!({"probe": probe, "readings": readings})))
    }

    fn heard(&self, said: &Said, fitting: &Fitting) -> Message {
        let time = local(said.at, self.zone).format("%Y-%m-%dT%H:%M:%S").to_string();
        let id: u64 = fitting.number().parse().unwrap_or(0);
        let payload = match fitting.mount {
            Mount::Moisture => json!({"time": time, "id": id, "moisture": said.value, "battery_ok": 1}),
            _ => json!({"time": time, "id": id, "temperature": said.value, "battery_ok": 1}),
        };
        message("quillback/receiver", &payload)
    }

    fn plug(&self, said: &Said) -> Message {
        let at = local(said.at, self.zone).to_rfc3339_opts(chrono::SecondsFormat::Secs, false);
        message(&format!("quillback/blower/{}", said.probe), &json!({"at": at, "watt": said.value}))
    }
}

fn single(said: &Said) -> Message {
    let payload = json!({"t": said.value, "unit": "F", "ms": said.at.0});
    message(&format!("quillback/bay2/{}", said.probe), &payload)
}

fn message(topic: &str, payload: &Value) -> Message {
    Message { topic: topic.to_owned(), payload: payload.to_string() }
}

#[cfg(test)]
mod tests {
    use heapward_rules::units::{At, Span};

    use super::*;
    use crate::demo::farm::{BEGINS, Farm};
    use crate::demo::setup;
    use crate::ingest::decode::{Decoded, decode};
    use crate::ingest::mapping::Mapping;
    use crate::ingest::time_of::OwnTime;

    /// What the mapping of a probe reads in messages: instants and values.
    fn read(config: &crate::config::Config, probe: &str, messages: &[Message]) -> Vec<(At, f64)> {
        let probe = config.probes.iter().find(|p| p.id.as_str() == probe).unwrap();
        let mapping = Mapping::new(probe).unwrap();
        let mut read = Vec::new();
        for message in messages.iter().filter(|message| message.topic == probe.topic) {
            let Decoded::Samples { samples, refused } =
                decode(&message.topic, message.payload.as_bytes(), &mapping)
            else {
                continue;
            };
            assert_eq!(refused, []);
            read.extend(samples.iter().filter(|sample| sample.quantity == probe.quantity).map(|sample| {
                let OwnTime::At(at) = sample.time else { panic!("{:?}", sample.time) };
                (at, sample.value)
            }));
        }
        read
    }

    #[test]
    fn every_probe_is_read_as_it_spoke() {
        let config = setup::config().unwrap();
        let mut farm = Farm::new(2);
        let mut gateways = Gateways::new(config.farm.timezone);
        let (mut said, mut messages) = (Vec::new(), Vec::new());
        while farm.now < BEGINS + Span::hours(2) {
            let minute = farm.pass_minute();
            said.extend(minute.clone());
            messages.extend(gateways.send(minute));
        }
        for probe in ["k1", "k4", "k5", "k8", "m1", "a1", "b2"] {
            let spoke: Vec<(At, f64)> =
                said.iter().filter(|s| s.probe == probe).map(|s| (s.at, s.value)).collect();
            assert!(spoke.len() >= 12, "{probe}: {}", spoke.len());
            assert_eq!(read(&config, probe, &messages), spoke, "{probe}");
        }
    }
}
