//! The record of a pile: one document that a grower hands over and an inspector can check.
//!
//! [`facts`] gathers what the store and the judge say, [`compose`] puts it into words and tables in the order in which
//! an inspector asks, and [`html`], [`pdf`] and [`files`] write the same document down. [`sealed`] is how anybody checks
//! that it was not changed. Nothing here looks at the clock:
//! the same data give the same bytes.

pub mod chart;
pub mod compose;
pub mod digest;
pub mod document;
mod evidence;
pub mod facts;
pub mod files;
pub mod html;
pub mod pdf;
pub mod sealed;
mod words;
