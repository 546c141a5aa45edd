//! How much room the card has left.

use std::io;
use std::path::Path;

/// Bytes that a user other than root can still write to the file system of `path`.
pub fn free_bytes(path: &Path) -> io::Result<u64> {
    let of = rustix::fs::statvfs(path)?;
    Ok(of.f_bavail.saturating_mul(of.f_frsize))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn there_is_room_here_and_none_nowhere() {
        assert!(free_bytes(Path::new(".")).unwrap() > 0);
        assert_eq!(free_bytes(Path::new("/nowhere")).unwrap_err().kind(), io::ErrorKind::NotFound);
    }
}
