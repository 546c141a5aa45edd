//! The recorder with its store, on a clock that the test moves.

use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Arc;
use std::thread::JoinHandle;

use heapward::clock::{Clock, ManualClock};
use heapward::demo::setup;
use heapward::model::message::Delivery;
use heapward::recorder::{Handle, Parts, ProbeFacts, Probes, Recorder, Refusal};
use heapward::standards;
use heapward::store::{IncidentFilter, Reader, StoreOptions};
use heapward::telling::policy::Teller;
use heapward::telling::signs::Signs;
use heapward::telling::trouble::Vitals;
use heapward::telling::unwritten::Unwritten;
use heapward::telling::wording::Site;
use heapward_rules::units::{At, Span};
use heapward_rules::verdict::Judgement;
use tokio::sync::{Notify, oneshot};

use crate::tape::{Item, Step};

pub(crate) struct House {
    handle: Handle,
    reader: Reader,
    clock: Arc<ManualClock>,
    thread: JoinHandle<()>,
}

/// What came of a season.
pub(crate) struct Outcome {
    pub(crate) judgements: BTreeMap<String, Judgement>,
    /// `2026-04 overheating core - act 04-20 13:20 to 04-20 18:40`, in order.
    pub(crate) incidents: Vec<String>,
}

// === impl House ===

impl House {
    pub(crate) fn open(dir: &Path, now: At) -> House {
        let config = setup::config().unwrap();
        let clock = Arc::new(ManualClock::new(now));
        let zone = config.farm.timezone;
        let site = Site { farm: config.farm.name.clone(), zone, shows: config.farm.shows, page: None };
        let probes: Probes = config
            .probes
            .iter()
            .map(|probe| {
                let facts = ProbeFacts {
                    quantity: probe.quantity,
                    on_above: probe.mapping.on_above.unwrap_or(0.0),
                    calibration: probe.mapping.calibration.clone(),
                };
                (probe.id.clone(), facts)
            })
            .collect();
        let parts = Parts {
            watch: config.watch.clone(),
            store: StoreOptions::new(dir, zone),
            clock: clock.clone(),
            zone,
            commit_every: Span::ZERO,
            standards: standards::built_in().unwrap(),
            probes,
            probes_kept: |_, _| Probes::new(),
            teller: Teller::new(site, &config.telling),
            outbox: Arc::new(Notify::new()),
            signs: Signs::new(clock.clone(), &[]),
            vitals: Vitals::default(),
            unwritten: Unwritten::default(),
        };
        let (handle, commands) = Handle::new(256);
        let (recorder, _) = Recorder::open(parts, handle.clone()).unwrap();
        let reader = recorder.reader();
        let runtime = tokio::runtime::Handle::current();
        let thread = std::thread::spawn(move || recorder.run(&runtime, commands));
        House { handle, reader, clock, thread }
    }

    pub(crate) async fn take(&self, step: &Step) {
        if step.at > self.clock.now() {
            self.clock.advance(step.at - self.clock.now());
        }
        match &step.item {
            Item::Readings(readings) => {
                let (done, kept) = oneshot::channel();
                let ack = heapward::recorder::Ack::call(move |ok| done.send(ok).unwrap());
                self.handle.readings(readings.clone(), ack).await.unwrap();
                assert!(kept.await.unwrap());
                self.handle.tick();
                self.settle().await;
                self.send_out().await;
            }
            Item::Start(pile) => {
                self.handle.start_pile((**pile).clone(), "OM".to_owned()).await.unwrap();
            }
            Item::Enter(entry) => {
                self.handle.enter(entry.clone()).await.unwrap();
            }
            Item::Place(pile, placement) => {
                self.handle.place(pile.clone(), placement.clone(), "OM".to_owned()).await.unwrap();
            }
        }
    }

    /// Everything that is due goes out at once: there is a link, and nobody answers.
    async fn send_out(&self) {
        for message in self.reader.messages_due(self.clock.now(), 100).unwrap() {
            let Delivery::Waiting { due_ms } = message.delivery else { continue };
            self.handle.delivered(message.id, Delivery::Sent { at_ms: due_ms }, 1).await.unwrap();
        }
    }

    /// Answered after everything that was handed in before is carried out.
    async fn settle(&self) {
        let nothing = self.handle.seen("nothing".to_owned()).await;
        assert!(matches!(nothing, Err(Refusal::Unknown(_))));
    }

