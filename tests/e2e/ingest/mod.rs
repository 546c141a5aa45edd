//! Messages into the whole daemon: killed, flooded, and with brokers that come and go.

mod flood;
mod kill;
mod listen;
mod numbered;
mod repeater;
