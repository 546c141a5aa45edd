//! The whole daemon, as its users run it, against real parts.

mod commands;
mod deploy;
