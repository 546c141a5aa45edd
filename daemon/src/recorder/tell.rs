//! Findings to incidents and messages, written in one transaction (design 6).

use std::collections::BTreeMap;

use heapward_rules::finding::{Change, Finding};
use heapward_rules::units::At;
use serde::{Deserialize, Serialize};

use crate::limits::{INCIDENT_WRITTEN_EVERY, INCIDENTS_RECENT};
use crate::model::incident::Incident;
use crate::store::{IncidentFilter, Reader, StoreError, Tx};
use crate::telling::policy::{Mute, Scene, Teller, Told, unreached};
use crate::telling::topic::{Matter, Topic};

/// Document of the mutes.
const MUTES: &str = "mutes";
/// More incidents than a farm has in three days.
const RECENT_MAX: usize = 2_000;

/// The incidents that matter now, and what is decided about them.
pub struct Desk {
    teller: Teller,
    /// Open ones and those that ended lately.
    recent: Vec<Incident>,
    mutes: Vec<Mute>,
    /// When the figures of an open incident were last written.
    written: BTreeMap<String, At>,
}

#[derive(Serialize, Deserialize)]
struct StoredMute {
    pile: String,
    until_ms: i64,
    #[serde(default)]
    reason: String,
}

// === impl Desk ===

impl Desk {
    pub fn open(teller: Teller, reader: &Reader, now: At) -> Result<Desk, StoreError> {
        let open = reader.incidents(
            &IncidentFilter { open_only: true, ..IncidentFilter::default() },
            None,
            RECENT_MAX,
        )?;
        let newest = reader.incidents(&IncidentFilter::default(), None, RECENT_MAX)?;
        let mut desk = Desk { teller, recent: open, mutes: stored_mutes(reader)?, written: BTreeMap::new() };
        for incident in newest {
            desk.remember(incident);
        }
        desk.forget(now);
        Ok(desk)
    }

    pub fn teller(&self) -> &Teller {
        &self.teller
    }

    /// Takes findings of a pile (or of the farm) as they come.
    pub fn take(&mut self, pile: Option<&str>, findings: &[Finding], now: At) -> Vec<Told> {
        self.forget(now);
        findings.iter().filter_map(|finding| self.matter(&Matter::of_finding(pile, finding), now)).collect()
    }

    /// Takes findings that were made again from the stored history: those that are stored already, and over, are
    /// left alone.
    pub fn take_again(
        &mut self,
        pile: &str,
        findings: &[Finding],
        reader: &Reader,
        now: At,
    ) -> Result<Vec<Told>, StoreError> {
        let mut told = Vec::new();
        for finding in findings {
            let matter = Matter::of_finding(Some(pile), finding);
            let is_known =
                |desk: &Desk| desk.recent.iter().any(|incident| incident.id == matter.incident_id());
            if !is_known(self) && reader.incident(&matter.incident_id())?.is_some() {
                continue;
            }
            if finding.change != Change::Opened || !is_known(self) {
                told.extend(self.matter(&matter, now));
            }
        }
        Ok(told)
    }

    pub fn matter(&mut self, matter: &Matter, now: At) -> Option<Told> {
        let told = self
            .teller
            .take(matter, Scene { now, recent: &self.recent, mutes: &self.mutes, unreached: &[] })?;
        self.remember(told.incident.clone());
        Some(told)
    }

    /// Takes over how the open incidents of a pile are now; what has not been written for a while is written again.
    pub fn follow(&mut self, pile: &str, present: &[Finding], now: At) -> Vec<Told> {
        let mut told = Vec::new();
        for finding in present {
            let matter = Matter::of_finding(Some(pile), finding);
            let id = matter.incident_id();
            let known = self.recent.iter().find(|incident| incident.id == id);
            let Some(incident) = known.and_then(|known| self.teller.follow(known, &matter)) else { continue };
            self.remember(incident.clone());
            let written = self.written.entry(id).or_insert(finding.at);
            if now - *written >= INCIDENT_WRITTEN_EVERY {
                *written = now;
                told.push(Told { incident, messages: Vec::new() });
            }
        }
        told
    }

    /// Takes over what was decided before the store was open.
    pub fn adopt(&mut self, told: &Told) {
        self.remember(told.incident.clone());
    }

