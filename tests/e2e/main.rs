//! The whole daemon, as its users run it, against real parts.

#![allow(clippy::unwrap_used, clippy::expect_used, reason = "a test that cannot go on stops with the place")]

mod after;
mod care;
mod commands;
mod demo;
mod deploy;
mod farmhand;
mod five_years;
mod ingest;
mod main_job;
mod mix;
mod record;
mod send_test;
mod service;
mod telling;
