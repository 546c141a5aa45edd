//! The shell around the rules: broker, store, clock, network and pages.

pub mod after;
pub mod cli;
pub mod clock;
pub mod config;
pub mod copies;
pub mod demo;
pub mod disk;
pub mod exchange;
pub mod http;
pub mod ingest;
pub mod limits;
pub mod mix;
pub mod model;
pub mod record;
pub mod recorder;
pub mod run;
pub mod season;
pub mod sha256;
pub mod standards;
pub mod steering;
pub mod store;
pub mod summary;
pub mod telling;
