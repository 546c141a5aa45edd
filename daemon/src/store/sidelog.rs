//! The side log: plain readings, durable with one page and one sync.
//!
//! A commit of the database writes seven pages whatever is in it. So readings go to a file first that was filled with
//! zeros once and is overwritten in place: no change of length, nothing for the file system to note down. When what is
//! in it has been sealed into blocks, the epoch advances and the next frame starts at the front again; what is left of
//! the epoch before is recognised by its number. The database says which epoch holds.
//!
//! A frame begins on a page of its own, so that a torn write can't touch what was acknowledged before:
//!
//! | bytes | meaning |
//! | --- | --- |
//! | 4 | CRC-32 of all that follows up to the end of the payload; little-endian, as the rest |
//! | 4 | `hwf1` |
//! | 8 | epoch |
//! | 4 | number of the frame in its epoch, from 0 |
//! | 4 | length of the payload |
//! | | payload (`frame.rs`), zeros to the end of the page |

use std::io;

use redb::StorageBackend;

use super::SIDE_LOG_FILE;
use super::error::StoreError;

/// Size of a page on the card and of a frame's step.
pub(super) const PAGE: usize = 4_096;
const HEAD: usize = 24;
const MARK: [u8; 4] = *b"hwf1";
/// Zeros are written in pieces of this size.
const FILL: usize = 1 << 20;

#[derive(Debug)]
pub(super) struct SideLog {
    file: Box<dyn StorageBackend>,
    size: u64,
    epoch: u64,
    /// Number of the next frame and where it goes.
    number: u32,
    end: u64,
}

/// A frame that was read, with the zeros to the end of its last page.
struct Found {
    bytes: Vec<u8>,
}

// === impl SideLog ===

impl SideLog {
    /// Opens the log, gives the payloads of an epoch in order to `each`, and makes it `size` bytes long if it is not.
    /// `whole` is the length that it had when it was last in order; zero for a new one.
    pub(super) fn open(
        file: Box<dyn StorageBackend>,
        size: u64,
        whole: u64,
        epoch: u64,
        mut each: impl FnMut(&[u8]) -> Result<(), StoreError>,
    ) -> Result<SideLog, StoreError> {
        let length = file.len()?;
        if length < whole {
            return Err(damaged(format!("it was {whole} bytes long and has {length}")));
        }
        let mut log = SideLog { file, size: length - length % PAGE as u64, epoch, number: 0, end: 0 };
        let mut last = None;
        let (mut number, is_next) = (0, |number| move |e, n| e == epoch && n == number);
        while let Some(frame) = log.read_frame(log.end, is_next(number))? {
            each(frame.payload())?;
            let start = log.end;
            log.end += frame.bytes.len() as u64;
            number += 1;
            last = Some((start, frame.bytes));
        }
        log.number = number;
        log.look_ahead()?;
        log.fill(size)?;
        if let Some((start, frame)) = last {
            // After a failed sync the system may hold a frame in memory that the card has not, and never write it. It
            // was read, so it counts; it is written again, so that it lasts.
            log.file.write(start, &frame)?;
            log.file.sync_data()?;
        }
        Ok(log)
    }

    /// A frame that was acknowledged and can't be read is not the same as the end: the frames behind it tell. So does
    /// one of an epoch that the database does not know yet.
    fn look_ahead(&self) -> Result<(), StoreError> {
        let mut at = self.end;
        while at < self.size {
            let is_ahead = |epoch, number| (epoch, number) >= (self.epoch, self.number);
            if let Some(frame) = self.read_frame(at, is_ahead)? {
                return Err(damaged(format!(
                    "frame {} of epoch {} follows frame {} of epoch {}",
                    frame.number(),
                    frame.epoch(),
                    self.number,
                    self.epoch
                )));
            }
            at += PAGE as u64;
        }
        Ok(())
    }

    /// Every frame that can be read in a damaged log, wherever it stands, with its epoch.
    pub(super) fn salvage(file: Box<dyn StorageBackend>) -> Result<Vec<(u64, Vec<u8>)>, StoreError> {
        let length = file.len()?;
        let log = SideLog { file, size: length - length % PAGE as u64, epoch: 0, number: 0, end: 0 };
        let (mut frames, mut at) = (Vec::new(), 0);
        while at < log.size {
            match log.read_frame(at, |_, _| true)? {
                Some(frame) => {
                    at += frame.bytes.len() as u64;
                    frames.push((frame.epoch(), frame.payload().to_vec()));
                }
                None => at += PAGE as u64,
            }
        }
        frames.sort_by_key(|(epoch, _)| *epoch);
        Ok(frames)
    }