    pub(crate) async fn outcome(&self) -> Outcome {
        self.settle().await;
        let judgements =
            self.handle.views().iter().map(|view| (view.pile.id.clone(), view.judgement.clone())).collect();
        let all = IncidentFilter { open_only: false, pile: None };
        let mut incidents: Vec<String> = self
            .reader
            .incidents(&all, None, 10_000)
            .unwrap()
            .into_iter()
            .map(|incident| {
                let time = |ms: i64| heapward::model::time::rfc3339(At(ms));
                let word = |name: Option<String>| name.unwrap_or_else(|| "-".to_owned());
                format!(
                    "{} {} {} {} {} {} to {}",
                    word(incident.pile),
                    incident.kind,
                    word(incident.spot),
                    word(incident.probe),
                    incident.level,
                    time(incident.opened_ms),
                    incident.closed_ms.map_or_else(|| "open".to_owned(), time),
                )
            })
            .collect();
        incidents.sort();
        Outcome { judgements, incidents }
    }

    /// Every telling that went to Odile's telephone, in order of the time at which it may come: `2026-04 overheating
    /// opened, Tue 21 Apr 14:20: TEXT`.
    pub(crate) async fn texts(&self) -> Vec<String> {
        let texts = self.texts_of(&["Odile Marsh"]).await;
        texts.into_iter().map(|text| text.trim_start_matches("Odile: ").to_owned()).collect()
    }

    /// The same for the telephones of some, each behind its owner's first name.
    pub(crate) async fn texts_of(&self, contacts: &[&str]) -> Vec<String> {
        self.settle().await;
        let mut texts = Vec::new();
        for message in self.reader.messages(None, 10_000).unwrap() {
            let is_theirs = message.channel == "phone" && contacts.contains(&message.contact.as_str());
            let Some(id) = message.incident.clone().filter(|_| is_theirs) else {
                continue;
            };
            let incident = self.reader.incident(&id).unwrap().unwrap();
            let telling = incident.tellings.iter().find(|telling| telling.messages.contains(&message.id));
            let (Delivery::Sent { at_ms: due_ms } | Delivery::Waiting { due_ms }) = message.delivery else {
                panic!("everything is taken here: {message:?}")
            };
            let when = heapward::model::time::local(At(due_ms), setup::config().unwrap().farm.timezone);
            let pile = incident.pile.unwrap_or_else(|| "farm".to_owned());
            let when = when.format("%a %-d %b %H:%M");
            let step = &telling.unwrap().step;
            let who = message.contact.split(' ').next().unwrap();
            texts.push((due_ms, format!("{who}: {pile} {} {step}, {when}: {}", incident.kind, message.text)));
        }
        texts.sort();
        texts.into_iter().map(|(_, text)| text).collect()
    }

    pub(crate) async fn stop(self) {
        self.handle.stop().await;
        self.thread.join().unwrap();
    }
}

// === impl Outcome ===

impl Outcome {
    pub(crate) fn assert_same(&self, other: &Outcome, seed: u64, how: &str) {
        self.assert_same_verdicts(other, seed, how);
        let missing: Vec<_> = self.of_readings().filter(|i| !other.incidents.contains(i)).collect();
        let added: Vec<_> = other.of_readings().filter(|i| !self.incidents.contains(i)).collect();
        assert!(
            missing.is_empty() && added.is_empty(),
            "seed {seed}, {how}: missing {missing:#?}, instead {added:#?}"
        );
    }

    /// Incidents that follow from the readings alone. Silence does not: while a gateway sends what it kept, a probe
    /// speaks, though of long ago, so when a silence begins depends on the arrivals.
    fn of_readings(&self) -> impl Iterator<Item = &String> {
        let is_silence =
            |incident: &str| incident.contains(" probe-silent ") || incident.contains(" all-silent ");
        self.incidents.iter().filter(move |incident| !is_silence(incident))
    }

    pub(crate) fn assert_same_verdicts(&self, other: &Outcome, seed: u64, how: &str) {
        assert_eq!(self.judgements.len(), other.judgements.len());
        for (pile, judgement) in &self.judgements {
            assert_eq!(judgement, &other.judgements[pile], "seed {seed}, {how}: {pile}");
        }
    }
}
