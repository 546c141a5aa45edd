//! Stored readings of a pile, for judging days again.

use std::cell::RefCell;

use heapward_rules::ids::ProbeId;
use heapward_rules::judge::{History, Sample, Sources};
use heapward_rules::reading::{Quantity, Reading, Source};
use heapward_rules::units::At;

use crate::limits::HISTORY_SLICE_READINGS;
use crate::store::{Reader, StoreError};

/// What the store holds of a pile's temperature probes, with the hand readings of its log.
pub struct StoredHistory<'a> {
    reader: &'a Reader,
    /// Each probe with the time in which it has stood in the pile.
    probes: Vec<(ProbeId, At, At)>,
    by_hand: &'a [Reading],
    /// The rules cannot fail; an error of the store waits here for [`StoredHistory::checked`].
    error: RefCell<Option<StoreError>>,
}

// === impl StoredHistory ===

impl<'a> StoredHistory<'a> {
    pub fn new(
        reader: &'a Reader,
        pile: &heapward_rules::pile::Pile,
        by_hand: &'a [Reading],
    ) -> StoredHistory<'a> {
        let mut probes: Vec<(ProbeId, At, At)> = Vec::new();
        for placement in &pile.placements {
            let until = placement.until.unwrap_or(At::MAX);
            match probes.iter_mut().find(|(probe, _, _)| *probe == placement.probe) {
                Some((_, from, to)) => (*from, *to) = (placement.from.min(*from), until.max(*to)),
                None => probes.push((placement.probe.clone(), placement.from, until)),
            }
        }
        StoredHistory { reader, probes, by_hand, error: RefCell::new(None) }
    }

    /// What was judged with this history holds only if the store could be read.
    pub fn checked(self) -> Result<(), StoreError> {
        self.error.into_inner().map_or(Ok(()), Err)
    }

    fn read(&self, sources: &mut Sources, from: At, to: At) -> Result<Vec<Sample>, StoreError> {
        let mut samples: Vec<Sample> = self
            .by_hand
            .iter()
            .filter(|reading| (from..to).contains(&reading.at))
            .filter_map(|reading| sources.sample(reading))
            .collect();
        let series = self.reader.series()?;
        for (probe, placed_from, placed_until) in &self.probes {
            let Some(source) = sources.number(&Source::Probe(probe.clone())) else { continue };
            let of_probe =
                series.iter().filter(|(_, key)| key.probe == *probe && key.quantity == Quantity::Temperature);
            for (id, key) in of_probe {
                let (mut next, end) = (from.max(*placed_from), to.min(*placed_until));
                while next < end {
                    let slice = self.reader.range(*id, next, end, HISTORY_SLICE_READINGS)?;
                    samples.extend(slice.readings.iter().map(|reading| Sample {
                        at: reading.at,
                        source,
                        value: reading.value,
                        unit: key.unit,
                    }));
                    next = slice.next.unwrap_or(end);
                }
            }
        }
        samples.sort_by_key(|sample| sample.at);
        Ok(samples)
    }
}

impl History for StoredHistory<'_> {
    fn samples(&self, sources: &mut Sources, from: At, to: At) -> Vec<Sample> {
        self.read(sources, from, to).unwrap_or_else(|error| {
            self.error.borrow_mut().get_or_insert(error);
            Vec::new()
        })
    }
}
