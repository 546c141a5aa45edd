//! What the card, the copies and the first hour promise, on real file systems and through the real daemon.

mod card;
mod copies;
mod damaged;
mod first_run;
mod formats;
mod memory;
mod nights;
