//! Messages into the whole daemon: killed, flooded, and with brokers that come and go.

mod clients;
mod clock;
mod fault;
mod flood;
mod flood_broker;
mod kill;
mod kill_broker;
mod listen;
pub(crate) mod numbered;
pub(crate) mod repeater;
mod stall;
mod unassigned;