    /// Closes incidents of a pile that are open in the store but not in the rules any more.
    pub fn close_stale(&mut self, pile: &str, open: &[Finding], now: At) -> Vec<Told> {
        let still: Vec<String> =
            open.iter().map(|finding| Matter::of_finding(Some(pile), finding).incident_id()).collect();
        let stale: Vec<Incident> = self
            .recent
            .iter()
            .filter(|incident| incident.closed_ms.is_none() && incident.pile.as_deref() == Some(pile))
            .filter(|incident| matches!(Topic::parse(&incident.kind), Some(Topic::Pile(_))))
            .filter(|incident| !still.contains(&incident.id) && !is_of_farm_watch(incident))
            .cloned()
            .collect();
        let close = |incident: &Incident| Matter::closing(incident, now);
        stale
            .iter()
            .filter_map(close)
            .collect::<Vec<_>>()
            .iter()
            .filter_map(|m| self.matter(m, now))
            .collect()
    }

    /// Open incidents and those that ended lately.
    pub fn recent(&self) -> &[Incident] {
        &self.recent
    }

    /// What the passing of time asks for. While the clock is not set nothing is known of how long a pile's incident
    /// lasts: then only the daemon's own troubles are told.
    pub fn due(&mut self, now: At, is_set: bool, reader: &Reader) -> Vec<Told> {
        if is_set {
            self.mutes.retain(|mute| mute.until > now);
            self.forget(now);
        }
        // What can't be read now is asked again with the next tick.
        let delivery = |id: &str| reader.message(id).ok().flatten().map(|message| message.delivery);
        let unreached = unreached(&self.recent, now, delivery);
        let scene = Scene { now, recent: &self.recent, mutes: &self.mutes, unreached: &unreached };
        let told = if is_set { self.teller.due(scene) } else { self.teller.due_of_farm(scene) };
        for told in &told {
            self.remember(told.incident.clone());
        }
        told
    }

    pub fn seen(&mut self, id: &str, now: At) -> Option<Incident> {
        let incident = self.recent.iter().find(|incident| incident.id == id)?;
        let seen = self.teller.seen(incident, now);
        self.remember(seen.clone());
        Some(seen)
    }

    /// The open incidents of a pile with the end of its mute, which takes the place of an earlier one.
    pub fn muted(&mut self, pile: &str, until: At) -> Vec<Incident> {
        let of_pile =
            |incident: &&mut Incident| incident.closed_ms.is_none() && incident.pile.as_deref() == Some(pile);
        let open = self.recent.iter_mut().filter(of_pile);
        open.map(|incident| {
            incident.muted_until_ms = Some(until.0);
            incident.clone()
        })
        .collect()
    }

    /// Adds a mute; the document to store.
    pub fn mute(&mut self, mute: Mute) -> Result<Vec<u8>, serde_json::Error> {
        self.mutes.retain(|other| other.pile != mute.pile);
        self.mutes.push(mute);
        let stored: Vec<StoredMute> = self
            .mutes
            .iter()
            .cloned()
            .map(|Mute { pile, until, reason }| StoredMute { pile, until_ms: until.0, reason })
            .collect();
        serde_json::to_vec(&stored)
    }

    pub fn put_mutes(tx: &mut Tx, document: &[u8]) -> Result<(), StoreError> {
        tx.put_document(MUTES, document)
    }

    fn remember(&mut self, incident: Incident) {
        match self.recent.iter_mut().find(|known| known.id == incident.id) {
            Some(known) => *known = incident,
            None => self.recent.push(incident),
        }
    }

    fn forget(&mut self, now: At) {
        self.recent
            .retain(|incident| incident.closed_ms.is_none_or(|closed| now - At(closed) <= INCIDENTS_RECENT));
        let recent = &self.recent;
        self.written.retain(|id, _| recent.iter().any(|i| i.id == *id && i.closed_ms.is_none()));
    }
}

/// Writes what was decided.
pub fn put(tx: &mut Tx, told: &[Told]) -> Result<(), StoreError> {
    for told in told {
        tx.put_incident(&told.incident)?;
        for message in &told.messages {
            // A message of the same id that was sent already stays as it is.
            if tx.message(&message.id)?.is_none() {
                tx.put_message(message)?;
            }
        }
    }
    Ok(())
}

/// Silence is watched for the farm as a whole, not by the watch of a pile.
fn is_of_farm_watch(incident: &Incident) -> bool {
    matches!(incident.kind.as_str(), "probe-silent" | "all-silent")
}

/// The mutes that were asked for last, those that have ended too.
pub fn stored_mutes(reader: &Reader) -> Result<Vec<Mute>, StoreError> {
    let bytes = reader.document(MUTES)?.unwrap_or_default();
    let stored: Vec<StoredMute> = serde_json::from_slice(&bytes).unwrap_or_default();
    let mute = |StoredMute { pile, until_ms, reason }| Mute { pile, until: At(until_ms), reason };
    Ok(stored.into_iter().map(mute).collect())
}
