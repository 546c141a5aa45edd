//! Power cuts, failing disks and damaged files, through the store's own doors.
//!
//! The store runs on a disk in memory that notes down every call. From the notes the files are put together as a power
//! cut at any point may leave them: what was not synced is lost, kept, or torn. Each must open and hold exactly what
//! was acknowledged, or that and the one step that was under way.

#![expect(clippy::unwrap_used, reason = "a test may stop at what it does not expect")]

mod damage;
mod disk;
mod errors;
mod power;
mod workload;
