//! SHA-256, as `sha256sum` prints it.

use std::fmt::Write as _;
use std::io::{self, Read};
use std::path::Path;

use crate::sha256::{self, Hasher};

/// Of bytes, in lower-case hex.
pub fn sha256(bytes: &[u8]) -> String {
    hex(&sha256::digest(bytes))
}

/// Of a file, a piece at a time.
pub fn sha256_of(path: &Path) -> io::Result<String> {
    let mut hasher = Hasher::new();
    let mut file = std::fs::File::open(path)?;
    let mut piece = vec![0; 1 << 16];
    loop {
        let length = file.read(&mut piece)?;
        if length == 0 {
            return Ok(hex(&hasher.finish()));
        }
        hasher.update(piece.get(..length).unwrap_or_default());
    }
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().fold(String::with_capacity(bytes.len() * 2), |mut text, byte| {
        let _ = write!(text, "{byte:02x}");
        text
    })
}
