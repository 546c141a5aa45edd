//! The judge against cases with exact expected answers, against its own properties and against the outside world.

mod cases;
