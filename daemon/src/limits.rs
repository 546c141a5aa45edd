//! Every limit of the daemon in one place, each with its reason.

/// A standard is a page of text; anything longer is another file by mistake.
pub const STANDARD_FILE_BYTES_MAX: u64 = 64 * 1024;
/// Each standard is judged for each pile that names it; nobody works by more rules than this.
pub const STANDARD_FILES_MAX: usize = 64;
