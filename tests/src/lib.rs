//! What end-to-end tests are made of: the daemon as a process, a real mosquitto, a real mail server, a receiver of HTTP
//! requests, and patience.
//!
//! Everything listens on a free port of 127.0.0.1 and is killed when its handle is dropped. A part that is missing on
//! the machine fails the test and says how to get it.
#![expect(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::missing_panics_doc,
    reason = "where a test can't be set up it has to fail, and says where"
)]

pub mod broker;
pub mod daemon;
pub mod mail;
pub mod mounts;
pub mod process;
pub mod publisher;
pub mod receiver;
pub mod site;
pub mod wait;

use std::path::PathBuf;

/// The folder of the repository.
pub fn repository() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).parent().expect("tests/ lies in the repository").to_owned()
}
