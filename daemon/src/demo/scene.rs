//! The demo at work: minutes pass at the farm, gateways publish, mishaps happen, and the grower answers.

use std::sync::Arc;

use chrono_tz::Tz;
use heapward_rules::units::{At, Span};
use rumqttc::ClientError;

use super::errands;
use super::farm::{BEGINS, Farm};
use super::grower::{Errand, Grower, Plan};
use super::heap::Mix;
use super::messages::{Gateways, Message};
use super::mishaps::{Mishap, Mishaps};
use super::publisher::Publisher;
use super::{screen, stock};
use crate::clock::ManualClock;
use crate::recorder::{Handle, Refusal};
use crate::store::{IncidentFilter, Reader};

/// Everything that moves.
pub struct Scene {
    pub farm: Farm,
    clock: Arc<ManualClock>,
    zone: Tz,
    gateways: Gateways,
    publisher: Publisher,
    records: Handle,
    reader: Reader,
    grower: Grower,
    mishaps: Mishaps,
    /// What the gateways hold back while their network is down.
    held: Option<Vec<Message>>,
}

#[derive(Debug, thiserror::Error)]
pub enum SceneError {
    #[error("the demo's own client could not publish: {0}")]
    Publish(#[from] ClientError),
    #[error("{0}")]
    Refused(#[from] Refusal),
}

/// The farm's clock jumps by this: probes speak every five minutes.
pub const STEP: Span = Span::minutes(5);
/// How the piles do is said so often.
const LOOK_EVERY: Span = Span::hours(12);
/// More incidents than are ever open at once.
const OPEN_MAX: usize = 100;
/// A pile cures this long before it is spread.
const CURES: Span = Span::days(40);

// === impl Scene ===

impl Scene {
    /// Enters the piles and sends the grower round with the thermometer.
    pub async fn open(
        seed: u64,
        clock: Arc<ManualClock>,
        zone: Tz,
        records: Handle,
        reader: Reader,
        publisher: Publisher,
    ) -> Result<Scene, SceneError> {
        let farm = Farm::new(seed);
        errands::start(&farm, &records).await?;
        let mut grower = Grower::new(zone);
        for bay in 0..3 {
            if let Some(pile) = farm.bay(bay).and_then(super::bay::Bay::pile) {
                grower.plan(BEGINS + Span::minutes(40), Errand::ReadByHand { pile: pile.to_owned() });
            }
        }
        Ok(Scene {
            farm,
            clock,
            zone,
            gateways: Gateways::new(zone),
            publisher,
            records,
            reader,
            grower,
            mishaps: Mishaps::new(seed),
            held: None,
        })
    }

    pub fn now(&self) -> At {
        self.farm.now
    }

    /// Messages published and acknowledged.
    pub fn messages(&self) -> (u64, u64) {
        (self.publisher.sent(), self.publisher.acknowledged())
    }

    /// Lets five minutes pass. Where the daemon is slower than the farm, the farm waits for its acknowledgements.
    pub async fn step(&mut self) -> Result<(), SceneError> {
        let until = self.farm.now + STEP;
        while self.farm.now < until {
            let said = self.farm.pass_minute();
            let messages = self.gateways.send(said);
            match &mut self.held {
                Some(held) => held.extend(messages),
                None => self.publish(messages).await?,
            }
            self.clock.advance(Span::minutes(1));
        }
        for mishap in self.mishaps.due(self.farm.now) {
            self.suffer(mishap).await?;
        }
        self.publisher.settle().await;
        self.listen()?;
        for plan in self.grower.due(self.farm.now) {
            self.run(&plan).await?;
        }
        if (self.farm.now - BEGINS).0 % LOOK_EVERY.0 == 0 {
            self.look();
        }
        Ok(())
    }

    async fn publish(&mut self, messages: Vec<Message>) -> Result<(), SceneError> {
        let any = !messages.is_empty();
        for message in messages {
            self.publisher.publish(message).await?;
        }
        // Else the clock would run ahead of messages on their way, and the probes' clocks look as if they were behind.
        if any {
            self.publisher.settle().await;
        }
        Ok(())
    }

    async fn suffer(&mut self, mishap: Mishap) -> Result<(), SceneError> {
        match mishap {
            Mishap::Probe { probe, fault } => self.farm.break_probe(probe, Some(fault)),
            Mishap::Breaker { bay } => self.farm.trip_breaker(bay),
            Mishap::NetworkDown => self.held = Some(self.held.take().unwrap_or_default()),
            Mishap::NetworkUp => {
                let held = self.held.take().unwrap_or_default();
                self.publish(held).await?;
            }
        }
        if let Some(words) = screen::mishap(&mishap) {
            self.say(&words);
        }
        Ok(())
    }

    /// The grower hears of what is open.
    fn listen(&mut self) -> Result<(), SceneError> {
        let open = IncidentFilter { open_only: true, pile: None };
        let incidents = self.reader.incidents(&open, None, OPEN_MAX).map_err(Refusal::from)?;
        self.grower.hear(&incidents, self.farm.now);
        Ok(())
    }

    async fn run(&mut self, plan: &Plan) -> Result<(), SceneError> {
        let errand = &plan.errand;
        if let Some(id) = &plan.incident {
            let incident = self.reader.incident(id).map_err(Refusal::from)?;
            let is_over = incident.is_none_or(|incident| incident.closed_ms.is_some());
            if is_over && matches!(errand, Errand::MendProbe { .. } | Errand::GiveAir { .. }) {
                return Ok(());
            }
            // It may end just now.
            let _ = self.records.seen(id.clone()).await;
        }
        let fresh = self.next_mix();
        let done = match errands::run(errand, &mut self.farm, &self.records, fresh).await {
            Ok(done) => done,
            Err(Refusal::Unavailable(why)) => return Err(Refusal::Unavailable(why).into()),
            // A person would shrug and read the sentence; so does the demo.
            Err(refusal) => Some(format!("enters something that is refused: {refusal}")),
        };
        let Some(done) = done else { return Ok(()) };
        self.say(&format!("Odile {done}"));
        if let Errand::MoveToCuring { pile } = errand {
            let now = self.farm.now;
            for bay in (0..3).filter(|bay| self.farm.bay(*bay).is_some_and(|bay| bay.pile().is_none())) {
                self.grower.plan(now + Span::days(2), Errand::Build { bay });
            }
            self.grower.plan(now + CURES, Errand::Spread { pile: pile.clone() });
        }
        Ok(())
    }

    /// Most piles are built well; now and then one is too rich or too wet.
    fn next_mix(&mut self) -> Mix {
        let chance = self.mishaps.chance();
        let mix = match chance.below(6) {
            0 => stock::HORSE_AND_HENS,
            1 => stock::WET_LEAVES,
            _ => stock::QUILLBACK,
        };
        let start_c = (mix.start_c - 12.0).max(14.0);
        Mix { degradable: mix.degradable * chance.between(0.92, 1.06), start_c, ..mix }
    }

    /// One line for each pile.
    fn look(&self) {
        for bay in 0..3 {
            let view = self.farm.bay(bay).and_then(|bay| self.records.view(bay.pile()?));
            if let Some(line) = view.and_then(|view| screen::pile(&self.farm, bay, &view.judgement)) {
                self.say(&line);
            }
        }
    }

    fn say(&self, text: &str) {
        screen::print(&screen::line(self.farm.now, self.zone, text));
    }

    pub fn stop(self) {
        self.publisher.stop();
    }
}
