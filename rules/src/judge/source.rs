//! Numbers for the sources of readings within one pile.

use std::collections::BTreeMap;

use crate::ids::{ProbeId, SpotName};
use crate::pile::Pile;
use crate::reading::{Reading, Source, reported_c};

use super::Sample;

/// A source of readings within one pile: a probe, or a person at a spot. Made by [`Sources::number`].
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct SourceId(pub(super) u32);

/// The sources of a pile: first its spots for hand readings, then its placed probes, then any other probes.
#[derive(Clone, Debug)]
pub struct Sources {
    spots: Vec<SpotName>,
    probes: BTreeMap<ProbeId, usize>,
}

// === impl Sources ===

impl Sources {
    pub(super) fn new(pile: &Pile) -> Sources {
        let mut probes = BTreeMap::new();
        for placement in &pile.placements {
            let next = probes.len();
            probes.entry(placement.probe.clone()).or_insert(next);
        }
        Sources { spots: pile.spots.iter().map(|spot| spot.name.clone()).collect(), probes }
    }

    /// The number of a source; `None` for a hand reading at a spot that the pile does not have.
    pub fn number(&mut self, source: &Source) -> Option<SourceId> {
        let index = match source {
            Source::Hand(name) => self.spots.iter().position(|spot| spot == name)?,
            Source::Probe(probe) => {
                let next = self.probes.len();
                self.spots.len() + *self.probes.entry(probe.clone()).or_insert(next)
            }
        };
        u32::try_from(index).ok().map(SourceId)
    }

    /// A reading as a sample; `None` where there is no number or the value is no temperature.
    pub fn sample(&mut self, reading: &Reading) -> Option<Sample> {
        let source = self.number(&reading.source)?;
        reported_c(reading.value, reading.unit)?;
        Some(Sample { at: reading.at, source, value: reading.value, unit: reading.unit })
    }

    pub(super) fn source(&self, id: SourceId) -> Option<Source> {
        let index = id.0 as usize;
        match index.checked_sub(self.spots.len()) {
            None => self.spots.get(index).cloned().map(Source::Hand),
            Some(probe) => {
                let named = self.probes.iter().find(|(_, number)| **number == probe);
                named.map(|(name, _)| Source::Probe(name.clone()))
            }
        }
    }

    pub(super) fn probes(&self) -> usize {
        self.probes.len()
    }

    pub(super) fn probe(&self, probe: &ProbeId) -> Option<usize> {
        self.probes.get(probe).copied()
    }
}