    /// A frame that begins at a page, is wanted by its epoch and number, and passes its check.
    fn read_frame(
        &self,
        at: u64,
        wanted: impl FnOnce(u64, u32) -> bool,
    ) -> Result<Option<Found>, StoreError> {
        if at + PAGE as u64 > self.size {
            return Ok(None);
        }
        let mut found = Found { bytes: vec![0; PAGE] };
        self.file.read(at, &mut found.bytes)?;
        let length = HEAD + found.payload_len();
        let whole = length.next_multiple_of(PAGE);
        let is_frame = found.bytes[4..8] == MARK && at + whole as u64 <= self.size;
        if !is_frame || !wanted(found.epoch(), found.number()) {
            return Ok(None);
        }
        found.bytes.resize(whole, 0);
        if whole > PAGE {
            self.file.read(at + PAGE as u64, &mut found.bytes[PAGE..])?;
        }
        let is_right = found.bytes[..4] == crc32fast::hash(&found.bytes[4..length]).to_le_bytes();
        Ok(is_right.then_some(found))
    }

    /// Makes the log longer, never shorter: a smaller size in the configuration is for the next new log.
    fn fill(&mut self, size: u64) -> Result<(), StoreError> {
        let mut at = self.size;
        if at >= size {
            return Ok(());
        }
        let zeros = vec![0; FILL];
        while at < size {
            let piece = usize::try_from(size - at).unwrap_or(FILL).min(FILL);
            self.file.write(at, &zeros[..piece])?;
            at += piece as u64;
        }
        self.file.sync_data()?;
        self.size = size;
        Ok(())
    }

    /// Whether a payload of this length still fits.
    pub(super) fn has_room(&self, length: usize) -> bool {
        self.end + (HEAD + length).next_multiple_of(PAGE) as u64 <= self.size
    }

    /// Whether it is time to seal: three quarters are full.
    pub(super) fn is_due(&self) -> bool {
        self.end * 4 >= self.size * 3
    }

    pub(super) fn is_at_start(&self) -> bool {
        self.number == 0
    }

    /// Bytes of the epoch so far, and of the whole file.
    pub(super) fn sizes(&self) -> (u64, u64) {
        (self.end, self.size)
    }

    pub(super) fn epoch(&self) -> u64 {
        self.epoch
    }

    #[cfg(test)]
    pub(super) fn into_file(self) -> Box<dyn StorageBackend> {
        self.file
    }

    /// Writes a frame; it is durable when this returns.
    pub(super) fn append(&mut self, payload: &[u8]) -> Result<(), StoreError> {
        let length = u32::try_from(payload.len()).ok().filter(|_| self.has_room(payload.len()));
        let Some(length) = length else {
            return Err(io::Error::new(io::ErrorKind::StorageFull, "the side log is full").into());
        };
        // Whole pages: the system need not read the rest of one before it writes it.
        let mut frame = Vec::with_capacity((HEAD + payload.len()).next_multiple_of(PAGE));
        frame.extend([0; 4]);
        frame.extend(MARK);
        frame.extend(self.epoch.to_le_bytes());
        frame.extend(self.number.to_le_bytes());
        frame.extend(length.to_le_bytes());
        frame.extend_from_slice(payload);
        let check = crc32fast::hash(&frame[4..]);
        frame[..4].copy_from_slice(&check.to_le_bytes());
        frame.resize(frame.len().next_multiple_of(PAGE), 0);
        self.file.write(self.end, &frame)?;
        self.file.sync_data()?;
        self.end += frame.len() as u64;
        self.number += 1;
        Ok(())
    }

    /// Starts at the front again; the database has said that this epoch holds.
    pub(super) fn restart(&mut self, epoch: u64) {
        self.epoch = epoch;
        self.number = 0;
        self.end = 0;
    }
}

// === impl Found ===

impl Found {
    fn payload_len(&self) -> usize {
        let length = self.bytes[20..].first_chunk().copied().map_or(0, u32::from_le_bytes);
        usize::try_from(length).unwrap_or(usize::MAX / 2)
    }

    fn payload(&self) -> &[u8] {
        &self.bytes[HEAD..HEAD + self.payload_len()]
    }

    fn epoch(&self) -> u64 {
        self.bytes[8..].first_chunk().copied().map_or(0, u64::from_le_bytes)
    }

    fn number(&self) -> u32 {
        self.bytes[16..].first_chunk().copied().map_or(0, u32::from_le_bytes)
    }
}

fn damaged(reason: String) -> StoreError {
    StoreError::Damaged { file: SIDE_LOG_FILE, reason }
}
