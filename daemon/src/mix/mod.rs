//! Planning a mix: what is in it, how much of each, what it comes to, and a card to build it by.
//!
//! [`table`] holds the feedstocks, [`amount`] the units of the farm, [`request`] reads what people write, [`recipe`]
//! computes a mix with its range, [`solve`] finds one, [`advice`] says what to look out for, [`card`] is the page for the bay. Planning aids: the
//! certifier decides, a laboratory's figures win.

pub mod advice;
pub mod amount;
pub mod asked;
pub mod card;
pub mod recipe;
pub mod request;
pub mod solve;
pub mod table;
