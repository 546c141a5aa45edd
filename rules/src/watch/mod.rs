//! What is watched in a pile and on the farm, beside the verdict (design 5.3).
//!
//! [`Watch`] is the automaton of one pile, [`Farm`] the one of all probes: it knows who fell silent, and whether all
//! did at once. Both take what happens in order of time and answer with findings; both say with `next_deadline` when
//! they want to look at the time again, so that a deadline is exact whenever the caller comes. The same events give
//! the same findings, with the same instants of opening, however they are cut into batches and ticks.
//!
//! A reading that comes late (older than the newest of its own series, or than `near` before the newest instant
//! stepped) opens and closes nothing: it belongs to the record and the verdict, and an alarm for a peak that is over
//! helps nobody.

mod case;
mod farm;
mod progress;

pub use farm::{Farm, FarmFinding, SilenceParams};
pub use progress::{Progress, SpotProgress};
