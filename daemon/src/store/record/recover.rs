//! Bringing a database that is older than the record up to it: entries and piles are in the sections word for word.
//! Readings are not; they are lost with the database, and the log says so.

use redb::{Database, ReadableTable};

use super::check::{Placed, read_sections};
use super::{Digest, Head, Sealed, last};
use crate::model::entry::Entry;
use crate::model::pile::PileRecord;
use crate::store::disk::Disk;
use crate::store::error::StoreError;
use crate::store::schema::{LOG, LOG_OF_PILE, PILES, RECORD, unversioned, versioned};
use crate::store::tx::{NO_ENTRY, entry_digest};

/// What came back.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Recovered {
    pub sections: u64,
    pub entries: u64,
    pub piles: u64,
}

/// Takes in the sections after the database's last, as far as they follow each other and end with `HEAD`.
pub(in crate::store) fn recover(disk: &dyn Disk, db: &Database, head: Head) -> Result<Recovered, StoreError> {
    let (sections, _) = read_sections(disk)?;
    let txn = db.begin_write()?;
    let before = last(&txn.open_table(RECORD)?)?;
    let mut recovered = Recovered::default();
    let (mut seq, mut prev) = before.map_or((0, Digest::ZERO), |before| (before.seq, before.digest));
    for placed in sections.iter().filter(|placed| placed.section.seq > seq).collect::<Vec<_>>() {
        let Placed { section, digest, place, .. } = placed;
        // Behind a database that was lost whole the first section that is there has to be believed.
        if section.seq != seq + 1 || (section.prev != prev && seq > 0) {
            break;
        }
        recovered.entries += take_entries(&txn, &section.entries)?;
        recovered.piles += take_piles(&txn, &section.piles)?;
        recovered.sections += 1;
        let text = section.text();
        let sealed = Sealed {
            seq: section.seq,
            day: section.day,
            digest: *digest,
            entries_to: txn.open_table(LOG)?.last()?.map_or(0, |(seq, _)| seq.value()),
            place: *place,
            text: if section.seq == head.seq { text } else { String::new() },
        };
        txn.open_table(RECORD)?.insert(sealed.seq, sealed.encode().as_slice())?;
        (seq, prev) = (section.seq, *digest);
    }
    txn.commit()?;
    Ok(recovered)
}

fn take_entries(txn: &redb::WriteTransaction, lines: &[String]) -> Result<u64, StoreError> {
    let mut log = txn.open_table(LOG)?;
    let mut of_pile = txn.open_table(LOG_OF_PILE)?;
    let mut taken = 0;
    for line in lines {
        let Ok(entry) = serde_json::from_str::<Entry>(line) else { break };
        let (seq, prev) = match log.last()? {
            None => (0, NO_ENTRY.to_owned()),
            Some((seq, text)) => (seq.value(), entry_digest(unversioned("a log entry", text.value())?)),
        };
        if entry.seq != seq + 1 || entry.prev != prev {
            // Known already, or from a log that went another way.
            continue;
        }
        log.insert(entry.seq, versioned(line.as_bytes()).as_slice())?;
        if let Some(pile) = &entry.entry.pile {
            of_pile.insert((pile.as_str(), entry.seq), ())?;
        }
        taken += 1;
    }
    Ok(taken)
}

fn take_piles(txn: &redb::WriteTransaction, lines: &[String]) -> Result<u64, StoreError> {
    let mut piles = txn.open_table(PILES)?;
    let mut taken = 0;
    for line in lines {
        if let Ok(pile) = serde_json::from_str::<PileRecord>(line) {
            piles.insert(pile.id.as_str(), versioned(line.as_bytes()).as_slice())?;
            taken += 1;
        }
    }
    Ok(taken)
}
