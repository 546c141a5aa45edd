//! Every limit of the daemon in one place, each with its reason.
